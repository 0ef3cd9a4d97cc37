//! `match`: the clips: aligned and matched in loudness, or as recorded.

use super::shell::{Outcome, Shell};
use super::values::ExcerptArg;
use crate::matching::aim::Measure;
use crate::matching::match_takes::{Confirm, MatchDoc, Request, match_clips};
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::outside::SystemClock;
use crate::model::session::Excerpt;
use crate::report::text::signed;
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
    /// Turn the clips of a take that was found to be upside down, or of all such takes of a setup: you confirm the finding.
    #[arg(long = "turn", value_name = "TAKE|SETUP[@MIC]")]
    pub(crate) turn: Vec<String>,
    /// What the clips are matched by: BS.1770's K-weighting, the A curve, or loudness by ISO 532-1 (Zwicker).
    #[arg(long, value_enum, value_name = "MODEL", default_value = "k", conflicts_with = "as_recorded")]
    pub(crate) loudness: LoudnessArg,
    /// One gain for each take, or one for all takes of a setup: what these differ by then stays in the clips.
    #[arg(long, value_enum, value_name = "WHOSE", default_value = "per-take", conflicts_with = "as_recorded")]
    pub(crate) gain: GainArg,
    /// What was found to mark a take is meant so (its kind, as the refusal names it); the reason is printed in every report.
    #[arg(long = "confirm", value_name = "KIND", requires = "reason")]
    pub(crate) confirm: Vec<String>,
    /// Why it is meant.
    #[arg(long, value_name = "TEXT", requires = "confirm")]
    pub(crate) reason: Option<String>,
}

/// Names of the models.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum LoudnessArg {
    /// BS.1770-5.
    K,
    /// The A curve of IEC 61672-1.
    A,
    /// ISO 532-1 on the mean spectrum.
    Zwicker,
}

/// Whose gain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum GainArg {
    /// Each take its own.
    PerTake,
    /// One for all takes of a setup.
    PerSetup,
}

/// The clips of the run.
fn table(doc: &MatchDoc) -> String {
    let run = doc.clips.first().map_or(0, |c| c.run);
    let mut text = format!("run {run}\n");
    text.push_str("clip  take  setup         mic           excerpt         gain        lag    shared      LUFS    dBTP\n");
    for c in &doc.clips {
        let number = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        text.push_str(&format!(
            "{:5} {:5} {:13} {:13} {:10} {:>9} {:>+10.2} {:>9} {:>9} {:>7}\n",
            c.clip,
            c.take,
            c.setup,
            c.mic,
            c.excerpt,
            signed(c.gain_db, 3),
            c.lag_samples,
            number(c.shared_lufs),
            number(c.integrated_lufs),
            number(c.true_peak_dbtp)
        ));
    }
    text
}

/// What was asked for.
fn request(args: &Args) -> Result<Request, Failure> {
    let (mut turn, mut turn_setups) = (Vec::new(), Vec::new());
    for text in &args.turn {
        // Takes are named t and digits; whatever else is a setup.
        if text.strip_prefix('t').is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit())) {
            turn.push(TakeId::new(&format!("t{:03}", text[1..].parse::<u32>().unwrap_or(0)))?);
        } else if let Some((setup, mic)) = text.split_once('@') {
            turn_setups.push((SetupName::new(setup)?, Some(MicName::new(mic)?)));
        } else {
            turn_setups.push((SetupName::new(text)?, None));
        }
    }
    let excerpts = args.excerpts.iter().map(|e| Excerpt { name: e.name.clone(), start: e.start, end: Some(e.end) }).collect();
    Ok(Request {
        turn,
        turn_setups,
        measure: match args.loudness {
            LoudnessArg::K => Measure::K,
            LoudnessArg::A => Measure::A,
            LoudnessArg::Zwicker => Measure::Zwicker,
        },
        per_setup: args.gain == GainArg::PerSetup,
        confirm: args.reason.as_ref().map(|r| Confirm { kinds: args.confirm.clone(), reason: r.trim().to_owned() }),
        ..Request::usual(excerpts, args.as_recorded)?
    })
}

/// Makes the clips and prints them.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = request(args)?;
    let doc = match_clips(&args.folder, &request, &SystemClock, &shell.progress())?;
    shell.say(&table(&doc));
    shell.say(&if doc.as_recorded {
        "raw levels kept, one common gain".to_owned()
    } else if let Some(left) = &doc.left {
        left.clone()
    } else {
        format!(
            "matched to {:.3} LU in the loudness over the passages that count in all clips (shared), measured again on the written clips; LUFS is \
             each clip by its own gate",
            doc.largest_mismatch_lu
        )
    });
    if let Some(ears) = doc.largest_mismatch_by_ear {
        let value = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        shell.say(&format!(
            "by other ears the clips lie apart by at most (dB): unweighted {}, A curve {}, C curve {}, ISO 532-1 {} phon",
            value(ears.unweighted_db),
            value(ears.a_db),
            value(ears.c_db),
            value(ears.zwicker_phon)
        ));
    }
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
