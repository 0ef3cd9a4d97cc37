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
    /// Heard by some: these are named, the others are not.
    HeardSome,
    /// Heard, but in fewer trials than the smallest effect set beforehand.
    HeardSmall,
    /// Significantly the wrong way round.
    Reversed,
    /// Some listeners after correction, not the panel. No claim.
    MixedPanel,
    /// Nothing shown, and a known difference was not told apart either: no verdict.
    Insensitive,
    /// Not shown to be heard, and bounded below the smallest effect set beforehand.
    NotShownBounded,
    /// Too few trials to tell.
    TooFew,
    /// `preference`: one setup is preferred.
    Preferred,
    /// `preference`: opinions differ, some each way.
    Divided,
    /// `preference`: no preference, and the mean share of picks is bounded near one half.
    NoPreferenceBounded,
    /// `preference`: no preference shown.
    NoPreferenceShown,
    /// `graded`: rated apart.
    RatedApart,
    /// `graded`: not rated apart.
    NotRatedApart,
}

impl VerdictKind {
    /// Every kind.
    pub const ALL: [Self; 17] = [
        Self::DataVoid,
        Self::PlayerCue,
        Self::RepeatFloor,
        Self::Heard,
        Self::HeardSmall,
        Self::HeardSome,
        Self::Reversed,
        Self::MixedPanel,
        Self::Insensitive,
        Self::NotShownBounded,
        Self::TooFew,
        Self::Preferred,
        Self::Divided,
        Self::NoPreferenceBounded,
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
            Self::HeardSome => "heard-some",
            Self::Reversed => "reversed",
            Self::MixedPanel => "mixed-panel",
            Self::Insensitive => "insensitive",
            Self::NotShownBounded => "not-shown-bounded",
            Self::TooFew => "too-few",
            Self::Preferred => "preferred",
            Self::Divided => "divided",
            Self::NoPreferenceBounded => "no-preference-bounded",
            Self::NoPreferenceShown => "no-preference-shown",
            Self::RatedApart => "rated-apart",
            Self::NotRatedApart => "not-rated-apart",
        }
    }

    /// A positive claim: it has a [`Subject`].
    #[must_use]
    pub fn positive(self) -> bool {
        matches!(self, Self::Heard | Self::HeardSome | Self::HeardSmall | Self::Preferred | Self::RatedApart)
    }
}

/// What a positive claim is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// The setups: the takes test says that it was not the takes.
    Setups,
    /// These recordings: that it was the setups and not the takes is not shown.
    Recordings,
}

impl Subject {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Setups => "setups",
            Self::Recordings => "recordings",
        }
    }
}

/// Of whom a preference is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// The one listener there is.
    One,
    /// Each of the listeners, by an own test.
    Each,
    /// The listeners together, each as one opinion.
    Listeners,
}

impl fmt::Display for VerdictKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
