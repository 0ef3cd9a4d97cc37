//! `score`: verdicts of closed tests with their evidence; of an open one only how far it is.

use super::shell::{Outcome, Shell, Tone};
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::result::{ListenerDoc, TestEntry, TestResult};
use crate::report::text::{count, p, p_text};
use crate::verdict::score::score;
use crate::verdict::trial_csv::write_csv;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury score evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The test; default all.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Write one row per trial of closed tests, for recomputing; nothing that exists is overwritten.
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
}

/// Scores and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = score(&args.folder, args.test.as_ref())?;
    for test in &doc.tests {
        shell.say(&text(test, shell));
    }
    for of in &doc.audience {
        shell.say(&format!("{}: {}\n  not guarded: {}\n", of.test, of.sentence, of.not_guarded.join("; ")));
    }
    for test in &doc.given_up {
        shell.say(&format!("{test}: sealed, and given up before anybody answered"));
    }
    if doc.tests.is_empty() && doc.given_up.is_empty() && doc.audience.is_empty() {
        shell.say("no test was sealed yet");
    }
    if let Some(path) = &args.csv {
        let rows = write_csv(&args.folder, args.test.as_ref(), path)?;
        shell.say(&format!("{} written to {}", count(rows as usize, "trial", "trials"), path.display()));
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}

/// What Holm's correction is, where it stands.
const HOLM: &str = "after Holm: each p made larger for there being several listeners, so that the luckiest guesser is not named";

/// A verdict's colour: a result, whichever way it went, or one that says nothing of the setups.
fn tone(verdict: &str) -> Tone {
    match verdict {
        "data-void" | "player-cue" | "repeat-floor" | "insensitive" | "too-few" => Tone::Mind,
        _ => Tone::Result,
    }
}

fn text(entry: &TestEntry, shell: &Shell) -> String {
    let head = entry.head();
    let Some(r) = entry.result() else {
        let planned = head.planned.map_or_else(|| "open-ended".to_owned(), |n| format!("{n} planned without controls"));
        return format!(
            "{}: open, {} answered, {planned}; right and wrong are shown when it is closed\n",
            head.test,
            count(head.done as usize, "trial", "trials")
        );
    };
    let so_far = if head.closed { "" } else { ", so far" };
    let mut lines =
        vec![format!("{}{so_far}: {}", head.test, shell.toned(tone(r.verdict.name()), &r.headline)), format!("  {}", r.sentence)];
    let what = if r.preference.is_some() { "for the first" } else { "right" };
    let controls =
        [("same-file", r.controls.same_file), ("repeat-take", r.controls.repeat), ("known-difference", r.controls.known)];
    lines.extend(
        controls
            .iter()
            .filter(|(_, c)| c.trials > 0)
            .map(|(name, c)| format!("  {name} controls: {} of {} {what}", c.correct, c.trials)),
    );
    for l in &r.listeners {
        let flags = if l.flags.is_empty() { String::new() } else { format!("; {}", l.flags.join("; ")) };
        let holm = if r.listeners.len() > 1 { format!(" (after Holm {})", p(l.p_holm)) } else { String::new() };
        lines.push(format!("  {}: {}, {}{holm}{flags}", l.listener, did(r, l), p_text(l.p_value)));
    }
    if r.listeners.len() > 1 {
        lines.push(format!("  ({HOLM})"));
    }
    if head.void > 0 {
        lines.push(format!(
            "  {} void and drawn anew",
            count(usize::try_from(head.void).unwrap_or(usize::MAX), "trial", "trials")
        ));
    }
    lines.push(String::new());
    lines.join("\n")
}

/// What a listener did, in the words of the method.
fn did(result: &TestResult, listener: &ListenerDoc) -> String {
    let trials = listener.trials;
    match (&listener.ratings, listener.correct, &result.preference) {
        (Some(ratings), _, _) => {
            let medians: Vec<String> = ratings
                .iter()
                .map(|r| format!("{} {:.0}", r.setup.as_ref().map_or("the anchor", |s| s.as_str()), r.median))
                .collect();
            format!("{}, {}", count(usize::try_from(trials).unwrap_or(usize::MAX), "trial", "trials"), medians.join(", "))
        }
        (_, Some(first), Some(pairs)) => {
            let name = pairs.first().map_or("the first", |q| q.first.as_str());
            format!("{name} preferred in {first} of {trials}")
        }
        (_, Some(right), None) => format!("{right} of {trials}"),
        (_, None, _) => count(trials as usize, "pick", "picks"),
    }
}
