//! `check`: faults, lags, levels over capture order, and the difference between setups beside the repeat floor.

use super::shell::{Outcome, Shell};
use crate::capture::check::{CheckDoc, DifferenceDoc, check};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury check evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
}

/// Checks and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = check(&args.folder, &SystemClock, &shell.progress())?;
    shell.say(&takes(&doc));
    for d in &doc.differences {
        shell.say(&difference(d));
    }
    if !doc.excerpts.is_empty() {
        shell.say(&excerpts(&doc));
    }
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}

fn takes(doc: &CheckDoc) -> String {
    let mut out = String::from("take  setup         mic           pass     lag (samples)     LUFS\n");
    for t in &doc.takes {
        let lag = t.lag_samples.map_or_else(|| "-".to_owned(), |l| format!("{l:+.2} +-{}", t.lag_within_samples.unwrap_or(0.0)));
        let level = t.level_lufs.map_or_else(|| "-".to_owned(), |l| format!("{l:.2}"));
        let gone = if t.withdrawn.is_some() { "  withdrawn" } else { "" };
        out.push_str(&format!(
            "{:5} {:13} {:13} {:>4} {lag:>17} {level:>8}{gone}\n{}",
            t.take,
            t.setup.as_deref().unwrap_or("DI"),
            t.mic,
            t.pass,
            super::measure::faults(&t.file.faults)
        ));
    }
    if let Some(trend) = doc.level_trend_db_per_take {
        out.push_str(&format!("level over capture order: {trend:+.3} dB per take\n"));
    }
    out
}

fn excerpts(doc: &CheckDoc) -> String {
    let mut out = String::from("excerpts that the material offers, to choose from with match:\n");
    for e in &doc.excerpts {
        out.push_str(&format!("  --excerpt {}={:.2}-{:.2}  {}\n", e.name, e.start_s, e.end_s, e.why));
    }
    out
}

fn difference(d: &DifferenceDoc) -> String {
    let level = d.level_lu.map_or_else(String::new, |l| format!(", level {l:+.2} LU"));
    let expected = d.bands.iter().any(|b| b.predicted_db.is_some());
    let mut out = format!(
        "{} minus {} at {}{level}, loudness removed\n      Hz   between   repeat takes{}\n",
        d.second,
        d.first,
        d.mic,
        if expected { "   driver model" } else { "" }
    );
    let cell = |v: Option<f64>| v.map_or_else(|| "      -".to_owned(), |v| format!("{v:+7.2}"));
    for b in &d.bands {
        let mark = if b.between_db.zip(b.repeat_db).is_some_and(|(a, r)| a.abs() > r) { "  above the floor" } else { "" };
        let model = if expected { format!("        {}", cell(b.predicted_db)) } else { String::new() };
        out.push_str(&format!("{:>8.0}   {}        {}{model}{mark}\n", b.hz, cell(b.between_db), cell(b.repeat_db)));
    }
    out.push_str(&match d.p_floor {
        Some(p) => {
            let words = if d.above_floor == Some(true) { "more than" } else { "no more than" };
            format!("the setups differ by {words} repeat takes do (p_floor {p:.3})\n")
        }
        None => {
            "whether they differ by more than repeat takes do cannot be said: four takes of each setup are needed\n".to_owned()
        }
    });
    if let Some(estimate) = &d.estimate {
        out.push_str(&format!("{}\n", estimate.sentence));
    }
    out
}
