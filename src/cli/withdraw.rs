//! `withdraw`: takes a wrong import out of use; it is kept and printed in every report.

use super::shell::{Outcome, Shell};
use crate::capture::take::withdraw;
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury withdraw evening --take t003 --reason \"mic stand was kicked\"";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The take.
    #[arg(long, value_name = "T")]
    pub(crate) take: TakeId,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

/// Withdraws and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = withdraw(&args.folder, &args.take, &args.reason, &SystemClock)?;
    shell.say(&format!("{} is out of use; it stays in the session and in every report. Sealed tests are unchanged.", doc.take));
    shell.document(&doc);
    Ok(Outcome::Done)
}
