//! `rescue`: gives a session back out of a damaged one.

use super::shell::{Outcome, Shell};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::publish::rescue::{RescueDoc, UNASSIGNED, rescue};
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury rescue evening evening-rescued";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The damaged session's folder; nothing in it is changed.
    pub(crate) folder: PathBuf,
    /// A new folder for the session that is made of what can be read.
    pub(crate) to: PathBuf,
}

/// Reads, writes and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = rescue(&args.folder, &args.to, &SystemClock, &shell.progress())?;
    if let Some(why) = &doc.unreadable {
        shell.say(&format!("not a record could be read: {why}"));
    }
    for table in &doc.tables {
        let only = if table.from_table > 0 { format!(", {} that the log had lost", table.from_table) } else { String::new() };
        let lost = table.lost.as_ref().map_or_else(String::new, |why| format!("; reading stopped: {why}"));
        shell.say(&format!("  {:10} {:>6} read{only}{lost}", table.table, table.read));
    }
    say_gaps(&doc, shell);
    let files = &doc.files;
    shell.say(&format!(
        "recordings and clips: {} intact, {} changed, {} missing",
        files.intact.len(),
        files.changed.len(),
        files.missing.len()
    ));
    if !files.unrecorded.is_empty() {
        shell.say(&format!(
            "{} taken in under the setup {UNASSIGNED:?}, without a record: the name says what is known",
            count(files.unrecorded.len(), "recording was", "recordings were")
        ));
    }
    if doc.complete {
        shell.say("nothing was lost: this session's file can be read to its end");
    }
    shell.say(&format!("{}: the new session, with {}", doc.written, count(doc.picks, "pick", "picks")));
    shell.say(&format!("next: cabjury audit {}", quoted(std::path::Path::new(&doc.written))));
    shell.document(&doc);
    Ok(if doc.complete { Outcome::Done } else { Outcome::Unfit })
}

fn say_gaps(doc: &RescueDoc, shell: &mut Shell) {
    for (from, to) in &doc.gaps.lost {
        shell.say(&format!("GAP entries {from} to {to} of the former log are lost"));
    }
    for seq in &doc.gaps.changed {
        shell.say(&format!("GAP entry {seq} of the former log does not follow from those before it"));
    }
    for (seq, why) in &doc.gaps.refused {
        shell.say(&format!("GAP entry {seq} of the former log was not taken over: {why}"));
    }
}
