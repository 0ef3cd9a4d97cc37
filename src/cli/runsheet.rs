//! `runsheet`: the interleaved capture order.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
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

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
