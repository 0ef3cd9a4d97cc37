//! `match`: the clips: aligned and matched in loudness, or as recorded.

use super::shell::{Outcome, Shell};
use super::values::ExcerptArg;
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury match evening --excerpt riff=0.5-6.0";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Keep raw levels; one common gain.
    #[arg(long)]
    pub(crate) as_recorded: bool,
    /// A stretch to listen to, in seconds of the DI (or of the first take).
    #[arg(long = "excerpt", value_name = "NAME=START-END")]
    pub(crate) excerpts: Vec<ExcerptArg>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
