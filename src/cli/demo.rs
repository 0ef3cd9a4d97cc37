//! `demo`: the invented shootout from rig to report.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury demo";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Folder of the new session; default sessions/demo, then sessions/demo-2, ...
    pub(crate) folder: Option<PathBuf>,
    /// Seed of everything that is drawn in the demo; the same seed gives the same takes and picks.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) seed: u64,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
