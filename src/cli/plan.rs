//! `plan`: seals a test, or prints what it could find.

use super::chance::TRUE_SIZE;
use super::shell::{Outcome, Shell};
use super::values::ControlArg as Control;
use super::values::{ControlArg, DesignArg, MethodArg, SetupArg};
use crate::foresight::power::CurvesDoc;
use crate::foresight::what_if::{SawToothDoc, WhatIfPlanDoc, what_if};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName};
use crate::model::outside::SystemClock;
use crate::model::trial::{Conditions, Controls, TrialCount};
use crate::report::text::count;
use crate::testing::plan::{PlanDoc, Request, further, plan};
use std::io::IsTerminal;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury plan evening --compare s16,p4 --controls same-file=8,known=8";

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
    /// Trials for each listener, controls left out; default 28 crossed, 16 paired.
    #[arg(long, value_name = "N", conflicts_with = "open_ended")]
    pub(crate) trials: Option<u32>,
    /// No number set beforehand: scored by evidence that allows stopping at any time.
    #[arg(long)]
    pub(crate) open_ended: bool,
    /// Listeners planned.
    #[arg(long, value_name = "K", default_value_t = 1)]
    pub(crate) listeners: u32,
    /// How samples are drawn; default crossed for two setups with takes enough, else paired.
    #[arg(long, value_name = "DESIGN")]
    pub(crate) design: Option<DesignArg>,
    /// Tests that the session's claim rests on; said with its first test, 1 unless said.
    #[arg(long, value_name = "M")]
    pub(crate) tests: Option<u32>,
    /// Level of all these tests together, said with the first one: above 0, at most 0.05, which is the default.
    #[arg(long, value_name = "A")]
    pub(crate) alpha: Option<f64>,
    /// Smallest share of truly heard trials worth finding: above 0, at most 0.5.
    #[arg(long, value_name = "PD", default_value_t = 0.3)]
    pub(crate) bound: f64,
    /// Control trials per listener: same-file=K,repeat=K,known=K.
    #[arg(long, value_name = "KIND=K", value_delimiter = ',')]
    pub(crate) controls: Vec<ControlArg>,
    /// By how much known-difference controls are raised, in dB; 1 unless said.
    #[arg(long, value_name = "D", hide_short_help = true)]
    pub(crate) known_db: Option<f64>,
    /// Looks before the end, in answers of the whole panel, the last being the end: only "goes on" or "ended" is shown.
    #[arg(long, value_name = "N,N..", value_delimiter = ',', hide_short_help = true)]
    pub(crate) looks: Vec<u64>,
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
    /// Stated, sealed and printed in the report: the listening level as set, as in "74 dB(A) at the seat".
    #[arg(long, value_name = "TEXT", hide_short_help = true)]
    pub(crate) level_as_set: Option<String>,
    /// Stated, sealed and printed in the report: headphones or loudspeakers, and which.
    #[arg(long, value_name = "TEXT", hide_short_help = true)]
    pub(crate) listening_on: Option<String>,
    /// Stated, sealed and printed in the report: the room.
    #[arg(long, value_name = "TEXT", hide_short_help = true)]
    pub(crate) room: Option<String>,
    /// Stated, sealed and printed in the report: the device that plays.
    #[arg(long, value_name = "TEXT", hide_short_help = true)]
    pub(crate) playback: Option<String>,
    /// Seal it for simulated listeners alone: rehearsals that are kept. It has no place among the session's tests.
    #[arg(long)]
    pub(crate) simulated: bool,
    /// Seal it for an audience that visits (cabjury hall): a verdict of its own class, and no place among the session's tests.
    #[arg(long, conflicts_with_all = ["simulated", "listeners", "open_ended", "looks"], hide_short_help = true)]
    pub(crate) audience: bool,
    /// Seal a further test without being asked.
    #[arg(long, hide_short_help = true)]
    pub(crate) yes: bool,
    /// Draws the fingerprint to publish as a QR picture, too: a new SVG file.
    #[arg(long, value_name = "FILE.svg", conflicts_with = "what_if", hide_short_help = true)]
    pub(crate) qr: Option<PathBuf>,
    /// Print what the test could find; seal nothing.
    #[arg(long)]
    pub(crate) what_if: bool,
}

