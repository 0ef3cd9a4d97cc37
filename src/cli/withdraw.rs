//! `withdraw`: takes a wrong import out of use; it is kept and printed in every report.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::model::ids::TakeId;
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

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
