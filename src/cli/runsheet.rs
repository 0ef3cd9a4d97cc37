//! `runsheet`: the interleaved capture order.

use super::load::wrapped;
use super::shell::{Outcome, Shell};
use crate::capture::runsheet::runsheet;
use crate::model::failure::Failure;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury runsheet evening --takes 4";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Takes per setup.
    #[arg(long, value_name = "N", default_value_t = 4)]
    pub(crate) takes: u32,
}

/// Prints the capture order, with room for notes.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = runsheet(&args.folder, args.takes)?;
    for (key, value) in &doc.held {
        shell.say(&format!("held: {key} = {value}"));
    }
    shell.say("pass  setup         done  notes");
    for p in &doc.order {
        if !p.change.is_empty() {
            shell.say(wrapped(&p.change, "      -- ", "         ").trim_end());
        }
        shell.say(&format!("{:>4}  {:13} [ ]   ______________________________", p.pass, p.setup));
    }
    for caution in &doc.cautions {
        shell.say(wrapped(caution, "! ", "  ").trim_end());
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
