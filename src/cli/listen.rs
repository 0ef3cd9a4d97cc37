//! `listen`: the blind player at this computer.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::model::ids::{ListenerCode, TestId};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury listen evening --listener me --device silent";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The listener's code.
    #[arg(long, value_name = "CODE")]
    pub(crate) listener: ListenerCode,
    /// The test; default the only open one.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Output device by name; "silent" keeps real time without a sound card.
    #[arg(long, value_name = "D")]
    pub(crate) device: Option<String>,
    /// Line by line, for screen readers and braille.
    #[arg(long)]
    pub(crate) plain: bool,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
