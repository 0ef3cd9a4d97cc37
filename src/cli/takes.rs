//! `takes`: every take with the name that its file came with.

use super::shell::{Outcome, Shell};
use crate::capture::take::TakeDoc;
use crate::capture::takes::takes;
use crate::model::audio::Severity;
use crate::model::failure::Failure;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury takes evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
}

/// Lists the takes.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = takes(&args.folder)?;
    let width = |of: &dyn Fn(&TakeDoc) -> usize, least: usize| doc.takes.iter().map(of).max().unwrap_or(0).max(least);
    let setup = width(&|t| t.setup.as_ref().map_or(2, |s| s.chars().count()), 5);
    let mic = width(&|t| t.mic.chars().count(), 3);
    shell.say(&format!("take  {:setup$}  {:mic$}  pass    length     LUFS  file", "setup", "mic"));
    for t in &doc.takes {
        let level = t.level_lufs.map_or_else(|| "-".to_owned(), |l| format!("{l:.2}"));
        let name = t.setup.as_deref().unwrap_or("DI");
        shell.say(&format!(
            "{:4}  {name:setup$}  {:mic$}  {:>4}  {:>6.2} s  {level:>7}  {}",
            t.take, t.mic, t.pass, t.length_s, t.original_name
        ));
        notes(t, shell);
    }
    for text in &doc.missing {
        shell.say(&format!("missing: {text}"));
    }
    if !doc.missing.is_empty() {
        shell.say("where a take stands in the wrong pass: cabjury reassign FOLDER --take T --pass P --reason TEXT");
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}

/// What else is to be said of a take.
fn notes(t: &TakeDoc, shell: &mut Shell) {
    if let Some(derived) = &t.derived {
        shell.say(&format!("      made from {}: {}", derived.from, derived.how.join(", ")));
    }
    for before in &t.reassigned {
        let setup = before.setup.as_ref().map_or("DI", |s| s.as_str());
        shell.say(&format!("      was {setup}, mic {}, pass {}: {}", before.mic, before.pass, before.reason));
    }
    if let Some(why) = &t.withdrawn {
        shell.say(&format!("      withdrawn: {why}"));
    }
    for fault in t.faults.iter().filter(|f| f.severity != Severity::Note) {
        shell.say(&format!("      {}: {}", fault.kind, fault.detail));
    }
}
