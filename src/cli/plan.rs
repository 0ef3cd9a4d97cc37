//! `plan`: seals a test, or prints what it could find.

use super::shell::{Outcome, Shell};
use super::values::{ControlArg, MethodArg};
use crate::jobs::JobError;
use crate::model::ids::{ExcerptName, MicName, SetupName};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury plan evening --compare s16,p4 --trials 16 --controls same-file=8";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The setups to compare.
    #[arg(long, value_name = "S1,S2[,...]", value_delimiter = ',', required = true)]
    pub(crate) compare: Vec<SetupName>,
    /// The method: abx, duo-trio, triangle, preference, attribute, graded.
    #[arg(long, value_name = "METHOD", default_value = "abx")]
    pub(crate) method: MethodArg,
    /// Scored trials for each listener.
    #[arg(long, value_name = "N", conflicts_with = "open_ended")]
    pub(crate) trials: Option<u32>,
    /// No number set beforehand: scored by evidence that allows stopping at any time.
    #[arg(long)]
    pub(crate) open_ended: bool,
    /// Listeners planned.
    #[arg(long, value_name = "K", default_value_t = 1)]
    pub(crate) listeners: u32,
    /// Level of the test.
    #[arg(long, value_name = "A", default_value_t = 0.05)]
    pub(crate) alpha: f64,
    /// Smallest share of truly heard trials worth finding.
    #[arg(long, value_name = "PD", default_value_t = 0.3)]
    pub(crate) bound: f64,
    /// Control trials per listener: same-file=K,repeat=K.
    #[arg(long, value_name = "KIND=K", value_delimiter = ',')]
    pub(crate) controls: Vec<ControlArg>,
    /// The mic or blend; default the only one there is.
    #[arg(long, value_name = "M")]
    pub(crate) mic: Option<MicName>,
    /// The excerpt; default the only one there is.
    #[arg(long, value_name = "NAME")]
    pub(crate) excerpt: Option<ExcerptName>,
    /// Compare raw levels (clips of match --as-recorded).
    #[arg(long)]
    pub(crate) as_recorded: bool,
    /// attribute: the word, as in "which is brighter?".
    #[arg(long, value_name = "WORD")]
    pub(crate) attribute: Option<String>,
    /// attribute: the setup expected to have more of it.
    #[arg(long, value_name = "S")]
    pub(crate) expect: Option<SetupName>,
    /// duo-trio, graded: the setup that serves as reference.
    #[arg(long, value_name = "S")]
    pub(crate) reference: Option<SetupName>,
    /// Why a load that must not be connected was used all the same; printed in every report.
    #[arg(long, value_name = "TEXT")]
    pub(crate) load_reason: Option<String>,
    /// Print what the test could find; seal nothing.
    #[arg(long)]
    pub(crate) what_if: bool,
}

/// Does what the command says.
///
/// # Errors
/// Whatever the job refuses or cannot do.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let _ = (args, shell);
    Err(JobError::plain("unfinished", crate::model::explain::Fate::Failed, "this command is being built", "wait a little"))
}
