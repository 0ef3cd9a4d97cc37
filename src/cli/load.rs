//! `load`: load, grade, shares, meter reading and cautions of a wiring, without a session.

use super::shell::{Outcome, Shell};
use super::values::{AmpArg, DriverArg};
use crate::jobs::JobError;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury load \"A + B\" --driver A=8,30 --driver B=8,60 --tap 16";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The wiring: "A + B" (series), "A || B" (parallel), "(A + B) || (C + D)"; "-A" is A reversed. Quote it.
    #[arg(allow_hyphen_values = true)]
    pub(crate) wiring: String,
    /// A driver: label, rated ohms, and rated watts if known.
    #[arg(long = "driver", value_name = "L=OHM[,W]", required = true)]
    pub(crate) drivers: Vec<DriverArg>,
    /// The amplifier's tap in ohm; for solid-state the least load allowed.
    #[arg(long, value_name = "OHM")]
    pub(crate) tap: f64,
    /// Kind of amplifier.
    #[arg(long, value_name = "KIND", default_value = "valve")]
    pub(crate) amp: AmpArg,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
