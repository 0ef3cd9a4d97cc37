//! `level`: aligned, loudness-matched 24-bit copies of any files, and the list of gains and lags.

use super::shell::{Outcome, Shell};
use crate::matching::level::{Request, level};
use crate::model::failure::Failure;
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
    /// No copy's true peak goes above this.
    #[arg(long, value_name = "DBTP", default_value_t = -1.0, allow_hyphen_values = true)]
    pub(crate) ceiling: f64,
    /// Match loudness only; leave start and length as they are.
    #[arg(long)]
    pub(crate) keep_timing: bool,
}

/// Levels and prints what to type into an editor instead.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = Request {
        files: args.files.clone(),
        out: args.out.clone(),
        ceiling: Dbtp::new(args.ceiling)?,
        keep_timing: args.keep_timing,
    };
    let doc = level(&request, &shell.progress())?;
    for f in &doc.files {
        shell.say(&format!("{:+8.3} dB  {:+10.2} samples  {} -> {}", f.gain_db, f.lag_samples, f.path, f.written));
        if f.polarity == Some(-1) {
            shell.warn(&format!("{} has its polarity flipped against the first file; it was not turned", f.path));
        }
    }
    shell.say(&format!(
        "matched in integrated loudness to {:.3} LU, true peak at most {:.1} dBTP; the originals are untouched",
        doc.largest_mismatch_lu, doc.ceiling_dbtp
    ));
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
