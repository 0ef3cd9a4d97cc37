//! `chance`: what a number of right answers says; without --correct, what so many trials can find.

use super::shell::{Outcome, Shell};
use super::values::MethodArg;
use crate::jobs::JobError;
use crate::jobs::chance::{ChanceDoc, WhatIfDoc, chance, what_if};

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

/// Computes and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    match args.correct {
        Some(correct) => {
            let doc = chance(args.method.0, args.trials, correct, args.alpha, args.bound)?;
            shell.say(&found(&doc));
            shell.document(&doc);
        }
        None => {
            let doc = what_if(args.method.0, args.trials, args.alpha)?;
            shell.say(&could_find(&doc, args.alpha));
            shell.document(&doc);
        }
    }
    Ok(Outcome::Done)
}

fn found(doc: &ChanceDoc) -> String {
    let c = &doc.count;
    let mut lines = vec![doc.sentence.clone(), String::new()];
    let share = |v: f64| format!("{:.1} %", 100.0 * v);
    if let Some(p) = c.p_value {
        lines.push(format!("exact p            {p:.6}"));
    }
    if let (Some(k), Some(size)) = (c.critical, c.true_size) {
        lines.push(format!("fewest that count  {k} of {} (true size {size:.4})", c.trials));
    }
    lines.push(format!("right              {} to {} (95 %, Clopper-Pearson)", share(c.interval95[0]), share(c.interval95[1])));
    if let Some(d) = &c.distinguishers {
        lines.push(format!("truly heard        {} of trials, at most {} (95 %)", share(d.estimate), share(d.upper95)));
    }
    if let Some(d) = &c.dprime {
        let text = |v: &serde_json::Value| v.as_f64().map_or_else(|| "infinite".to_owned(), |v| format!("{v:.2}"));
        lines.push(format!("d' ({})  {} ({} to {})", d.model, text(&d.estimate), text(&d.low), text(&d.high)));
    }
    if let Some(s) = &c.similarity {
        lines.push(format!("so few right if {} of trials were truly heard: p = {:.4}", share(s.bound), s.p_value));
    }
    lines.join("\n")
}

/// Power as a small table.
pub(super) fn power_lines(power: &[crate::jobs::chance::PowerDoc]) -> String {
    let cell =
        |p: &crate::jobs::chance::PowerDoc| format!("{:.0} % right: found in {:.0} of 100", 100.0 * p.p_correct, 100.0 * p.power);
    power.iter().map(cell).collect::<Vec<_>>().join("\n  ")
}

/// Trials needed, as a small table.
pub(super) fn needed_lines(needed: &[crate::jobs::chance::NeededDoc]) -> String {
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
        |k| format!("{k} of {} right count as more than chance (true size {:.4}).", doc.trials, doc.true_size),
    );
    format!(
        "{critical}\nA listener who is\n  {}\nTrials for an 80 % chance to find a listener who is\n  {}",
        power_lines(&doc.power),
        needed_lines(&doc.trials_for_80)
    )
}
