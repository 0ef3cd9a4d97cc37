//! `score`: verdicts of closed tests with their evidence; of an open one only how far it is.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::model::ids::TestId;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury score evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The test; default all.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Write one row per trial of closed tests, for recomputing; nothing that exists is overwritten.
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
