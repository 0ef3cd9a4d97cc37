//! `measure`: format, faults, loudness and peaks of files; differences of two or more recordings of one performance.

use crate::capture::loudness_meter::{Metered, meter_file};
use crate::model::audio::{Audio, BandLevel, DbOrSilence, FileFacts, Finding, Levels, Severity};
use crate::model::explain::{Explain, Fate};
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use crate::signal::placing::{self, Relation};
use crate::signal::{align, bands, shift};
use crate::sound;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// A finding as documents hold it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultDoc {
    /// The kind's stable name.
    pub kind: &'static str,
    /// `note`, `warn` or `stop`.
    pub severity: Severity,
    /// What was seen, its likely cause, what to do.
    pub detail: String,
}

impl From<&Finding> for FaultDoc {
    fn from(f: &Finding) -> Self {
        Self { kind: f.kind.name(), severity: f.severity, detail: f.detail.clone() }
    }
}

/// One file's measurements.
#[derive(Debug, Clone, Serialize)]
pub struct FileDoc {
    /// The path as it was given.
    pub path: String,
    /// Container and coding.
    pub format: String,
    /// Frames per second.
    pub rate_hz: u32,
    /// Bits per sample, where the coding has such a number.
    pub bits: Option<u16>,
    /// Number of channels.
    pub channels: u16,
    /// Number of frames.
    pub frames: u64,
    /// SHA-256 of the file's bytes.
    pub sha256: String,
    /// Integrated loudness.
    pub integrated_lufs: Option<f64>,
    /// Largest momentary loudness.
    pub momentary_max_lufs: Option<f64>,
    /// Largest short-term loudness.
    pub short_term_max_lufs: Option<f64>,
    /// True peak.
    pub true_peak_dbtp: Option<f64>,
    /// Largest sample.
    pub sample_peak_db: Option<f64>,
    /// Loudness range.
    pub loudness_range_lu: Option<f64>,
    /// What is wrong with it.
    pub faults: Vec<FaultDoc>,
}

impl FileDoc {
    /// Joins what the reader, the meter and the detectors found.
    #[must_use]
    pub fn new(path: &str, facts: &FileFacts, levels: &Levels, findings: &[Finding]) -> Self {
        Self {
            path: path.to_owned(),
            format: facts.format.clone(),
            rate_hz: facts.rate.hz(),
            bits: facts.bits,
            channels: facts.channels,
            frames: facts.frames,
            sha256: facts.sha256.to_string(),
            integrated_lufs: levels.integrated.map(|l| l.value()),
            momentary_max_lufs: levels.momentary_max.map(|l| l.value()),
            short_term_max_lufs: levels.short_term_max.map(|l| l.value()),
            true_peak_dbtp: levels.true_peak.map(|l| l.value()),
            sample_peak_db: levels.sample_peak.map(|l| l.value()),
            loudness_range_lu: levels.range.map(|l| l.value()),
            faults: findings.iter().map(FaultDoc::from).collect(),
        }
    }
}

/// One band as documents hold it.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct BandDoc {
    /// Exact centre.
    pub hz: f64,
    /// Level or difference; null where the band holds too little to say.
    pub db: Option<f64>,
}

impl From<&BandLevel> for BandDoc {
    fn from(b: &BandLevel) -> Self {
        Self { hz: b.hz.value(), db: b.db.map(|d| d.value()) }
    }
}

/// A pair: everything is second minus first. A pair that cannot be compared holds `error` instead of numbers.
#[derive(Debug, Clone, Serialize)]
pub struct PairDoc {
    /// Path of the first.
    pub first: String,
    /// Path of the second.
    pub second: String,
    /// The numbers, or why there are none.
    #[serde(flatten)]
    pub outcome: PairOutcome,
}

/// Numbers, or why there are none.
#[derive(Debug, Clone, Serialize)]
#[serde(untagged)]
pub enum PairOutcome {
    /// The pair was compared.
    Compared(Box<Compared>),
    /// It could not be.
    Refused {
        /// Why.
        error: String,
    },
}

/// A jump of the lag.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct JumpDoc {
    /// Seconds of the first.
    pub at_s: f64,
    /// How much later the second is from there on; negative: samples are missing in it.
    pub samples: f64,
}

