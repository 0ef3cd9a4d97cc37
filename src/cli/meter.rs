//! `meter`: judges and records an ohmmeter reading.

use super::load::wrapped;
use super::shell::{Outcome, Shell};
use super::values::ReadingArg;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::rig::ohmmeter::meter;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury meter evening series 13.2";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// A wiring's or setup's name of the sheet, or a network text.
    #[arg(allow_hyphen_values = true)]
    pub(crate) wiring: String,
    /// The reading in ohm, or OL for open.
    #[arg(value_name = "OHM")]
    pub(crate) reading: ReadingArg,
}

/// Judges, keeps and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = meter(&args.folder, &args.wiring, args.reading.0, &SystemClock)?;
    let band = match (doc.low_ohm, doc.high_ohm) {
        (Some(low), Some(high)) => format!("{low:.2} to {high:.2} ohm"),
        _ => "open".to_owned(),
    };
    let judged = if doc.as_intended { "as intended" } else { "NOT as intended" };
    shell.say(&format!("{}: expected about {} ({band}): {judged}", doc.wiring, doc.expected_ohm));
    for s in &doc.suspects {
        shell.say(&format!("  would fit: {} ({})", s.what, s.expected_ohm));
    }
    if doc.cannot_tell_apart.len() > 1 || doc.as_intended && !doc.cannot_tell_apart.is_empty() {
        let list = format!("the meter cannot tell apart: {}", doc.cannot_tell_apart.join("; "));
        shell.say(wrapped(&list, "  ", "    ").trim_end());
    }
    shell.say(wrapped(&format!("next: {}", doc.next_step), "", "  ").trim_end());
    shell.document(&doc);
    Ok(Outcome::Done)
}
