//! `montage`: back-to-back audio, chapter times, captions; blind with a drawn order.

use super::shell::{Outcome, Shell};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, MontageId, SetupName};
use crate::model::outside::SystemClock;
use crate::publish::montage::{MontageDoc, montage};
use crate::publish::montage_request::Request;
use crate::publish::reveal::{RevealDoc, reveal};
use crate::report::cues::time_link;
use crate::report::text::p_text;
use crate::units::{Lufs, SampleRate};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury montage evening --out for-the-video
  cabjury montage evening --mic close-a --blind --out for-the-audience
  cabjury montage evening --reveal montage-1";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// A new or empty folder for sound, captions, chapter times and cue sheet.
    #[arg(long, value_name = "DIR", required_unless_present = "reveal")]
    pub(crate) out: Option<PathBuf>,
    /// The setups in the order in which they sound; default the sheet's.
    #[arg(long, value_name = "S1,S2,...", value_delimiter = ',')]
    pub(crate) order: Vec<SetupName>,
    /// One mic or blend; default all of them, one after another.
    #[arg(long, value_name = "M")]
    pub(crate) mic: Option<MicName>,
    /// The excerpt; default the first one of the last matching run.
    #[arg(long, value_name = "NAME")]
    pub(crate) excerpt: Option<ExcerptName>,
    /// Levels as recorded, with one common gain.
    #[arg(long)]
    pub(crate) raw_level: bool,
    /// Every mic as loud as the quietest one; without it steps in loudness between mics are said.
    #[arg(long, conflicts_with = "raw_level")]
    pub(crate) level_mics: bool,
    /// A picture per clip beside the sound, and the list and command that make a video of them.
    #[arg(long)]
    pub(crate) video: bool,
    /// One named clip per setup, then numbered clips in a drawn order that is committed to.
    #[arg(long)]
    pub(crate) blind: bool,
    /// How many numbered clips a blind montage has.
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u32).range(1..=200))]
    pub(crate) clips: u32,
    /// Another rate than that of the clips, in Hz.
    #[arg(long, value_name = "HZ", value_parser = rate)]
    pub(crate) rate: Option<SampleRate>,
    /// Bring the whole to this loudness by one common gain, the ceiling of -1 dBTP kept; usual are -14, -16 and -23.
    #[arg(long, value_name = "LUFS", allow_negative_numbers = true, value_parser = loudness)]
    pub(crate) loudness: Option<Lufs>,
    /// Opens the key of a blind montage, for good.
    #[arg(long, value_name = "MONTAGE", conflicts_with_all = ["out", "order", "mic", "excerpt", "raw_level", "level_mics", "video", "blind", "rate", "loudness"])]
    pub(crate) reveal: Option<MontageId>,
}

fn rate(text: &str) -> Result<SampleRate, String> {
    let hz: u32 = text.parse().map_err(|_| "wanted a rate in Hz, as in 48000".to_owned())?;
    SampleRate::new(hz).map_err(|e| e.to_string())
}

fn loudness(text: &str) -> Result<Lufs, String> {
    let wanted = "wanted -60 to -5 LUFS, as in -14";
    let value: f64 = text.parse().map_err(|_| wanted.to_owned())?;
    if !(-60.0..=-5.0).contains(&value) {
        return Err(wanted.to_owned());
    }
    Lufs::new(value).map_err(|e| e.to_string())
}

/// Makes or reveals, and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(id) = &args.reveal {
        let doc = reveal(&args.folder, id, &SystemClock)?;
        shell.say(&revealed(&doc));
        shell.document(&doc);
        return Ok(Outcome::Done);
    }
    let request = Request {
        order: args.order.clone(),
        mic: args.mic.clone(),
        excerpt: args.excerpt.clone(),
        raw_level: args.raw_level,
        level_mics: args.level_mics,
        video: args.video,
        blind: args.blind.then_some(args.clips),
        rate: args.rate,
        loudness: args.loudness,
        out: args.out.clone().unwrap_or_default(),
    };
    let doc = montage(&args.folder, &request, &SystemClock, &shell.progress())?;
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.say(&text(&doc, args));
    shell.document(&doc);
    Ok(Outcome::Done)
}

fn text(doc: &MontageDoc, args: &Args) -> String {
    let mut lines: Vec<String> = doc
        .segments
        .iter()
        .map(|s| format!("{:>6}  {}", time_link((s.start_s * f64::from(doc.rate_hz)).round() as u64, doc.rate_hz), s.label))
        .collect();
    let level = doc.integrated_lufs.map_or_else(String::new, |l| format!(", {l:.1} LUFS"));
    let peak = doc.true_peak_dbtp.map_or_else(String::new, |p| format!(", true peak {p:.1} dBTP"));
    let kind = if doc.raw_level { "levels as recorded" } else { "loudness-matched" };
    lines.push(format!("{kind}, {} Hz{level}{peak}", doc.rate_hz));
    lines.extend(doc.files.iter().map(|f| format!("written: {f}")));
    lines.push(format!("in the captions, so that others can vouch: {}", doc.fingerprint));
    if let (Some(id), Some(least), Some(commitment)) = (&doc.montage, doc.least_p, &doc.commitment_sha256) {
        let folder = quoted(&args.folder);
        lines.push(format!("{id}: the order was drawn and committed to (SHA-256 {commitment}); at best {}.", p_text(least)));
        lines.push(format!("When the answers are in: cabjury votes {folder} ANSWERS.csv --montage {id}"));
        lines.push(format!("After that: cabjury montage {folder} --reveal {id}"));
    }
    lines.join("\n")
}

fn revealed(doc: &RevealDoc) -> String {
    let mut lines = vec![format!("{}:", doc.montage)];
    lines.extend(doc.key.iter().enumerate().map(|(n, d)| format!("  clip {}: {} ({})", n + 1, d.setup, d.clip)));
    lines.push(format!("nonce: {}", doc.nonce));
    lines.push(format!("key: {}", doc.key_text));
    lines.push(format!(
        "SHA-256 of \"cabjury montage 1\", a line feed, the nonce's 32 bytes and the key: {}",
        doc.commitment_sha256
    ));
    lines.join("\n")
}