/// The numbers of a pair.
#[derive(Debug, Clone, Serialize)]
pub struct Compared {
    /// Positive: the second is later.
    pub lag_samples: f64,
    /// How far the lag can be trusted.
    pub lag_within_samples: f64,
    /// How it was found.
    pub lag_method: crate::model::audio::LagMethod,
    /// 1, -1, or null when undecided.
    pub polarity: Option<i8>,
    /// Second minus first.
    pub level_difference_lu: Option<f64>,
    /// What is left after lag, polarity and best gain; "-inf" for a file against itself.
    pub residual_db: serde_json::Value,
    /// Rate difference of the two clocks.
    pub drift_ppm: Option<f64>,
    /// How far the drift can be trusted.
    pub drift_within_ppm: Option<f64>,
    /// Where samples are missing or doubled in one of the two.
    pub jumps: Vec<JumpDoc>,
    /// Seconds that were compared, where the files are longer than that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compared_s: Option<f64>,
    /// One-third-octave differences.
    pub bands: Vec<BandDoc>,
}

/// A file that could not be read.
#[derive(Debug, Clone, Serialize)]
pub struct UnreadDoc {
    /// The path as it was given.
    pub path: String,
    /// The error's stable name.
    pub kind: &'static str,
    /// What was given and what was wanted.
    pub message: String,
    /// What to do next.
    pub next: String,
}

/// The document of `measure`.
#[derive(Debug, Clone, Serialize)]
pub struct MeasureDoc {
    /// One entry per file that could be read.
    pub files: Vec<FileDoc>,
    /// Each further file against the first.
    pub pairs: Vec<PairDoc>,
    /// Files that could not be read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<UnreadDoc>,
    /// The first of them, in the form that all errors have.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<serde_json::Value>,
}

/// A file that was measured as it passed; its samples are not kept.
#[derive(Debug, Clone)]
pub struct Measured {
    /// The path as it was given.
    pub path: PathBuf,
    /// What the reader found.
    pub facts: FileFacts,
    /// Loudness and peaks.
    pub levels: Levels,
    /// Faults of reader and detectors together.
    pub findings: Vec<Finding>,
    /// What it was made from, where it is not a file as it came.
    pub derived: Option<crate::model::session::Derived>,
}

impl Measured {
    fn new(path: &Path, Metered { facts, levels, findings }: Metered) -> Self {
        Self { path: path.to_owned(), facts, levels, findings, derived: None }
    }
}

/// A file that was measured, with all of its samples.
pub struct Held {
    /// What was measured.
    pub measured: Measured,
    /// The samples.
    pub audio: Audio,
}

impl Held {
    /// Where it came from, for a message.
    pub(crate) fn path(&self) -> &Path {
        &self.measured.path
    }
}

/// Measures one file of any length in the same memory.
///
/// # Errors
/// As [`sound::stream`].
pub fn measure_file(path: &Path) -> Result<Measured, sound::SoundError> {
    Ok(Measured::new(path, meter_file(path, &mut |_, _| ())?))
}

/// Measures one file and keeps its samples.
///
/// # Errors
/// As [`sound::read_all`].
pub fn hold_file(path: &Path) -> Result<Held, sound::SoundError> {
    let mut kept = sound::Kept::of(path, usize::MAX);
    let metered = meter_file(path, &mut |head, block| kept.push(head, block))?;
    Ok(Held { audio: kept.audio(metered.facts.rate)?, measured: Measured::new(path, metered) })
}

fn residual_value(residual: Option<DbOrSilence>) -> serde_json::Value {
    match residual {
        Some(DbOrSilence::Db(db)) => serde_json::json!(db),
        Some(DbOrSilence::Silence) => serde_json::json!("-inf"),
        None => serde_json::Value::Null,
    }
}

/// At most so many frames of each file are compared: five minutes at 96 kHz, ten at 48.
const COMPARED_FRAMES: usize = 28_800_000;

/// A file that was metered, with its mean of channels where it is to be compared.
struct Heard {
    path: String,
    metered: Metered,
    mono: Vec<f32>,
}

fn hear(path: &Path, compared: bool) -> Result<Heard, sound::SoundError> {
    let mut mono = Vec::new();
    let metered = meter_file(path, &mut |_, block| {
        if compared && mono.len() < COMPARED_FRAMES {
            mono.extend(align::mono(block));
            mono.truncate(COMPARED_FRAMES);
        }
    })?;
    Ok(Heard { path: path.display().to_string(), metered, mono })
}

