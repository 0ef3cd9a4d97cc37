//! `rescue`: exports what can still be read of a damaged session.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::publish::rescue::rescue;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury rescue evening evening-rescued";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The damaged session's folder; nothing in it is changed.
    pub(crate) folder: PathBuf,
    /// A new folder for what can be read.
    pub(crate) to: PathBuf,
}

/// Reads, writes and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = rescue(&args.folder, &args.to)?;
    for table in &doc.tables {
        let told = if table.from_log > 0 { format!(", {} more from the log", table.from_log) } else { String::new() };
        let lost = table.lost.as_ref().map_or_else(String::new, |why| format!("; reading stopped: {why}"));
        shell.say(&format!("  {:10} {:>6} read{told}{lost}", table.table, table.read));
    }
    shell.say(&format!("the log's chain holds to entry {} of {} that could be read", doc.chain.holds_to, doc.chain.read));
    shell.say(&format!(
        "recordings and clips: {} intact, {} changed, {} missing",
        doc.files.intact.len(),
        doc.files.changed.len(),
        doc.files.missing.len()
    ));
    shell.say(&format!("{}: every record that could be read, one per line. It holds the picks of open tests too.", doc.written));
    if doc.complete {
        shell.say("nothing was lost: this session's file can be read to its end");
    }
    shell.document(&doc);
    Ok(if doc.complete { Outcome::Done } else { Outcome::Unfit })
}
