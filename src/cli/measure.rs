//! `measure`: format, faults, loudness and true peak of files; differences of two or more.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury measure series.wav parallel.wav";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Audio files; with two or more of one performance also lag, polarity, level and band differences to the first.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
