//! `chance`: what a number of right answers says; without --correct, what so many trials can find.

use super::shell::{Outcome, Shell};
use super::values::MethodArg;
use crate::jobs::JobError;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury chance --method abx --trials 16 --correct 12";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The method: abx, duo-trio, triangle, preference, attribute.
    #[arg(long, value_name = "METHOD", default_value = "abx")]
    pub(crate) method: MethodArg,
    /// Number of trials.
    #[arg(long, value_name = "N")]
    pub(crate) trials: u64,
    /// How many were right (preference: how often the first named was preferred).
    #[arg(long, value_name = "C")]
    pub(crate) correct: Option<u64>,
    /// Level of the test.
    #[arg(long, value_name = "A", default_value_t = 0.05)]
    pub(crate) alpha: f64,
    /// Smallest share of truly heard trials worth finding.
    #[arg(long, value_name = "PD", default_value_t = 0.3)]
    pub(crate) bound: f64,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
