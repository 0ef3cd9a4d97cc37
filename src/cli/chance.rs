//! `chance`: what a number of right answers says; without --correct, what so many trials can find.

use super::shell::{Outcome, Shell};
use super::values::MethodArg;
use crate::foresight::chance::{ChanceDoc, LookDoc, SequenceDoc, Spending, WhatIfDoc, chance, chance_of_picks, looks, what_if};
use crate::model::failure::Failure;
use crate::testing::plan_check::check_level;

/// What the word means, where it stands.
pub(super) const TRUE_SIZE: &str = "how often guessing alone gets so far";

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury chance --method abx --trials 16 --correct 12";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The method: abx, duo-trio, triangle, preference, attribute.
    #[arg(long, value_name = "METHOD", default_value = "abx")]
    pub(crate) method: MethodArg,
    /// Number of trials.
    #[arg(long, value_name = "N", required_unless_present_any = ["picks", "looks"])]
    pub(crate) trials: Option<u64>,
    /// How many were right (preference: how often the first named was preferred).
    #[arg(long, value_name = "C")]
    pub(crate) correct: Option<u64>,
    /// Level of the test: above 0, at most 0.05.
    #[arg(long, value_name = "A", default_value_t = 0.05)]
    pub(crate) alpha: f64,
    /// Smallest share of truly heard trials worth finding: above 0, at most 0.5.
    #[arg(long, value_name = "PD", default_value_t = 0.3)]
    pub(crate) bound: f64,
    /// The picks in order instead of a number: 1 for right, 0 for wrong. Adds what holds although one looked after every trial.
    #[arg(long, value_name = "101..", conflicts_with_all = ["trials", "correct", "looks"])]
    pub(crate) picks: Option<String>,
    /// With --picks: the most trials that were planned; adds the exact p of a test that may stop earlier.
    #[arg(long, value_name = "N", requires = "picks", conflicts_with_all = ["trials", "correct", "looks"])]
    pub(crate) cap: Option<u64>,
    /// Looks at these numbers of trials, the last being the end: how many right stop the test at each.
    #[arg(long, value_name = "N,N..", value_delimiter = ',', conflicts_with_all = ["trials", "correct"])]
    pub(crate) looks: Option<Vec<u64>>,
    /// With --looks: how the level is spent: late (hardly anything early) or even.
    #[arg(long, value_name = "HOW", requires = "looks", conflicts_with_all = ["trials", "correct", "picks"], default_value = "late")]
    pub(crate) spend: Spend,
}

/// How looks spend the level.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub(crate) enum Spend {
    Late,
    Even,
}

/// Computes and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let method = args.method.0;
    check_level(args.alpha, args.bound)?;
    if let Some(picks) = &args.picks {
        let doc = chance_of_picks(method, picks, args.cap, args.alpha, args.bound)?;
        let order = doc.sequence.as_ref().map(|s| order_lines(s, args.alpha)).unwrap_or_default();
        shell.say(&format!("{}\n{order}", found(&doc)));
        shell.document(&doc);
    } else if let Some(at) = &args.looks {
        let spending = match args.spend {
            Spend::Late => Spending::Late,
            Spend::Even => Spending::Even,
        };
        let doc = looks(method, at, args.alpha, spending)?;
        shell.say(&format!(
            "{}\n\nWithout looks before the end: {}",
            look_lines(doc.looks.as_deref().unwrap_or_default()),
            could_find(&doc, args.alpha)
        ));
        shell.document(&doc);
    } else {
        // clap lets nobody come here without.
        let trials = args.trials.unwrap_or_default();
        match args.correct {
            Some(correct) => {
                let doc = chance(method, trials, correct, args.alpha, args.bound)?;
                shell.say(&found(&doc));
                shell.document(&doc);
            }
            None => {
                let doc = what_if(method, trials, args.alpha)?;
                shell.say(&could_find(&doc, args.alpha));
                shell.document(&doc);
            }
        }
    }
    Ok(Outcome::Done)
}

