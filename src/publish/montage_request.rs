//! What a montage is asked for, and what a blind one can show at best.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName};
use crate::units::{Lufs, SampleRate};
use std::path::PathBuf;

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// The setups, in the order in which they sound; empty: all, in the sheet's order.
    pub order: Vec<SetupName>,
    /// One mic or blend; `None`: all of them, one after another.
    pub mic: Option<MicName>,
    /// The excerpt; `None`: the run's first.
    pub excerpt: Option<ExcerptName>,
    /// Levels as recorded, with one common gain.
    pub raw_level: bool,
    /// The number of numbered clips of a blind montage; `None`: a plain one.
    pub blind: Option<u32>,
    /// Bring all mics to the loudness of the quietest one.
    pub level_mics: bool,
    /// A picture per clip and what makes a video of them.
    pub video: bool,
    /// Another rate than that of the clips.
    pub rate: Option<SampleRate>,
    /// Bring the whole to this loudness by one common gain.
    pub loudness: Option<Lufs>,
    /// Folder for the files.
    pub out: PathBuf,
}

pub(crate) fn refuse(kind: &'static str, message: impl Into<String>, next: impl Into<String>) -> Failure {
    Failure::plain(kind, Fate::Refused, message, next)
}

/// The smallest p that so many clips of so many setups can reach.
#[must_use]
pub fn least_p(setups: usize, clips: u32) -> f64 {
    (setups as f64).powf(-f64::from(clips))
}
