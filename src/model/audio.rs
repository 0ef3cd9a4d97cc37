//! A recording in memory, what was measured of it, and what is wrong with it.

pub use super::digest::{DigestError, Sha256Hex};
use crate::units::{Dbtp, Decibel, Hertz, Lu, Lufs, SampleRate};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Channels of unequal length, or none at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a recording needs one or more channels of equal length, was given lengths {lengths:?}")]
pub struct ShapeError {
    /// The channels' lengths in frames.
    pub lengths: Vec<usize>,
}

/// A recording in memory: planar `f32`, `channels[c][frame]`, full scale is 1.0 (float files may go beyond).
#[derive(Clone, PartialEq)]
pub struct Audio {
    rate: SampleRate,
    channels: Vec<Vec<f32>>,
}

impl Audio {
    /// Takes planar samples, shape channels x frames.
    ///
    /// # Errors
    /// [`ShapeError`] when there is no channel or their lengths differ.
    pub fn new(rate: SampleRate, channels: Vec<Vec<f32>>) -> Result<Self, ShapeError> {
        let even = channels.windows(2).all(|w| w[0].len() == w[1].len());
        if channels.is_empty() || !even {
            return Err(ShapeError { lengths: channels.iter().map(Vec::len).collect() });
        }
        Ok(Self { rate, channels })
    }

    /// Frames per second.
    #[must_use]
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Number of frames.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.channels[0].len()
    }

    /// The channels, shape channels x frames.
    #[must_use]
    pub fn channels(&self) -> &[Vec<f32>] {
        &self.channels
    }

    /// The channels, to be changed in place. Lengths must stay equal, so only the samples can be changed.
    pub fn channels_mut(&mut self) -> impl Iterator<Item = &mut [f32]> {
        self.channels.iter_mut().map(Vec::as_mut_slice)
    }
}

impl fmt::Debug for Audio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Audio({} channels x {} frames at {})", self.channels.len(), self.frames(), self.rate)
    }
}

/// What a file says of itself, after its audio has been read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FileFacts {
    /// Container and coding in words, for example `WAV, PCM`.
    pub format: String,
    /// True when the coding has thrown something away (MP3, Vorbis).
    pub lossy: bool,
    /// Frames per second.
    pub rate: SampleRate,
    /// Bits per sample, where the coding has such a number.
    pub bits: Option<u16>,
    /// Number of channels.
    pub channels: u16,
    /// Number of whole frames present.
    pub frames: u64,
    /// SHA-256 of the file's bytes.
    pub sha256: Sha256Hex,
    /// Frames since midnight, from a `bext` chunk. Shown and used as a first guess, never trusted.
    pub time_reference: Option<u64>,
    /// Positions of cue points in frames.
    pub cue_points: Vec<u64>,
    /// What the reader found wrong with the container.
    pub findings: Vec<Finding>,
}

/// Loudness and peaks of one recording. `None`: there is no such value (silence, or shorter than the window).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Levels {
    /// Integrated loudness (BS.1770, gated).
    pub integrated: Option<Lufs>,
    /// Largest momentary (400 ms) loudness.
    pub momentary_max: Option<Lufs>,
    /// Largest short-term (3 s) loudness.
    pub short_term_max: Option<Lufs>,
    /// Largest true peak over the channels.
    pub true_peak: Option<Dbtp>,
    /// Largest sample over the channels, dB of full scale.
    pub sample_peak: Option<Decibel>,
    /// Loudness range (EBU Tech 3342).
    pub range: Option<Lu>,
}

