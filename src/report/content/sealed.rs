//! Plans and seals, every test's fate, picks trial by trial, listeners, controls.

use super::{Block, Section, day, section, table};
use crate::model::result::{ControlDoc, ListenerDoc};
use crate::model::trial::Method;
use crate::report::plots::{PlotError, forest};
use crate::report::text::{or_dash, p};
use crate::report::view::{PickView, Report, ScoreView, TestView, rated};

/// The plans with their seals, and the fate of every sealed test.
pub fn plans(report: &Report) -> Section {
    let mut blocks = Vec::new();
    if !report.tests.is_empty() {
        blocks.push(Block::Text(
            "Every test that was ever sealed in this session stands here, also what was abandoned. A sealed test never changes, nor does \
             the result of a closed one."
                .to_owned(),
        ));
        let rows = report
            .tests
            .iter()
            .map(|t| vec![t.test.clone(), t.pair(), t.mic.clone(), t.method.name().to_owned(), day(&t.sealed_at), t.fate.clone()])
            .collect();
        blocks.push(table(&["test", "setups", "mic", "method", "sealed", "fate"], rows));
    }
    for test in &report.tests {
        blocks.push(Block::Folded(format!("{}: the sealed plan", test.test), plan(test)));
    }
    section("plans", "The plan and its seal", blocks)
}

fn plan(test: &TestView) -> Vec<Block> {
    let takes: Vec<String> = test.takes.iter().map(|(s, n)| format!("{s} {n}")).collect();
    let mut facts = vec![
        ("method".to_owned(), test.method.name().to_owned()),
        ("level question".to_owned(), if test.as_recorded { "as recorded" } else { "loudness removed" }.to_owned()),
        (
            "trials per listener, controls left out".to_owned(),
            test.planned.map_or_else(|| "open-ended".to_owned(), |n| n.to_string()),
        ),
        ("listeners planned".to_owned(), test.listeners_planned.to_string()),
        ("alpha".to_owned(), test.alpha.to_string()),
        (
            "smallest effect worth finding".to_owned(),
            format!("{} of trials truly heard", crate::report::text::percent(test.bound)),
        ),
        (
            "control trials per listener".to_owned(),
            format!(
                "{} same-file, {} repeat-take, {} known-difference",
                test.controls_planned.0, test.controls_planned.1, test.controls_planned.2
            ),
        ),
        ("takes per setup".to_owned(), takes.join(", ")),
        ("exclusion".to_owned(), test.exclusion.clone()),
        ("sealed".to_owned(), day(&test.sealed_at)),
        ("closed".to_owned(), test.closed_at.as_deref().map_or_else(|| "not yet".to_owned(), day)),
        ("seal, SHA-256".to_owned(), test.seal_sha256.clone()),
    ];
    facts
        .extend(test.fingerprint.iter().map(|line| ("fingerprint, to compare with what was published".to_owned(), line.clone())));
    if let Some((word, expect)) = &test.attribute {
        facts.insert(1, ("attribute".to_owned(), format!("{word}, expected of {expect}")));
    }
    let mut blocks = vec![Block::Facts(facts)];
    if let Some(reason) = &test.load_reason {
        blocks.push(Block::Warning(format!("A load below or far from its tap was used. The engineer's reason: {reason}")));
    }
    if !test.warnings.is_empty() {
        blocks.push(Block::Heading("Warned when it was sealed".to_owned()));
        blocks.push(Block::List(test.warnings.clone()));
    }
    blocks
}

/// Picks trial by trial.
pub fn picks(report: &Report) -> Section {
    let mut blocks = Vec::new();
    for (test, score) in scored(report) {
        let r = &score.result;
        let void = if r.head.void == 0 { String::new() } else { format!("; {} void and drawn anew", r.head.void) };
        let missing = if r.unanswered == 0 {
            String::new()
        } else {
            format!("; {} of those who took part unanswered, which count against every claim", r.unanswered)
        };
        let planned = r.head.planned.map_or_else(String::new, |n| format!(" of {n} planned"));
        blocks.push(Block::Text(format!("{}: {} answered{planned}{void}{missing}.", test.test, r.head.done)));
        if let Some(block) = runs(score) {
            blocks.push(block);
        }
        let rows = score.picks.iter().map(row).collect();
        let head = ["listener", "trial", "kind", "what sounded", "right answer", "pick", "", "seconds"];
        blocks.push(Block::Folded(format!("{}: all trials in the order of opening", test.test), vec![table(&head, rows)]));
    }
    section("picks", "Picks, trial by trial", blocks)
}

/// One line of marks per listener: the whole test at a glance.
fn runs(score: &ScoreView) -> Option<Block> {
    let mut lines: Vec<(String, String)> = Vec::new();
    // Without a right answer there is nothing to mark.
    for pick in score.picks.iter().filter(|p| p.scored) {
        let mark = if pick.right? { '\u{25cf}' } else { '\u{25cb}' };
        match lines.iter_mut().find(|l| l.0 == pick.listener) {
            Some(line) => line.1.push(mark),
            None => lines.push((pick.listener.clone(), mark.to_string())),
        }
    }
    if lines.is_empty() {
        return None;
    }
    lines.push(("marks".to_owned(), "\u{25cf} right  \u{25cb} wrong, in the order of the trials".to_owned()));
    Some(Block::Facts(lines))
}

