//! Methods, plans and seals: what is fixed before the first trial.

use super::audio::Sha256Hex;
use super::ids::{ClipId, ExcerptName, MicName, SetupName, TakeId, TestId};
use crate::units::{Decibel, Probability};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// Methods of listening.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// A, B, and X: which of the two is X?
    Abx,
    /// A reference, then two samples: which is the reference's setup?
    DuoTrio,
    /// Three samples: which is the odd one?
    Triangle,
    /// Two samples: which do you prefer? Two-sided, no right answer.
    Preference,
    /// Two samples: which is ... (a named attribute)? One-sided.
    Attribute,
    /// Several samples rated beside a reference, one of them the hidden reference, one an anchor.
    Graded,
}

impl Method {
    /// All methods, in the order of the interface.
    pub const ALL: [Self; 6] = [Self::Abx, Self::DuoTrio, Self::Triangle, Self::Preference, Self::Attribute, Self::Graded];

    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Abx => "abx",
            Self::DuoTrio => "duo-trio",
            Self::Triangle => "triangle",
            Self::Preference => "preference",
            Self::Attribute => "attribute",
            Self::Graded => "graded",
        }
    }

    /// The method of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|m| m.name() == name)
    }

    /// One count of picks stands for a test of so many setups. It does not for ratings, nor where each pair of setups has its own.
    #[must_use]
    pub fn one_count(self, setups: usize) -> bool {
        self != Self::Graded && (self != Self::Preference || setups == 2)
    }

    /// The chance of guessing right, as an exact ratio; `None` where there is no right answer (`graded`). For `preference` it is the
    /// chance under the null of no preference.
    #[must_use]
    pub fn chance(self) -> Option<(u32, u32)> {
        match self {
            Self::Triangle => Some((1, 3)),
            Self::Graded => None,
            Self::Abx | Self::DuoTrio | Self::Preference | Self::Attribute => Some((1, 2)),
        }
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// How many scored trials each listener gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrialCount {
    /// So many, fixed beforehand; unanswered counts as wrong.
    Fixed(u32),
    /// No end set; scored by evidence that allows stopping at any time.
    OpenEnded,
}

/// A test's place among those that a session's claim rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FamilyPlace {
    /// How many the first seal declared.
    pub planned: u32,
    /// Which of them this is, from 1; `None` beyond them: exploratory.
    pub number: Option<u32>,
    /// Level of the test: the session's over their number.
    pub level: f64,
}

/// How the samples of a trial are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Design {
    /// From all takes of both setups, without looking at the setup: what the takes test needs.
    Crossed,
    /// Setup by setup: every trial is scored.
    #[default]
    Paired,
}

impl Design {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Crossed => "crossed",
            Self::Paired => "paired",
        }
    }

    /// Paired: what plans were before there was a choice, and what their text therefore leaves out.
    #[must_use]
    pub fn is_paired(&self) -> bool {
        *self == Self::Paired
    }
}

impl fmt::Display for Design {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

fn is_none_planned(count: &u32) -> bool {
    *count == 0
}

/// Control trials per listener, outside the score.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Controls {
    /// All slots are one file: must sit at chance, or the player gives a cue.
    pub same_file: u32,
    /// Two takes of one setup: the floor.
    pub repeat: u32,
    /// One take against itself, raised by [`Plan::known_db`]: could anything have been heard?
    #[serde(default, skip_serializing_if = "is_none_planned")]
    pub known: u32,
}

/// A look before the end of a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Look {
    /// After so many scored answers of all listeners together.
    pub answers: u64,
    /// Fewest right that end the test; `None` where no number does.
    pub least_correct: Option<u64>,
}

/// What a test was sealed under: copies of a session diverge here.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sealing {
    /// The session's id.
    pub session_id: Option<String>,
    /// 32 bytes of the operating system's, hexadecimal.
    pub nonce: Sha256Hex,
    /// Head of the log before the seal.
    pub head: Sha256Hex,
    /// Number of the rules by which the result will be made.
    pub rules: u32,
}

/// A clip as a plan names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanClip {
    /// The clip.
    pub clip: ClipId,
    /// Its setup.
    pub setup: SetupName,
    /// Its take.
    pub take: TakeId,
    /// SHA-256 of its file.
    pub sha256: Sha256Hex,
}

/// What may be stated of the listening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Condition {
    /// The listening level as set.
    Level,
    /// Headphones or loudspeakers, and which.
    On,
    /// The room.
    Room,
    /// The device that plays.
    Device,
}

impl Condition {
    /// All of them, as they are printed.
    pub const ALL: [Self; 4] = [Self::Level, Self::On, Self::Room, Self::Device];

