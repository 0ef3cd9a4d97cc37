//! `report`: one self-contained page: verdict first, then the evidence.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury report evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Where to write it; .html, .md or .json. Default a new file in the session's reports folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
