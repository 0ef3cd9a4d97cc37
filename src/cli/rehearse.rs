//! `rehearse`: simulated listeners go through the very code that people do; prints how often each verdict came out.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::model::ids::{ListenerCode, TestId};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury rehearse evening --hears 0.5 --runs 1000";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The share of trials that they truly hear.
    #[arg(long, value_name = "PD")]
    pub(crate) hears: f64,
    /// How many evenings.
    #[arg(long, value_name = "N", default_value_t = 1000)]
    pub(crate) runs: u64,
    /// Seed of the simulation.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub(crate) seed: u64,
    /// The sealed test; default the only open one.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Keep one run as this listener, marked simulated for ever.
    #[arg(long, value_name = "LISTENER")]
    pub(crate) keep: Option<ListenerCode>,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