/// Compares a second recording with a first.
fn compare(first: &Heard, second: &Heard) -> PairOutcome {
    let rate = first.metered.facts.rate;
    if second.metered.facts.rate != rate {
        let error = format!("{rate} and {} differ in rate: export both at one rate", second.metered.facts.rate);
        return PairOutcome::Refused { error };
    }
    let (a, b) = (&first.mono, &second.mono);
    let placed = placing::place(a, b, rate, Relation::Unknown);
    // What is too short for windows has a lag all the same.
    let Some(lag) = placed.as_ref().map(|p| p.lag).or_else(|| align::find_honest_lag(a, b, rate)) else {
        return PairOutcome::Refused { error: "one of the two is silent".to_owned() };
    };
    let aligned = placed.as_ref().map_or_else(|| shift::advance(b, lag.samples, a.len()), |p| p.alignment().laid(b, 0, a.len()));
    let integrated = |h: &Heard| h.metered.levels.integrated;
    let level = integrated(second).zip(integrated(first)).map(|(s, f)| s.value() - f.value());
    let (bands, residual) = rayon::join(
        || bands::difference(&bands::judged(&[a], rate), &bands::judged(&[b], rate)),
        || residual_value(bands::residual(a, &aligned)),
    );
    let longest = first.metered.facts.frames.max(second.metered.facts.frames);
    PairOutcome::Compared(Box::new(Compared {
        lag_samples: lag.samples,
        lag_within_samples: lag.within,
        lag_method: lag.method,
        polarity: lag.polarity.sign(),
        level_difference_lu: level,
        residual_db: residual,
        drift_ppm: placed.as_ref().and_then(|p| p.drift),
        drift_within_ppm: placed.as_ref().and_then(|p| p.drift_within),
        jumps: placed.iter().flat_map(|p| &p.jumps).map(|j| JumpDoc { at_s: j.at / rate.as_f64(), samples: j.samples }).collect(),
        compared_s: (longest > COMPARED_FRAMES as u64).then(|| COMPARED_FRAMES as f64 / rate.as_f64()),
        bands: bands::records(&bands).iter().map(BandDoc::from).collect(),
    }))
}

/// Measures files; what cannot be read goes to `errors`, the others are measured all the same. One file of any length takes the same
/// memory; of two or more at most the first minutes are compared, and the document says so.
///
/// # Errors
/// None of its own today; a file that cannot be read is part of the document.
pub fn measure(paths: &[PathBuf], progress: &dyn Progress) -> Result<MeasureDoc, Failure> {
    let (mut files, mut errors, mut error) = (Vec::new(), Vec::new(), None);
    let (mut pairs, mut first) = (Vec::new(), None);
    for (path, done) in paths.iter().zip(1..) {
        match hear(path, paths.len() > 1) {
            Ok(heard) => {
                let m = &heard.metered;
                files.push(FileDoc::new(&heard.path, &m.facts, &m.levels, &m.findings));
                match &first {
                    None => first = Some(heard),
                    Some(first) => pairs.push(PairDoc {
                        first: first.path.clone(),
                        second: heard.path.clone(),
                        outcome: compare(first, &heard),
                    }),
                }
            }
            Err(e) => {
                error.get_or_insert_with(|| error_value(&e));
                errors.push(UnreadDoc {
                    path: path.display().to_string(),
                    kind: e.kind(),
                    message: e.to_string(),
                    next: e.next(),
                });
            }
        }
        progress.step("measuring", done, paths.len() as u64);
    }
    Ok(MeasureDoc { files, pairs, errors, error })
}

fn error_value(e: &sound::SoundError) -> serde_json::Value {
    serde_json::json!({
        "kind": e.kind(),
        "message": e.to_string(),
        "next": e.next(),
        "path": e.path().map(|p| p.display().to_string()),
        "column": null,
    })
}

/// A job's error for findings that make a recording unusable.
pub(crate) fn unfit(path: &Path, findings: &[&Finding]) -> Failure {
    let details: Vec<&str> = findings.iter().map(|f| f.detail.as_str()).collect();
    let kind = findings.first().map_or("unfit", |f| f.kind.name());
    Failure::at_path(
        kind,
        Fate::Unfit,
        path,
        format!("{} is not usable as a take: {}", path.display(), details.join(" ")),
        "mend the recording or record it again; nothing was stored",
    )
}