    /// Its name in seals and reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Level => "listening level as set",
            Self::On => "headphones or loudspeakers",
            Self::Room => "room",
            Self::Device => "device",
        }
    }

    /// Its key in the rig sheet's table `held`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Level => "listening-level",
            Self::On => "listening-on",
            Self::Room => "listening-room",
            Self::Device => "listening-device",
        }
    }
}

/// How it will be listened to, as the engineer states it; what is not stated is printed as that.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Conditions {
    /// The listening level as set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<String>,
    /// Headphones or loudspeakers, and which.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<String>,
    /// The room.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<String>,
    /// The device that plays.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
}

impl Conditions {
    /// Nothing is stated.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.named().next().is_none()
    }

    /// What is stated of one of them.
    #[must_use]
    pub fn stated(&self, of: Condition) -> Option<&str> {
        match of {
            Condition::Level => &self.level,
            Condition::On => &self.on,
            Condition::Room => &self.room,
            Condition::Device => &self.device,
        }
        .as_deref()
    }

    /// What is stated, by its name.
    pub fn named(&self) -> impl Iterator<Item = (&'static str, &str)> {
        Condition::ALL.into_iter().filter_map(|of| Some((of.name(), self.stated(of)?)))
    }
}

/// A plan. Once sealed it never changes; a changed one is another test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// `test-1` and so on, in the order of sealing.
    pub test: TestId,
    /// The method.
    pub method: Method,
    /// The setups compared, in the order given.
    pub setups: Vec<SetupName>,
    /// True: raw levels kept; false: loudness removed.
    pub as_recorded: bool,
    /// The excerpt.
    pub excerpt: ExcerptName,
    /// The mic or blend.
    pub mic: MicName,
    /// Scored trials per listener.
    pub trials: TrialCount,
    /// Listeners planned.
    pub listeners: u32,
    /// Level of the test.
    pub alpha: Probability,
    /// Smallest share of distinguishers worth finding.
    pub bound: Probability,
    /// Control trials per listener.
    pub controls: Controls,
    /// By how much a take is raised in known-difference controls; `None` without them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known_db: Option<Decibel>,
    /// How samples are drawn.
    #[serde(default, skip_serializing_if = "Design::is_paired")]
    pub design: Design,
    /// Which rewiring a take belongs to, named by that rewiring's first take. A take that is not here is a rewiring of its own.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub units: BTreeMap<TakeId, TakeId>,
    /// `attribute`: the word, "brighter".
    pub attribute: Option<String>,
    /// `attribute`: the setup expected to have more of it.
    pub expect: Option<SetupName>,
    /// `duo-trio` and `graded`: the setup that serves as reference.
    pub reference: Option<SetupName>,
    /// The clips that may be heard.
    pub clips: Vec<PlanClip>,
    /// Everything that differs between the setups.
    pub differs: Vec<String>,
    /// What the engineer was warned about when sealing; printed again in the report.
    pub warnings: Vec<String>,
    /// Why a load that must not be connected was used all the same.
    pub load_reason: Option<String>,
    /// The rule by which a listener would be left out, or that there is none.
    pub exclusion: String,
    /// Name and version of the generator that draws the orders.
    pub generator: String,
    /// Looks before the end: after so many answers of the panel the test ends if so many are right.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub looks: Vec<Look>,
    /// What it was sealed under; `None` in plans of older programs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sealing: Option<Sealing>,
    /// True when listeners may hear the setups by name before the scored trials.
    pub training_by_name: bool,
    /// True when confidence and a remark are asked for.
    pub ask_confidence: bool,
    /// Sealed for simulated listeners alone: no person may take it, and it has no place among the session's tests.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
    /// Sealed for an audience that visits: trials are of each visitor, and what it shows is never added to a panel's.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub audience: bool,
    /// How it will be listened to.
    #[serde(default, skip_serializing_if = "Conditions::is_empty")]
    pub conditions: Conditions,
    /// The test's place among those that the session's claim rests on; `None` in plans that were sealed before there were such places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub family: Option<FamilyPlace>,
}

impl Plan {
    /// Sealed for a panel of people: such tests alone have a place among those that the session's claim rests on.
    #[must_use]
    pub fn for_a_panel(&self) -> bool {
        !self.simulated && !self.audience
    }
}

/// A plan with its seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SealedTest {
    /// The plan.
    pub plan: Plan,
    /// The canonical text that was hashed.
    pub canonical: String,
    /// SHA-256 of the canonical text.
    pub seal: Sha256Hex,
    /// When it was sealed.
    pub sealed_at: Timestamp,
    /// When it was closed, if it is.
    pub closed_at: Option<Timestamp>,
}
