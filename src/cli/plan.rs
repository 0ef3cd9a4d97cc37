//! `plan`: seals a test, or prints what it could find.

use super::shell::{Outcome, Shell};
use super::values::ControlArg as Control;
use super::values::{ControlArg, MethodArg, SetupArg};
use crate::foresight::what_if::{SawToothDoc, WhatIfPlanDoc, what_if};
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName};
use crate::model::outside::SystemClock;
use crate::model::trial::{Controls, TrialCount};
use crate::report::text::count;
use crate::testing::plan::{PlanDoc, Request, plan};
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
    pub(crate) compare: Vec<SetupArg>,
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
    /// Let listeners hear the setups by name before their trials; else they hear them by number.
    #[arg(long)]
    pub(crate) training_by_name: bool,
    /// Ask for a confidence (0 to 100) and a remark after each pick.
    #[arg(long)]
    pub(crate) ask_confidence: bool,
    /// Seal it for simulated listeners alone: rehearsals that are kept. It has no place among the session's tests.
    #[arg(long)]
    pub(crate) simulated: bool,
    /// Print what the test could find; seal nothing.
    #[arg(long)]
    pub(crate) what_if: bool,
}

/// Seals, or prints what the test could find.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = request(args, shell)?;
    if args.what_if {
        let doc = what_if(&args.folder, &request)?;
        shell.say(&[head(&doc.plan), foreseen(&doc), vec!["nothing was sealed".to_owned()]].concat().join("\n"));
        warn(&doc.plan, shell);
        shell.document(&doc);
    } else {
        let doc = plan(&args.folder, &request, &SystemClock)?;
        let seal = doc.test.iter().zip(&doc.seal_sha256).map(|(test, seal)| format!("sealed as {test}\n  {seal}"));
        shell.say(&head(&doc).into_iter().chain(seal).collect::<Vec<_>>().join("\n"));
        warn(&doc, shell);
        shell.document(&doc);
    }
    Ok(Outcome::Done)
}

fn warn(doc: &PlanDoc, shell: &mut Shell) {
    for warning in &doc.warnings {
        shell.warn(warning);
    }
}

fn request(args: &Args, shell: &mut Shell) -> Result<Request, Failure> {
    let defaults = super::defaults::read()?;
    let trials = args.trials.or(defaults.trials.filter(|_| !args.open_ended));
    let mic = args.mic.clone().or(defaults.mic);
    for (name, typed, found) in [
        ("trials", args.trials.is_some(), trials.map(|t| t.to_string())),
        ("mic", args.mic.is_some(), mic.as_ref().map(ToString::to_string)),
    ] {
        if let (false, Some(value)) = (typed, found) {
            shell.note(&format!("{name} {value}, from {}", defaults.from.display()));
        }
    }
    let mut controls = Controls::default();
    for control in &args.controls {
        match control {
            Control::SameFile(k) => controls.same_file = *k,
            Control::Repeat(k) => controls.repeat = *k,
        }
    }
    Ok(Request {
        compare: args.compare.iter().map(|s| s.0.clone()).collect(),
        method: args.method.0,
        trials: if args.open_ended { TrialCount::OpenEnded } else { TrialCount::Fixed(trials.unwrap_or(16)) },
        listeners: args.listeners,
        alpha: args.alpha,
        bound: args.bound,
        controls,
        mic,
        excerpt: args.excerpt.clone(),
        as_recorded: args.as_recorded,
        attribute: args.attribute.clone(),
        expect: args.expect.clone(),
        reference: args.reference.clone(),
        load_reason: args.load_reason.clone(),
        training_by_name: args.training_by_name,
        ask_confidence: args.ask_confidence,
        simulated: args.simulated,
    })
}

/// What is sealed, or would be.
fn head(doc: &PlanDoc) -> Vec<String> {
    let mut lines = Vec::new();
    let trials = doc.trials.map_or_else(|| "open-ended".to_owned(), |n| format!("{n} scored trials"));
    let level = if doc.as_recorded { "as recorded" } else { "loudness removed" };
    lines.push(format!(
        "{}: {} for {}, {trials} each, {level}, mic {}, excerpt {}",
        doc.method,
        doc.setups.join(" against "),
        count(doc.listeners as usize, "listener", "listeners"),
        doc.mic,
        doc.excerpt
    ));
    for fact in &doc.differs {
        lines.push(format!("  differs: {fact}"));
    }
    if doc.differs.is_empty() {
        lines.push("  what differs was not stated: describe wirings and taps in a rig sheet".to_owned());
    }
    if let (Some(k), Some(size)) = (doc.critical, doc.true_size) {
        if doc.method == "preference" {
            lines.push(format!("preferred means {k} picks or more of one of the two (two-sided, true size {size:.4})"));
        } else {
            lines.push(format!("heard means {k} right or more (true size {size:.4}). A listener who is"));
            lines.push(format!("  {}", super::chance::power_lines(&doc.power)));
        }
    }
    lines
}

/// What it could find.
fn foreseen(doc: &WhatIfPlanDoc) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(saw) = &doc.saw_tooth {
        lines.extend(saw_tooth(saw, u64::from(doc.plan.trials.unwrap_or(0)) * u64::from(doc.plan.listeners)));
    }
    if let Some(n) = &doc.not_heard {
        lines.push(n.text());
    }
    if let Some(needed) = &doc.trials_for_80 {
        lines.push(format!(
            "Trials{} for an 80 % chance to find a listener who is\n  {}",
            if doc.plan.setups.len() > 2 { " in all, over every pair," } else { "" },
            super::chance::needed_lines(needed)
        ));
    }
    if let Some(reach) = &doc.open_ended {
        lines.push(
            "Open-ended: a listener who is right so often is found within 100 trials with a chance of (after so many on average)"
                .to_owned(),
        );
        let each =
            reach.iter().map(|r| format!("{:.0} %: {:.0} % ({:.0})", r.p_correct * 100.0, r.found_by_100 * 100.0, r.mean_trials));
        lines.push(format!("  {}", each.collect::<Vec<_>>().join(", ")));
    }
    if let Some(minutes) = doc.minutes {
        lines.push(format!("about {minutes:.0} minutes of listening for each listener"));
    }
    lines
}

/// The power's saw-tooth in eighths of a line, with the planned number marked under it.
fn saw_tooth(saw: &SawToothDoc, planned: u64) -> Vec<String> {
    const EIGHTHS: [char; 9] =
        [' ', '\u{2581}', '\u{2582}', '\u{2583}', '\u{2584}', '\u{2585}', '\u{2586}', '\u{2587}', '\u{2588}'];
    let bars: String = saw.points.iter().map(|(_, power)| EIGHTHS[(power * 8.0).round().clamp(0.0, 8.0) as usize]).collect();
    let at = saw.points.iter().position(|(n, _)| *n >= planned).unwrap_or(0);
    let last = saw.points.last().map_or(0, |p| p.0);
    vec![
        format!("Chance to find one who is {:.0} % right, by trials in all (1 to {last}):", 100.0 * saw.p_correct),
        format!("  {bars} 100 % at full height"),
        format!("  {:>width$} {planned} planned", "\u{25b2}", width = at + 1),
    ]
}