fn order_lines(s: &SequenceDoc, alpha: f64) -> String {
    let most =
        Some(s.evidence_most.0).filter(|e| e.is_finite()).map_or_else(|| "without limit".to_owned(), |e| format!("{e:.2}"));
    let mut lines = vec![match s.at_trial {
        Some(at) => {
            format!("evidence           at most {most} to 1, after trial {at} ({:.0} would be needed to stop)", 1.0 / alpha)
        }
        None => "evidence           never above 1 to 1".to_owned(),
    }];
    lines.push(format!("although looked at p = {:.4}, for a test without an end", s.anytime_p));
    if let Some(c) = &s.capped {
        lines.push(format!("                   p = {:.4}, for a test of at most {} trials", c.p_value, c.cap));
    }
    lines.join("\n")
}

fn look_lines(looks: &[LookDoc]) -> String {
    let line = |l: &LookDoc| match l.critical {
        Some(c) => format!("after {:>4} trials: stop at {c} right or more (used up by then: {:.4})", l.trials, l.used),
        None => format!("after {:>4} trials: no number stops (used up by then: {:.4})", l.trials, l.used),
    };
    looks.iter().map(line).collect::<Vec<_>>().join("\n")
}

fn found(doc: &ChanceDoc) -> String {
    let c = &doc.count;
    let mut lines = vec![doc.sentence.clone(), String::new()];
    let share = |v: f64| format!("{:.1} %", 100.0 * v);
    if let Some(p) = c.p_value {
        lines.push(format!("exact p            {p:.6}"));
    }
    if let (Some(k), Some(size)) = (c.critical, c.true_size) {
        lines.push(format!("fewest that count  {k} of {} (true size {size:.4}: {TRUE_SIZE})", c.trials));
    }
    if let Some([low, high]) = c.interval95 {
        lines.push(format!("right              {} to {} (95 %, Clopper-Pearson)", share(low), share(high)));
    }
    if let Some(d) = &c.distinguishers {
        lines.push(format!("truly heard        {} of trials, at most {} (95 %)", share(d.estimate), share(d.upper95)));
    }
    if let Some(d) = &c.dprime {
        let text = |v: f64| if v.is_finite() { format!("{v:.2}") } else { "infinite".to_owned() };
        lines.push(format!("d' ({})  {} ({} to {})", d.model, text(d.estimate.0), text(d.low.0), text(d.high.0)));
    }
    if let Some(s) = &c.similarity {
        lines.push(format!("so few right if {} of trials were truly heard: p = {:.4}", share(s.bound), s.p_value));
    }
    lines.join("\n")
}

/// Power as a small table.
pub(super) fn power_lines(power: &[crate::report::count::PowerDoc]) -> String {
    let cell = |p: &crate::report::count::PowerDoc| {
        format!("{:.0} % right: found in {:.0} of 100", 100.0 * p.p_correct, 100.0 * p.power)
    };
    power.iter().map(cell).collect::<Vec<_>>().join("\n  ")
}

/// Trials needed, as a small table.
pub(super) fn needed_lines(needed: &[crate::report::count::NeededDoc]) -> String {
    let count = |n: Option<u64>| n.map_or_else(|| "over 2000".to_owned(), |n| n.to_string());
    needed
        .iter()
        .map(|n| {
            format!(
                "{:.0} % right: {} trials, {} to be sure of it at any larger number",
                100.0 * n.p_correct,
                count(n.first),
                count(n.stable)
            )
        })
        .collect::<Vec<_>>()
        .join("\n  ")
}

fn could_find(doc: &WhatIfDoc, alpha: f64) -> String {
    let critical = doc.critical.map_or_else(
        || format!("No number right out of {} reaches the level of {alpha}.", doc.trials),
        |k| format!("{k} of {} right count as more than chance (true size {:.4}: {TRUE_SIZE}).", doc.trials, doc.true_size),
    );
    format!(
        "{critical}\nA listener who is\n  {}\nTrials for an 80 % chance to find a listener who is\n  {}",
        power_lines(&doc.power),
        needed_lines(&doc.trials_for_80)
    )
}
