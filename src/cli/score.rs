//! `score`: verdicts of closed tests with their evidence; of an open one only how far it is.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::verdict::score::{ListenerDoc, ResultDoc, TestDoc, score};
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
        shell.say(&text(test));
    }
    if doc.tests.is_empty() {
        shell.say("no test was sealed yet");
    }
    if let Some(path) = &args.csv {
        let rows = write_csv(&args.folder, args.test.as_ref(), path)?;
        shell.say(&format!("{rows} trials written to {}", path.display()));
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}

fn text(test: &TestDoc) -> String {
    let Some(r) = &test.result else {
        let planned = test.planned.map_or_else(|| "open-ended".to_owned(), |n| format!("{n} scored trials planned"));
        return format!(
            "{}: open, {} trials answered, {planned}; right and wrong are shown when it is closed\n",
            test.test, test.done
        );
    };
    let mut lines = vec![format!("{}: {}", test.test, r.sentence)];
    let control = |name: &str, c: crate::verdict::score::ControlDoc| {
        let what = if r.preference.is_some() { "for the first" } else { "right" };
        (c.trials > 0).then(|| format!("  {name} controls: {} of {} {what}", c.correct, c.trials))
    };
    lines.extend(control("same-file", r.controls.same_file));
    lines.extend(control("repeat-take", r.controls.repeat));
    for l in &r.listeners {
        let flags = if l.flags.is_empty() { String::new() } else { format!("; {}", l.flags.join("; ")) };
        lines.push(format!("  {}: {}, p = {:.4} (Holm {:.4}){flags}", l.listener, did(test, r, l), l.p_value, l.p_holm));
    }
    if test.void > 0 {
        lines.push(format!("  {} trials were void and drawn anew", test.void));
    }
    lines.push(String::new());
    lines.join("\n")
}

/// What a listener did, in the words of the method.
fn did(test: &TestDoc, result: &ResultDoc, listener: &ListenerDoc) -> String {
    let (right, trials) = (listener.correct, listener.trials);
    match (&listener.ratings, &result.preference, &test.first) {
        (Some(ratings), _, _) => {
            let medians: Vec<String> =
                ratings.iter().map(|r| format!("{} {:.0}", r.setup.as_deref().unwrap_or("the anchor"), r.median)).collect();
            format!("{trials} trials, {}", medians.join(", "))
        }
        (_, Some(_), Some(first)) => format!("{first} preferred in {right} of {trials}"),
        (_, Some(_), None) => format!("{trials} picks"),
        _ => format!("{right} of {trials}"),
    }
}