/// Seals, or prints what the test could find.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = request(args, shell)?;
    if args.what_if {
        let doc = what_if(&args.folder, &request)?;
        shell.say(
            &[head(&doc.plan), fits(&doc.plan, &request), foreseen(&doc), vec!["nothing was sealed".to_owned()]]
                .concat()
                .join("\n"),
        );
        warn(&doc.plan, shell);
        shell.document(&doc);
    } else {
        super::publish::free(args.qr.as_deref())?;
        if let Some(before) = further(&args.folder, &request)?.filter(|_| !args.yes)
            && !confirmed(before, shell)?
        {
            let message = "nothing was sealed";
            return Err(Failure::plain("not-sealed", Fate::Refused, message, "say yes, or give --yes, to seal a further test"));
        }
        let doc = plan(&args.folder, &request, &SystemClock)?;
        let seal = doc.test.iter().zip(&doc.seal_sha256).map(|(test, seal)| format!("sealed as {test}\n  {seal}"));
        shell.say(&head(&doc).into_iter().chain(fits(&doc, &request)).chain(seal).collect::<Vec<_>>().join("\n"));
        super::publish::fingerprint(doc.fingerprint.as_ref(), "before the first trial", args.qr.as_deref(), shell)?;
        warn(&doc, shell);
        shell.document(&doc);
    }
    Ok(Outcome::Done)
}

/// Asks on a terminal before a further test is sealed; elsewhere the plan's warning has to do.
fn confirmed(before: usize, shell: &Shell) -> Result<bool, Failure> {
    if shell.json() || !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return Ok(true);
    }
    shell.ask(&format!(
        "{} sealed in this session already. Another test costs: its place is counted, and beyond the declared ones it is exploratory. \
         Seal it? [y/N] ",
        count(before, "test is", "tests are")
    ));
    let mut line = String::new();
    std::io::stdin().read_line(&mut line).map_err(|e| {
        Failure::plain("input", Fate::Failed, format!("standard input cannot be read: {e}"), "try again, or give --yes")
    })?;
    Ok(matches!(line.trim().to_lowercase().as_str(), "y" | "yes"))
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
            Control::Known(k) => controls.known = *k,
        }
    }
    Ok(Request {
        compare: args.compare.iter().map(|s| s.0.clone()).collect(),
        method: args.method.0,
        trials: if args.open_ended { Some(TrialCount::OpenEnded) } else { trials.map(TrialCount::Fixed) },
        listeners: args.listeners,
        alpha: args.alpha,
        bound: args.bound,
        controls,
        known_db: args.known_db,
        design: args.design.map(Into::into),
        tests: args.tests,
        looks: args.looks.clone(),
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
        audience: args.audience,
        conditions: Conditions {
            level: args.level_as_set.clone(),
            on: args.listening_on.clone(),
            room: args.room.clone(),
            device: args.playback.clone(),
        },
    })
}

/// Beside a number that nobody chose: one that fits the bound and the listeners, with its reason.
fn fits(doc: &PlanDoc, request: &Request) -> Vec<String> {
    let (Some(default), None) = (doc.trials, request.trials) else { return Vec::new() };
    let share = 100.0 * doc.bound;
    let who = count(doc.listeners as usize, "listener", "listeners");
    let text = match &doc.fitting {
        Some(f) if f.trials <= default => return Vec::new(),
        Some(f) => format!(
            "{default} trials each is the default; --trials {} would fit the bound of {share:.0} % and {who}: a share of {share:.0} % that is truly \
             heard is found in {:.0} of 100 tests, and if nothing is heard {:.0} of 100 may say that it is less",
            f.trials,
            100.0 * f.power_at_bound,
            100.0 * f.chance_bounded
        ),
        None if doc.power.is_empty() => return Vec::new(),
        None => format!(
            "{default} trials each is the default; no number up to 1000 each would fit the bound of {share:.0} % and {who}: plan more listeners, or \
             a larger --bound"
        ),
    };
    vec![text]
}

