//! `measure`: format, faults, loudness and true peak of files; differences of two or more.

use super::shell::{Outcome, Shell};
use crate::capture::measure::{Compared, FileDoc, PairOutcome, measure};
use crate::model::failure::Failure;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury measure series.wav parallel.wav";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Audio files; with two or more of one performance also lag, polarity, level and band differences to the first.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
}

/// Measures and prints a table.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = measure(&args.files, &shell.progress())?;
    for file in &doc.files {
        shell.say(&card(file));
    }
    for pair in &doc.pairs {
        match &pair.outcome {
            PairOutcome::Compared(numbers) => shell.say(&against(&pair.first, &pair.second, numbers)),
            PairOutcome::Refused { error } => shell.say(&format!("{} against {}: {error}\n", pair.second, pair.first)),
        }
    }
    for unread in &doc.errors {
        if !shell.json() {
            shell.warn(&format!("{}\n  next: {}", unread.message, unread.next));
        }
    }
    shell.document(&doc);
    Ok(if doc.errors.is_empty() { Outcome::Done } else { Outcome::Unfit })
}

fn value(number: Option<f64>, unit: &str) -> String {
    number.map_or_else(|| "-".to_owned(), |v| format!("{v:.2} {unit}"))
}

/// Faults as lines, the worst first.
pub(super) fn faults(list: &[crate::capture::measure::FaultDoc]) -> String {
    let mut sorted: Vec<_> = list.iter().collect();
    sorted.sort_by_key(|f| std::cmp::Reverse(f.severity));
    sorted
        .iter()
        .map(|f| {
            let word = match f.severity {
                crate::model::audio::Severity::Note => "note",
                crate::model::audio::Severity::Warn => "warn",
                crate::model::audio::Severity::Stop => "STOP",
            };
            format!("  {word}: {} - {}\n", f.kind, f.detail)
        })
        .collect()
}

fn card(file: &FileDoc) -> String {
    let seconds = file.frames as f64 / f64::from(file.rate_hz);
    let bits = file.bits.map_or_else(String::new, |b| format!(", {b} bit"));
    format!(
        "{}\n  {}{bits}, {} Hz, {} ch, {seconds:.2} s\n  integrated {}, momentary max {}, short-term max {}, range {}\n  true peak {}, sample peak {}\n  sha256 {}\n{}",
        file.path,
        file.format,
        file.rate_hz,
        file.channels,
        value(file.integrated_lufs, "LUFS"),
        value(file.momentary_max_lufs, "LUFS"),
        value(file.short_term_max_lufs, "LUFS"),
        value(file.loudness_range_lu, "LU"),
        value(file.true_peak_dbtp, "dBTP"),
        value(file.sample_peak_db, "dBFS"),
        file.sha256,
        faults(&file.faults)
    )
}

fn against(first: &str, second: &str, n: &Compared) -> String {
    let polarity = match n.polarity {
        Some(1) => "same",
        Some(_) => "FLIPPED",
        None => "undecided",
    };
    let bands: Vec<String> = n
        .bands
        .iter()
        .filter(|b| (79.0..6_400.0).contains(&b.hz))
        .filter_map(|b| b.db.map(|d| format!("{:.0} Hz {d:+.1}", b.hz)))
        .collect();
    let jumps: String = n
        .jumps
        .iter()
        .map(|j| format!("  at {:.3} s the lag jumps by {:+.0} samples: dropped or doubled\n", j.at_s, j.samples))
        .collect();
    format!(
        "{second} against {first} (second minus first)\n  lag {:.2} samples (+-{}), polarity {polarity}, level {}, residual {} dB, drift {}\n{jumps}  bands in dB: {}\n",
        n.lag_samples,
        n.lag_within_samples,
        value(n.level_difference_lu, "LU"),
        n.residual_db.as_f64().map_or_else(|| n.residual_db.as_str().unwrap_or("-").to_owned(), |v| format!("{v:.1}")),
        n.drift_ppm.map_or_else(|| "-".to_owned(), |d| format!("{d:+.2} ppm (+-{:.2})", n.drift_within_ppm.unwrap_or(0.0))),
        if bands.is_empty() { "too little in them to say".to_owned() } else { bands.join(", ") }
    )
}
