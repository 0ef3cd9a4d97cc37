//! `rig`: reads the rig sheet in and prints a wiring card per setup.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::jobs::rig::{RigDoc, rig};
use crate::jobs::sheet::read_sheet_file;
use crate::model::outside::SystemClock;
use crate::model::rig::AmplifierKind;
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
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let sheet = args.sheet.as_deref().map(read_sheet_file).transpose()?;
    let kind = sheet.as_ref().and_then(|r| r.amplifier.as_ref()).map_or(AmplifierKind::Valve, |a| a.kind);
    let doc = rig(&args.folder, sheet, &SystemClock)?;
    for setup in &doc.setups {
        let least = setup
            .min_modulus_ohm
            .zip(setup.min_modulus_hz)
            .map_or_else(String::new, |(z, f)| format!("  least impedance {z:.2} ohm at {f:.0} Hz (80 Hz to 5 kHz)\n"));
        shell.say(&format!("{}: {}{least}", setup.setup, super::load::text(&setup.load, kind)));
    }
    shell.say(&between(&doc));
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    if let Some(path) = &args.drawing {
        let written = crate::jobs::drawing::write(&args.folder, path)?;
        shell.say(&format!("drawn: {}", written.display()));
    }
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}

/// Predicted differences at a few frequencies, and proposals.
fn between(doc: &RigDoc) -> String {
    let mut out = String::new();
    for d in &doc.differences {
        let at = |wanted: f64| {
            let k =
                d.hz.iter()
                    .enumerate()
                    .min_by(|a, b| (a.1 / wanted).ln().abs().total_cmp(&(b.1 / wanted).ln().abs()))
                    .map(|(k, _)| k);
            k.map_or_else(String::new, |k| format!("{wanted:.0} Hz {:+.1}", d.db[k]))
        };
        let points: Vec<String> = [80.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0].into_iter().map(at).collect();
        out.push_str(&format!("{} minus {} at driver {}, predicted, dB: {}\n", d.first, d.second, d.driver, points.join(", ")));
    }
    for p in &doc.proposals {
        out.push_str(&format!("to compare on one tap ({} ohm): {} against {}; {}\n", p.tap_ohm, p.first, p.second, p.why));
    }
    out
}