/// What is sealed, or would be.
fn head(doc: &PlanDoc) -> Vec<String> {
    let mut lines = Vec::new();
    let each = if doc.critical_by_scored.is_some() { "trials" } else { "scored trials" };
    let trials = doc.trials.map_or_else(|| "open-ended".to_owned(), |n| format!("{n} {each}"));
    let level = if doc.as_recorded { "as recorded" } else { "loudness removed" };
    lines.push(format!(
        "{}, {}: {} for {}, {trials} each, {level}, mic {}, excerpt {}",
        doc.method,
        doc.design.name(),
        doc.setups.join(" against "),
        count(doc.listeners as usize, "listener", "listeners"),
        doc.mic,
        doc.excerpt
    ));
    if doc.simulated {
        lines.push("  for simulated listeners alone".to_owned());
    } else if doc.audience {
        lines.push("  for each visitor of an audience; publish it with: cabjury hall publish".to_owned());
    } else if let Some(family) = &doc.family {
        let place = family.number.map_or_else(|| "exploratory, beyond".to_owned(), |n| format!("test {n} of"));
        lines.push(format!("  {place} {} declared, level {:.4}", family.planned, family.level));
    }
    for fact in &doc.differs {
        lines.push(format!("  differs: {fact}"));
    }
    if doc.differs.is_empty() {
        lines.push("  what differs was not stated: describe wirings and taps in a rig sheet".to_owned());
    }
    if let (Some(least), Some(needed)) = (doc.least_p_takes, doc.takes_needed) {
        let units: Vec<String> = doc.rewirings.iter().map(|(s, n)| format!("{n} of {s}")).collect();
        lines.push(format!("  rewirings: {}; least takes p {least:.4}; {needed} of each needed", units.join(", ")));
    }
    if let Some(scored) = doc.scored_expected.filter(|_| doc.critical_by_scored.is_some()) {
        lines.push(format!("  about {scored:.0} trials in all will be scored"));
    }
    found(doc, &mut lines);
    for look in &doc.looks {
        let ends = look.least_correct.map_or_else(|| "no number ends it".to_owned(), |k| format!("{k} right or more end it"));
        lines.push(format!("  look after {}: {ends}", count(look.answers as usize, "answer", "answers")));
    }
    lines
}

fn found(doc: &PlanDoc, lines: &mut Vec<String>) {
    match (doc.critical, doc.true_size) {
        (Some(k), Some(size)) if doc.method == "preference" => {
            lines.push(format!(
                "preferred means {k} picks or more of one of the two (two-sided, true size {size:.4}: {TRUE_SIZE})"
            ));
            return;
        }
        (Some(k), Some(size)) => {
            lines.push(format!("heard means {k} right or more (true size {size:.4}: {TRUE_SIZE}). If every listener were"));
        }
        _ if doc.power.is_empty() => return,
        _ => lines.push("If every listener were".to_owned()),
    }
    lines.push(format!("  {}", super::chance::power_lines(&doc.power)));
    let one = doc.power_one_hearer.iter().find(|p| (p.p_correct - 0.75).abs() < 1e-9).filter(|_| doc.listeners > 1);
    if let Some(one) = one {
        lines.push(format!(
            "  one listener who is right 3 times in 4 among guessers would be named in {:.0} of 100 tests",
            100.0 * one.power
        ));
    }
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
    if let Some(curves) = &doc.curves {
        lines.extend(table(curves));
    }
    if let Some(minutes) = doc.minutes {
        lines.push(format!("about {minutes:.0} minutes of listening for each listener"));
    }
    lines
}

/// Power over takes, trials and listeners.
fn table(curves: &CurvesDoc) -> Vec<String> {
    let mut lines = vec![
        format!(
            "By simulation ({} evenings each, everybody right in {:.0} % where takes do not vary, takes varying by {} of one hearing):",
            curves.runs,
            100.0 * curves.p_correct,
            curves.takes_vary
        ),
        "found at all / found of the setups, in % of evenings".to_owned(),
    ];
    let takes: std::collections::BTreeSet<u32> = curves.cells.iter().map(|c| c.takes).collect();
    lines.push(format!("  listeners  trials{}", takes.iter().map(|t| format!("  {t} takes  ")).collect::<String>()));
    for row in curves.cells.chunk_by(|a, b| (a.listeners, a.trials) == (b.listeners, b.trials)) {
        let Some(first) = row.first() else { continue };
        let cells: String = row.iter().map(|c| format!("  {:>3.0} / {:<3.0}", 100.0 * c.power, 100.0 * c.power_setups)).collect();
        lines.push(format!("  {:>9}  {:>6}{cells}", first.listeners, first.trials));
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
