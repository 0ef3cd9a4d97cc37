//! Blind montages, and an audience's answers.

use super::audio::Sha256Hex;
use super::ids::{ClipId, ExcerptName, MicName, MontageId, SetupName};
use crate::units::SampleRate;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// One clip of a montage with its place, in frames of the finished file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Segment {
    /// What captions say: `s16, close-a`, or `clip 3`.
    pub label: String,
    /// Its setup; `None` for a numbered clip, whose key is not revealed yet.
    pub setup: Option<SetupName>,
    /// Its mic or blend.
    pub mic: MicName,
    /// Its first frame.
    pub start: u64,
    /// The frame after its last one.
    pub end: u64,
}

/// The key of a blind montage, once it is revealed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RevealedKey {
    /// When.
    pub at: Timestamp,
    /// The nonce, hexadecimal.
    pub nonce: String,
    /// The canonical text of the key: what was committed to.
    pub key_text: String,
}

/// What a blind montage is, without its key.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlindMontage {
    /// `montage-1` and so on.
    pub id: MontageId,
    /// The setups that the clips were drawn from, in the engineer's order.
    pub setups: Vec<SetupName>,
    /// The mic or blend.
    pub mic: MicName,
    /// The excerpt.
    pub excerpt: ExcerptName,
    /// The matching run.
    pub run: u32,
    /// True when levels are as recorded.
    pub raw_level: bool,
    /// The named clip of each setup, in the same order.
    pub named: Vec<ClipId>,
    /// How many numbered clips there are.
    pub clips: u32,
    /// SHA-256 of nonce and key.
    pub commitment: Sha256Hex,
    /// What drew it.
    pub generator: String,
    /// Frames per second of the finished file.
    pub rate: SampleRate,
    /// All clips with their places, the named ones first.
    pub segments: Vec<Segment>,
    /// When it was made.
    pub made_at: Timestamp,
    /// The key, once it is revealed.
    pub revealed: Option<RevealedKey>,
}

/// One drawn clip of a key: number from 1 is its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Drawn {
    /// The setup.
    pub setup: SetupName,
    /// The clip of one of its takes.
    pub clip: ClipId,
}

/// A count of answers, as it was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoteCount {
    /// SHA-256 of the file of answers.
    pub sha256: Sha256Hex,
    /// People in it.
    pub people: u64,
    /// Answers in it.
    pub answers: u64,
    /// Right answers.
    pub correct: u64,
    /// Its p.
    pub p_value: f64,
    /// When.
    pub at: Timestamp,
}

/// One answer of one person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vote {
    /// Who.
    pub person: String,
    /// The clip's number, from 1.
    pub clip: u32,
    /// Place of the chosen setup in the montage's list.
    pub choice: usize,
}
