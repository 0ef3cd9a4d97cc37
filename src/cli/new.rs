//! `new`: a session; with NAME=FILE one setup per name, so that two files are enough to start.

use super::shell::{Outcome, Shell};
use super::values::NamedFile;
use crate::jobs::JobError;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury new evening series=series.wav parallel=parallel.wav";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The session's title.
    #[arg(long, value_name = "TEXT")]
    pub(crate) title: Option<String>,
    /// A rig sheet (TOML) to begin with.
    #[arg(long, value_name = "FILE")]
    pub(crate) sheet: Option<PathBuf>,
    /// One setup per name with its first recording.
    #[arg(value_name = "NAME=FILE")]
    pub(crate) recordings: Vec<NamedFile>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
