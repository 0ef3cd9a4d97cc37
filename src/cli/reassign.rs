//! `reassign`: puts a take under another setup, mic or pass, with a reason.

use super::shell::{Outcome, Shell};
use super::values::{SetupArg, TakeArg};
use crate::capture::mend::{Place, reassign};
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str =
    "Example:\n  cabjury reassign evening --take t003 --setup p4 --reason \"named after the wrong setup\"";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
#[command(group(clap::ArgGroup::new("where").args(["setup", "mic", "pass"]).required(true).multiple(true)))]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The take.
    #[arg(long, value_name = "T")]
    pub(crate) take: TakeArg,
    /// The setup that it was recorded under.
    #[arg(long, value_name = "S")]
    pub(crate) setup: Option<SetupArg>,
    /// The mic that it was recorded with.
    #[arg(long, value_name = "M")]
    pub(crate) mic: Option<MicName>,
    /// The pass that it belongs to.
    #[arg(long, value_name = "P")]
    pub(crate) pass: Option<u32>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

/// Reassigns and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let to = Place { setup: args.setup.as_ref().map(|s| s.0.clone()), mic: args.mic.clone(), pass: args.pass };
    let doc = reassign(&args.folder, &args.take.0, &to, &args.reason, &SystemClock)?;
    let setup = doc.setup.as_deref().unwrap_or("DI");
    shell.say(&format!(
        "{} ({}) is {setup}, mic {}, pass {} now. Clips that were made before are not used for new tests: run match again.",
        doc.take, doc.original_name, doc.mic, doc.pass
    ));
    shell.document(&doc);
    Ok(Outcome::Done)
}
