//! `level`: aligned, loudness-matched 24-bit copies of any files, and the list of gains and lags.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury level series.wav parallel.wav --out matched";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Audio files of one performance.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// Folder for the copies; nothing that exists is overwritten.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// No copy's true peak goes above this.
    #[arg(long, value_name = "DBTP", default_value_t = -1.0, allow_hyphen_values = true)]
    pub(crate) ceiling: f64,
    /// Match loudness only; leave start and length as they are.
    #[arg(long)]
    pub(crate) keep_timing: bool,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