fn row(pick: &PickView) -> Vec<String> {
    let outcome = match (&pick.void, pick.right) {
        (Some(why), _) => format!("void: {why}"),
        (None, Some(true)) => "right".to_owned(),
        (None, Some(false)) => "wrong".to_owned(),
        (None, None) => String::new(),
    };
    vec![
        pick.listener.clone(),
        pick.number.to_string(),
        pick.kind.clone(),
        pick.order.clone(),
        pick.key.clone(),
        pick.choice.clone(),
        pick.remark.as_ref().map_or_else(|| outcome.clone(), |r| format!("{outcome} \u{201c}{r}\u{201d}")),
        or_dash(pick.seconds.map(|s| format!("{s:.1}"))),
    ]
}

/// Listeners: forest and table.
///
/// # Errors
/// [`PlotError`] when a plot cannot be drawn.
pub fn listeners(report: &Report) -> Result<Section, PlotError> {
    let mut blocks = Vec::new();
    for (test, score) in scored(report) {
        let took = score.result.listeners.len();
        let kind = if score.result.simulated_only {
            "simulated, marked so for ever and never added to people"
        } else if score.result.practice_only {
            "people without sound: practice"
        } else {
            "people"
        };
        blocks.push(Block::Text(format!("{}: {took} of {} planned took part ({kind}).", test.test, test.listeners_planned)));
        let plots = forest(test, score)?;
        if plots.is_empty() {
            blocks.push(one_by_one(test, score));
        } else {
            blocks.push(Block::Plots(plots));
        }
        let flags: Vec<String> =
            score.result.listeners.iter().flat_map(|l| l.flags.iter().map(|f| format!("{}: {f}", l.listener))).collect();
        if !flags.is_empty() {
            blocks.push(Block::Text("Flags, shown and never a reason to leave anybody out:".to_owned()));
            blocks.push(Block::List(flags));
        }
        blocks.extend(super::listened::about(&score.result));
    }
    Ok(section("listeners", "Listeners", blocks))
}

/// A row for each listener, in what the method asked for.
fn one_by_one(test: &TestView, score: &ScoreView) -> Block {
    let share = |l: &ListenerDoc| {
        let [low, high] = ScoreView::interval_of(l);
        vec![format!("{} of {}", l.correct.unwrap_or(0), l.trials), format!("{low:.3} to {high:.3}")]
    };
    let head: Vec<String> = match test.method {
        Method::Graded => vec!["trials".to_owned(), "medians".to_owned()],
        Method::Preference if test.setups.len() > 2 => vec!["picks".to_owned()],
        Method::Preference => {
            vec![format!("preferred {}", test.setups.first().map_or("", String::as_str)), "95 % interval".to_owned()]
        }
        Method::Abx | Method::DuoTrio | Method::Triangle | Method::Attribute => {
            vec!["right".to_owned(), "95 % interval".to_owned()]
        }
    };
    let cells = |l: &ListenerDoc| match head.len() {
        1 => vec![l.trials.to_string()],
        _ if test.method == Method::Graded => {
            let given: Vec<String> = l.ratings.iter().flatten().map(|r| format!("{} {:.0}", rated(r), r.median)).collect();
            vec![l.trials.to_string(), given.join("; ")]
        }
        _ => share(l),
    };
    let heads: Vec<&str> = ["listener"].into_iter().chain(head.iter().map(String::as_str)).chain(["p"]).collect();
    let row = |l: &ListenerDoc| [l.listener.to_string()].into_iter().chain(cells(l)).chain([p(l.p_value)]).collect();
    table(&heads, score.result.listeners.iter().map(row).collect())
}

/// Controls: could the player have told, could takes be told apart.
pub fn controls(report: &Report) -> Section {
    let (mut blocks, mut untried) = (Vec::new(), false);
    for (test, score) in scored(report) {
        if test.method == Method::Graded {
            blocks.push(Block::Text(format!(
                "{}: no control trials. Every trial has its own: the hidden reference, which should be rated high, and the dulled anchor, \
                 which should be rated low.",
                test.test
            )));
            continue;
        }
        let c = &score.result.controls;
        untried |= c.same_file.trials == 0;
        if c.same_file.trials + c.repeat.trials + c.known.trials == 0 {
            blocks.push(Block::Text(format!("{}: no control trials.", test.test)));
            continue;
        }
        let preference = test.method == Method::Preference;
        let cue = if preference {
            "must sit near one half, else the player gives a cue"
        } else {
            "must sit at chance, else the player gives a cue"
        };
        let mut rows = Vec::new();
        for (what, control, means) in [
            ("same file in all slots", c.same_file, cue),
            ("repeat takes of one setup", c.repeat, "the floor: can takes be told apart?"),
            ("a take against itself, raised", c.known, "could they hear a small difference here at all?"),
        ] {
            let ControlDoc { trials, correct, .. } = control;
            let count = if trials == 0 { "none".to_owned() } else { format!("{correct} of {trials}") };
            rows.push(vec![what.to_owned(), count, means.to_owned()]);
        }
        blocks.push(Block::Text(format!("{}: control trials, mixed among the scored ones and outside the score.", test.test)));
        blocks.push(table(&["control", if preference { "the first picked" } else { "right" }, "why"], rows));
    }
    if untried {
        blocks.push(Block::Text(
            "Where there were no same-file controls, that gate could not be tried: the verdict rests on the player's one audio path alone."
                .to_owned(),
        ));
    }
    section("controls", "Controls", blocks)
}

pub(super) fn scored(report: &Report) -> impl Iterator<Item = (&TestView, &ScoreView)> {
    report.tests.iter().filter_map(|t| t.score.as_ref().map(|s| (t, s)))
}
