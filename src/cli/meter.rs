//! `meter`: judges and records an ohmmeter reading.

use super::load::wrapped;
use super::runsheet::say_gate;
use super::shell::{Outcome, Shell};
use super::values::ReadingArg;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::rig::ohmmeter::{Reading, meter};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury meter evening series 13.2";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE, override_usage = "cabjury meter [OPTIONS] <FOLDER> <WIRING> <OHM>")]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// A wiring's or setup's name of the sheet, or a network text.
    #[arg(allow_hyphen_values = true)]
    pub(crate) wiring: String,
    /// The reading in ohm, or OL for open.
    #[arg(value_name = "OHM")]
    pub(crate) reading: Option<ReadingArg>,
    /// Why setups of this wiring that must not be powered are used all the same; card, run sheet and report print it.
    #[arg(long, value_name = "TEXT")]
    pub(crate) load_reason: Option<String>,
}

/// Judges, keeps and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    // An unquoted || ends the command for a shell, and the reading goes with the rest: said here, where the sign can be named.
    let Some(ReadingArg(value)) = args.reading else { return Err(no_reading(&args.wiring)) };
    let reading = Reading { wiring: &args.wiring, value, load_reason: args.load_reason.as_deref() };
    let doc = meter(&args.folder, &reading, &SystemClock)?;
    shell.say(doc.before);
    let band = match (doc.low_ohm, doc.high_ohm) {
        (Some(low), Some(high)) => format!("{low:.2} to {high:.2} ohm"),
        _ => "open".to_owned(),
    };
    let judged = if doc.as_intended { "as intended" } else { "NOT as intended" };
    shell.say(&format!("{}: expected about {} ({band}): {judged}", doc.wiring, doc.expected_ohm));
    for why in &doc.do_not_power_because {
        shell.say(wrapped(&format!("DO NOT POWER: {why}"), "  X ", "    ").trim_end());
    }
    for s in &doc.suspects {
        shell.say(&format!("  would fit: {} ({})", s.what, s.expected_ohm));
    }
    if doc.cannot_tell_apart.len() > 1 || doc.as_intended && !doc.cannot_tell_apart.is_empty() {
        let list = format!("the meter cannot tell apart: {}", doc.cannot_tell_apart.join("; "));
        shell.say(wrapped(&list, "  ", "    ").trim_end());
    }
    for answer in doc.gate.iter().filter(|g| !g.objections.is_empty()) {
        say_gate(answer, shell);
    }
    shell.say(wrapped(&format!("next: {}", doc.next_step), "", "  ").trim_end());
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}

fn no_reading(wiring: &str) -> Failure {
    let message = format!("the reading is missing: cabjury meter FOLDER {wiring} OHM");
    let next = "give the reading in ohm, or OL for open; a shell keeps what stands behind an unquoted || for itself: write // in its place, as in A//B";
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}
