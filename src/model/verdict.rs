//! The kinds of verdict, by the names that documents use.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A verdict's kind. The gates are in this order for tests with a right answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerdictKind {
    /// The data cannot carry a verdict.
    DataVoid,
    /// Same-file controls were told apart: the player gave a cue.
    PlayerCue,
    /// Repeat takes were told apart as well as the setups.
    RepeatFloor,
    /// Heard.
    Heard,
    /// Heard, but in fewer trials than the smallest effect set beforehand.
    HeardSmall,
    /// Significantly the wrong way round.
    Reversed,
    /// Some listeners after correction, not the panel. No claim.
    MixedPanel,
    /// Not shown to be heard, and bounded below the smallest effect set beforehand.
    NotShownBounded,
    /// Too few trials to tell.
    TooFew,
    /// `preference`: one setup is preferred.
    Preferred,
    /// `preference`: no preference shown.
    NoPreferenceShown,
    /// `graded`: rated apart.
    RatedApart,
    /// `graded`: not rated apart.
    NotRatedApart,
}

impl VerdictKind {
    /// Every kind.
    pub const ALL: [Self; 13] = [
        Self::DataVoid,
        Self::PlayerCue,
        Self::RepeatFloor,
        Self::Heard,
        Self::HeardSmall,
        Self::Reversed,
        Self::MixedPanel,
        Self::NotShownBounded,
        Self::TooFew,
        Self::Preferred,
        Self::NoPreferenceShown,
        Self::RatedApart,
        Self::NotRatedApart,
    ];

    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::DataVoid => "data-void",
            Self::PlayerCue => "player-cue",
            Self::RepeatFloor => "repeat-floor",
            Self::Heard => "heard",
            Self::HeardSmall => "heard-small",
            Self::Reversed => "reversed",
            Self::MixedPanel => "mixed-panel",
            Self::NotShownBounded => "not-shown-bounded",
            Self::TooFew => "too-few",
            Self::Preferred => "preferred",
            Self::NoPreferenceShown => "no-preference-shown",
            Self::RatedApart => "rated-apart",
            Self::NotRatedApart => "not-rated-apart",
        }
    }
}

impl fmt::Display for VerdictKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
