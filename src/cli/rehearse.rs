//! `rehearse`: simulated listeners go through the very code that people do; prints how often each verdict came out.

use super::shell::{Outcome, Shell};
use crate::foresight::rehearse::{Ears, Request, rehearse};
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::SystemClock;
use crate::model::trial::Method;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury rehearse evening --hears 0.5 --runs 1000";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The share of trials that they truly hear (a graded test: in which reference and anchor get the best and the worst rating).
    #[arg(long, value_name = "PD")]
    pub(crate) hears: f64,
    /// How unequal they are: 0 all alike, 1 some hear all and the others nothing (the correlation of two answers of one listener).
    #[arg(long, value_name = "RHO", default_value_t = 0.0)]
    pub(crate) unequal: f64,
    /// The share of answers that are a slip: a guess although it was heard.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    pub(crate) slips: f64,
    /// The share of guesses that fall on the first choice; default even.
    #[arg(long, value_name = "SHARE")]
    pub(crate) leans: Option<f64>,
    /// preference: the share of listeners whose favourite each setup is, in the plan's order; the rest has none.
    #[arg(long, value_name = "SHARE,SHARE..", value_delimiter = ',')]
    pub(crate) tastes: Vec<f64>,
    /// How much takes differ, in standard deviations of one hearing; listeners then go by what lies nearest.
    #[arg(long, value_name = "S")]
    pub(crate) takes_vary: Option<f64>,
    /// The share of listeners who leave before their end.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    pub(crate) leave: f64,
    /// The share of known-difference trials that they truly hear.
    #[arg(long, value_name = "SHARE", default_value_t = 0.9)]
    pub(crate) hears_known: f64,
    /// How many evenings.
    #[arg(long, value_name = "N", default_value_t = 1000)]
    pub(crate) runs: u64,
    /// Seed of the simulation.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub(crate) seed: u64,
    /// The sealed test; default the only open one.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Keep one run as this listener, marked simulated for ever; the test must be sealed with --simulated.
    #[arg(long, value_name = "LISTENER")]
    pub(crate) keep: Option<ListenerCode>,
}

/// Rehearses and prints how often each verdict came out.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let ears = Ears {
        unequal: args.unequal,
        slips: args.slips,
        leans: args.leans,
        tastes: args.tastes.clone(),
        takes_vary: args.takes_vary,
        leave: args.leave,
        hears_known: args.hears_known,
        ..Ears::plain(args.hears)
    };
    let request = Request { ears, runs: args.runs, seed: args.seed, test: args.test.clone(), keep: args.keep.clone() };
    let doc = rehearse(&args.folder, &request, &SystemClock, &shell.progress())?;
    shell.say(&format!(
        "{} evenings of simulated listeners who truly hear {:.0} % of trials{}, {}:",
        doc.runs,
        100.0 * doc.ears.hears,
        doc.p_correct.map_or_else(String::new, |p| format!(" and are right in {:.0} %", 100.0 * p)),
        doc.test
    ));
    for (kind, n) in doc.verdicts.iter().filter(|(_, n)| **n > 0) {
        shell.say(&format!("  {kind:20} {n:>8}  {:6.2} %", 100.0 * *n as f64 / doc.runs as f64));
    }
    let found = match doc.method {
        Method::Preference => "one is preferred",
        Method::Graded => "rated apart",
        Method::Abx | Method::DuoTrio | Method::Triangle | Method::Attribute => "heard",
    };
    let [low, high] = doc.found_interval95.map(|share| 100.0 * share);
    shell.say(&format!("{found} in {:.2} % ({low:.2} to {high:.2})", 100.0 * doc.found_share));
    if doc.setups_share > 0.0 {
        shell.say(&format!("and of the setups, not these takes alone, in {:.2} %", 100.0 * doc.setups_share));
    }
    if let Some(kept) = &doc.kept {
        shell.say(&format!("one evening was kept as {kept}, marked simulated for ever"));
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
