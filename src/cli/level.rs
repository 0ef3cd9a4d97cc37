//! `level`: aligned, loudness-matched 24-bit copies of any files, and the list of gains and lags.

use super::shell::{Outcome, Shell};
use crate::matching::level::{Request, level};
use crate::model::failure::Failure;
use crate::report::text::signed;
use crate::units::Dbtp;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury level series.wav parallel.wav --out matched";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Audio files of one performance.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// Folder for the copies; nothing that exists is overwritten.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// No copy's true peak goes above this; 0 at most.
    #[arg(long, value_name = "DBTP", default_value_t = -1.0, allow_hyphen_values = true)]
    pub(crate) ceiling: f64,
    /// Match loudness only; leave start and length as they are.
    #[arg(long)]
    pub(crate) keep_timing: bool,
    /// A file that lies more than 10 s from the first is meant so.
    #[arg(long)]
    pub(crate) any_lag: bool,
}

/// Levels and prints what to type into an editor instead.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let mut request = Request {
        files: args.files.clone(),
        out: args.out.clone(),
        ceiling: Dbtp::new(args.ceiling)?,
        keep_timing: args.keep_timing,
        any_lag: args.any_lag,
    };
    let doc = match level(&request, &shell.progress()) {
        // Asked where somebody can answer, refused elsewhere.
        Err(error) if error.explain().kind() == "absurd-lag" && !shell.json() && super::ask::somebody() => {
            shell.warn(&error.to_string());
            if !super::ask::yes("Is that meant? Level them all the same?")? {
                return Err(error);
            }
            request.any_lag = true;
            level(&request, &shell.progress())?
        }
        other => other?,
    };
    let value = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
    shell.say("     gain                lag   shared gate      own gate");
    for f in &doc.files {
        shell.say(&format!(
            "{:>8} dB {:+10.2} samples {:>8} LUFS {:>8} LUFS  {} -> {}",
            signed(f.gain_db, 3),
            f.lag_samples,
            value(f.shared_lufs_after),
            value(f.integrated_lufs_after),
            f.path,
            f.written
        ));
        if !f.faults.is_empty() {
            shell.say(super::measure::faults(&f.faults).trim_end());
        }
        if f.polarity == Some(-1) {
            shell.warn(&format!("{} has its polarity flipped against the first file; it was not turned", f.path));
        }
    }
    shell.say(&format!(
        "matched to {:.3} LU over the passages that count in all files (shared gate), true peak at most {:.1} dBTP; the originals are untouched",
        doc.largest_mismatch_lu, doc.ceiling_dbtp
    ));
    shell.say("own gate: by the standard (ITU-R BS.1770), each file by itself");
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
