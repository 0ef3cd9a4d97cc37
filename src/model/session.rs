//! What a session keeps: takes, excerpts, clips, listeners, meter readings.

use super::audio::{Finding, Polarity, Sha256Hex};
use super::ids::{ClipId, ExcerptName, ListenerCode, MicName, SetupName, TakeId};
use crate::units::{Dbtp, Decibel, Lu, Lufs, Ohm, Ppm, SampleRate, Seconds};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How much was touched since the take before: how deep a repeat reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Depth {
    /// Played again, nothing touched.
    Untouched,
    /// The wiring was undone and made again.
    Rewired,
    /// The mic was moved and put back.
    Remiked,
}

/// What a recording was made from, where the file was not taken in as it came: resampled, mixed down, cut out of a longer one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Derived {
    /// Name of the file that it was made from.
    pub from: String,
    /// SHA-256 of that file.
    pub from_sha256: Sha256Hex,
    /// What was done, one step after another.
    pub how: Vec<String>,
}

/// Where a take stood before it was put under another setup, mic or pass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reassigned {
    /// The setup before.
    pub setup: Option<SetupName>,
    /// The mic before.
    pub mic: MicName,
    /// The pass before.
    pub pass: u32,
    /// Why.
    pub reason: String,
    /// When.
    pub at: Timestamp,
}

/// One recording of one mic in one pass under one setup.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Take {
    /// `t001` and so on, in the order of import.
    pub id: TakeId,
    /// Its setup; `None` for the DI.
    pub setup: Option<SetupName>,
    /// Its mic; for the DI `di`.
    pub mic: MicName,
    /// The pass: one playing of the DI, all mics. 0 for the DI.
    pub pass: u32,
    /// What was touched before it.
    pub depth: Option<Depth>,
    /// Free notes.
    pub notes: BTreeMap<String, String>,
    /// Path of the read-only copy, relative to the session's folder.
    pub path: String,
    /// The file's name when it was imported. Never used as a path.
    pub original_name: String,
    /// SHA-256 of the copy, equal to the original's.
    pub sha256: Sha256Hex,
    /// Which channel of the file holds this mic, from 0; `None` when the whole file does.
    pub channel: Option<u16>,
    /// Frames per second.
    pub rate: SampleRate,
    /// Number of frames.
    pub frames: u64,
    /// Number of channels of this take (1 when `channel` is set).
    pub channels: u16,
    /// What is wrong with it.
    pub findings: Vec<Finding>,
    /// When it was imported.
    pub imported_at: Timestamp,
    /// Why it was withdrawn, if it was.
    pub withdrawn: Option<String>,
    /// Integrated loudness when it was taken in; sessions of older programs do not have it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<Lufs>,
    /// What it was made from, where the file was not taken in as it came.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub derived: Option<Derived>,
    /// Where it stood before, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reassigned: Vec<Reassigned>,
}

/// A stretch of the performance, on the time base of the DI if the session has one, else of the first take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Excerpt {
    /// Its name; `whole` for the common span of all takes.
    pub name: ExcerptName,
    /// Start; 0 is frame 0 of the time base.
    pub start: Seconds,
    /// End; `None` for the common end.
    pub end: Option<Seconds>,
}

/// A take's excerpt, aligned and matched, written as a file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clip {
    /// `c001` and so on.
    pub id: ClipId,
    /// Its setup.
    pub setup: SetupName,
    /// The take it was cut from (for a blend: the pass's first mic's take).
    pub take: TakeId,
    /// The mic or blend.
    pub mic: MicName,
    /// The excerpt.
    pub excerpt: ExcerptName,
    /// True when raw levels were kept and one common gain was applied.
    pub as_recorded: bool,
    /// Gain applied, never above 0.
    pub gain: Decibel,
    /// Lag taken out, in samples (positive: the take was later).
    pub lag_samples: f64,
    /// Clock drift that was seen.
    pub drift: Option<Ppm>,
    /// Polarity against the other takes.
    pub polarity: Polarity,
    /// Integrated loudness before the gain, over the excerpt.
    pub loudness_before: Option<Lufs>,
    /// Integrated loudness, measured again on the written file.
    pub loudness: Option<Lufs>,
    /// Loudness over the shared gate, measured again on the written file.
    pub shared_loudness: Option<Lufs>,
    /// True peak, measured again on the written file.
    pub true_peak: Option<Dbtp>,
    /// Residual against the setup's first take, in dB; `None` when there is none or nothing is left.
    pub residual: Option<Decibel>,
    /// Path relative to the session's folder.
    pub path: String,
    /// SHA-256 of the file.
    pub sha256: Sha256Hex,
    /// Frames per second.
    pub rate: SampleRate,
    /// Number of frames.
    pub frames: u64,
    /// Number of channels.
    pub channels: u16,
    /// The matching run it belongs to, from 1: clips of different runs are never compared.
    pub run: u32,
}

/// One matching run: what held for all of its clips.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchRun {
    /// From 1.
    pub run: u32,
    /// True when raw levels were kept.
    pub as_recorded: bool,
    /// The largest difference over the shared gate between two clips of one mic and excerpt, on the written files.
    pub largest_mismatch: Option<Lu>,
    /// The ceiling that was kept.
    pub ceiling: Dbtp,
    /// What was cut out: one excerpt or several.
    pub excerpts: Vec<Excerpt>,
    /// Takes whose flipped polarity the engineer confirmed: their clips were turned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub turned: Vec<TakeId>,
    /// When it was made.
    pub made_at: Timestamp,
}

/// A listener.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Listener {
    /// Their code.
    pub code: ListenerCode,
    /// True for ever when it is a simulated one.
    pub simulated: bool,
    /// When they were first seen.
    pub since: Timestamp,
}

/// What an ohmmeter showed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MeterValue {
    /// A number.
    Ohm(Ohm),
    /// `OL`: open.
    Open,
}

/// A meter reading and how it was judged at the time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeterRecord {
    /// The wiring's name, the setup's name or the network text that was metered.
    pub wiring: String,
    /// The reading.
    pub reading: MeterValue,
    /// True when it lay in the expected interval.
    pub as_intended: bool,
    /// Least reading expected.
    pub low: Ohm,
    /// Largest reading expected.
    pub high: Ohm,
    /// When it was taken down.
    pub at: Timestamp,
}
