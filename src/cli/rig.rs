//! `rig`: reads the rig sheet in and prints a wiring card per setup.

use super::load::wrapped;
use super::runsheet::say_gate;
use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::rig::cards::{RigDoc, rig};
use crate::rig::sheet::read_sheet_file;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury rig evening --sheet rig.toml";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The rig sheet (TOML).
    #[arg(long, value_name = "FILE")]
    pub(crate) sheet: Option<PathBuf>,
    /// Write the wiring drawings as SVG; nothing that exists is overwritten.
    #[arg(long, value_name = "FILE.svg")]
    pub(crate) drawing: Option<PathBuf>,
}

/// Reads the sheet in and prints a wiring card per setup.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let sheet = args.sheet.as_deref().map(read_sheet_file).transpose()?;
    let doc = rig(&args.folder, sheet, &SystemClock)?;
    for setup in &doc.setups {
        let least = setup
            .min_modulus_ohm
            .zip(setup.min_modulus_hz)
            .map_or_else(String::new, |(z, f)| format!("  least impedance {z:.2} ohm at {f:.0} Hz (80 Hz to 5 kHz)\n"));
        shell.say(&format!("{}: {}{least}", setup.setup, super::load::text(&setup.load, doc.kind, shell)));
        if let Some(answer) = &setup.gate {
            say_gate(answer, shell);
        }
    }
    for missing in &doc.missing {
        shell.say(wrapped(&format!("missing: {missing}"), "", "  ").trim_end());
    }
    shell.say(&between(&doc));
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    if let Some(path) = &args.drawing {
        let written = crate::rig::drawing::write(&args.folder, path)?;
        shell.say(&format!("drawn: {}", written.display()));
    }
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}

const AT_HZ: [f64; 7] = [80.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0];

/// A curve at a few frequencies; a dash where it says nothing.
fn row(name: &str, hz: &[f64], db: &[f64]) -> String {
    let at = |wanted: &f64| {
        let near = hz.iter().zip(db).find(|(f, _)| (*f / wanted).log10().abs() < 0.02);
        near.map_or_else(|| "      -".to_owned(), |(_, db)| format!("{db:>+7.1}"))
    };
    format!("  {name:<28}{}\n", AT_HZ.iter().map(at).collect::<String>())
}

/// Predicted differences at a few frequencies, and proposals.
fn between(doc: &RigDoc) -> String {
    let mut out = String::new();
    let mut pairs: Vec<(&str, &str)> = doc.differences.iter().map(|d| (d.first.as_str(), d.second.as_str())).collect();
    pairs.dedup();
    for (first, second) in &pairs {
        let head: String = AT_HZ.iter().map(|f| format!("{f:>7.0}")).collect();
        out.push_str(&wrapped(&format!("{first} minus {second}, predicted, dB:"), "", "  "));
        out.push_str(&format!("  {:<28}{head}\n", "Hz"));
        for d in doc.differences.iter().filter(|d| d.first == *first && d.second == *second) {
            out.push_str(&row(&format!("drive of driver {}", d.driver), &d.hz, &d.db));
        }
        for m in doc.at_mics.iter().filter(|m| m.first == *first && m.second == *second) {
            out.push_str(&row(&format!("{} hears {}", m.mic, m.hears.join(", ")), &m.hz, &m.db));
        }
    }
    let mut notes: Vec<(&str, Vec<&str>)> = Vec::new();
    for m in &doc.at_mics {
        match notes.iter_mut().find(|n| n.0 == m.note) {
            Some(there) if !there.1.contains(&m.mic.as_str()) => there.1.push(&m.mic),
            Some(_) => {}
            None => notes.push((&m.note, vec![&m.mic])),
        }
    }
    for (note, mics) in notes {
        out.push_str(&wrapped(&format!("{}: {note}", mics.join(", ")), "  ", "    "));
    }
    for p in &doc.proposals {
        let text = format!("to compare on one tap ({} ohm): {} against {}; {}", p.tap_ohm, p.first, p.second, p.why);
        out.push_str(&wrapped(&text, "", "  "));
    }
    out
}
