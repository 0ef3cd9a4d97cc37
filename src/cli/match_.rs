//! `match`: the clips: aligned and matched in loudness, or as recorded.

use super::shell::{Outcome, Shell};
use super::values::{ExcerptArg, TakeArg};
use crate::matching::match_takes::{Request, match_clips};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::model::session::Excerpt;
use crate::units::Dbtp;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury match evening --excerpt riff=0.5-6.0";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Keep raw levels; one common gain.
    #[arg(long)]
    pub(crate) as_recorded: bool,
    /// A stretch to listen to, in seconds of the DI (or of the first take).
    #[arg(long = "excerpt", value_name = "NAME=START-END")]
    pub(crate) excerpts: Vec<ExcerptArg>,
    /// Turn the clips of a take that was found to be upside down: you confirm the finding.
    #[arg(long = "turn", value_name = "TAKE")]
    pub(crate) turn: Vec<TakeArg>,
}

/// Makes the clips and prints them.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = Request {
        as_recorded: args.as_recorded,
        excerpts: args.excerpts.iter().map(|e| Excerpt { name: e.name.clone(), start: e.start, end: Some(e.end) }).collect(),
        ceiling: Dbtp::new(-1.0)?,
        turn: args.turn.iter().map(|t| t.0.clone()).collect(),
    };
    let doc = match_clips(&args.folder, &request, &SystemClock, &shell.progress())?;
    let run = doc.clips.first().map_or(0, |c| c.run);
    let mut text = format!("run {run}\n");
    text.push_str("clip  take  setup         mic           excerpt         gain        lag      LUFS    dBTP\n");
    for c in &doc.clips {
        let number = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        text.push_str(&format!(
            "{:5} {:5} {:13} {:13} {:10} {:+9.3} {:>+10.2} {:>9} {:>7}\n",
            c.clip,
            c.take,
            c.setup,
            c.mic,
            c.excerpt,
            c.gain_db,
            c.lag_samples,
            number(c.integrated_lufs),
            number(c.true_peak_dbtp)
        ));
    }
    shell.say(&text);
    shell.say(&if doc.as_recorded {
        "raw levels kept, one common gain".to_owned()
    } else {
        format!("matched in integrated loudness to {:.3} LU, measured again on the written clips", doc.largest_mismatch_lu)
    });
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