/// Kinds of fault, by the names that documents use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// NaN or infinite samples.
    NotANumber,
    /// Nothing recorded.
    Silence,
    /// Too short to judge.
    TooShort,
    /// Flattened crests.
    Clipping,
    /// The wave between the samples goes above full scale.
    InterSampleOver,
    /// Float samples above full scale.
    OverFullScale,
    /// A constant offset.
    DcOffset,
    /// Hum at the mains frequency and its harmonics.
    MainsHum,
    /// A hole of exact zeros.
    Dropout,
    /// Both channels hold the same.
    MonoInStereo,
    /// One channel is far below the other.
    OneChannelSilent,
    /// The header's rate is not that of the DI or the other takes.
    RateDiffers,
    /// Plays at another speed than its header says.
    WrongRate,
    /// Another performance than the session's DI.
    OtherDi,
    /// Polarity is opposite to the other takes.
    Polarity,
    /// The file ends before its header says.
    Truncated,
    /// The recorder did not finish the header.
    UnfinishedHeader,
    /// A lossy coding: what was thrown away cannot be matched.
    Lossy,
    /// Something else about the container that the engineer should know.
    Container,
    /// Samples are missing or doubled: from there on it runs beside the other takes.
    LagJump,
    /// A short burst that the other takes do not have.
    Click,
    /// Silence where the other takes sound.
    Hole,
    /// The level changes at once against the other takes.
    LevelStep,
    /// The level moves against the other takes.
    LevelTrend,
    /// A buffer that comes twice to the last bit.
    RepeatedBuffer,
    /// A sample that is held.
    HeldSamples,
    /// One recording under two setups.
    SameRecording,
    /// The DI, taken in as a take.
    DiAsTake,
    /// It differs from the other takes by more than they do among themselves.
    UnlikeSiblings,
    /// A judgement that this material does not allow.
    CannotBeJudged,
}

impl FaultKind {
    /// The stable name, for example `mains-hum`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::NotANumber => "not-a-number",
            Self::Silence => "silence",
            Self::TooShort => "too-short",
            Self::Clipping => "clipping",
            Self::InterSampleOver => "inter-sample-over",
            Self::OverFullScale => "over-full-scale",
            Self::DcOffset => "dc-offset",
            Self::MainsHum => "mains-hum",
            Self::Dropout => "dropout",
            Self::MonoInStereo => "mono-in-stereo",
            Self::OneChannelSilent => "one-channel-silent",
            Self::RateDiffers => "rate-differs",
            Self::WrongRate => "wrong-rate",
            Self::OtherDi => "other-di",
            Self::Polarity => "polarity",
            Self::Truncated => "truncated",
            Self::UnfinishedHeader => "unfinished-header",
            Self::Lossy => "lossy",
            Self::Container => "container",
            Self::LagJump => "lag-jump",
            Self::Click => "click",
            Self::Hole => "hole",
            Self::LevelStep => "level-step",
            Self::LevelTrend => "level-trend",
            Self::RepeatedBuffer => "repeated-buffer",
            Self::HeldSamples => "held-samples",
            Self::SameRecording => "same-recording",
            Self::DiAsTake => "di-as-take",
            Self::UnlikeSiblings => "unlike-siblings",
            Self::CannotBeJudged => "cannot-be-judged",
        }
    }
}

/// How bad a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Information, not a fault.
    Note,
    /// Look at it before it is used.
    Warn,
    /// Not usable.
    Stop,
}

/// A finding: what was seen, with its likely cause and what to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// The kind of fault.
    pub kind: FaultKind,
    /// How bad it is.
    pub severity: Severity,
    /// What was seen, likely cause, remedy: one or two sentences.
    pub detail: String,
}

/// Polarity of the second recording against the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// The same.
    Same,
    /// Opposite.
    Flipped,
    /// The material does not allow a decision.
    Undecided,
}

impl Polarity {
    /// `1`, `-1`, or nothing when undecided: the form that documents use.
    #[must_use]
    pub fn sign(self) -> Option<i8> {
        match self {
            Self::Same => Some(1),
            Self::Flipped => Some(-1),
            Self::Undecided => None,
        }
    }
}

/// How a lag was found, which decides how far it can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LagMethod {
    /// Cross-correlation, then the phase slope: for repeat takes of one rig, hundredths of a sample.
    PhaseSlope,
    /// The peak of the whitened correlation: for different wirings, half a sample.
    WhitenedPeak,
}

/// A level that may be minus infinity (a file against itself).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DbOrSilence {
    /// A level in dB.
    Db(f64),
    /// Nothing at all: minus infinity.
    Silence,
}

/// One one-third-octave band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BandLevel {
    /// Exact centre, 1000 * 10^(n/10) Hz (IEC 61260-1).
    pub hz: Hertz,
    /// Level or difference; `None` where the band holds too little to say.
    pub db: Option<Decibel>,
}
