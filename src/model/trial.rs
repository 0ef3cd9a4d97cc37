//! Methods, plans, trials, picks.

use super::audio::Sha256Hex;
use super::ids::{ClipId, ExcerptName, ListenerCode, MicName, SetupName, TakeId, TestId, TrialId};
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
    /// True when listeners may hear the setups by name before the scored trials.
    pub training_by_name: bool,
    /// True when confidence and a remark are asked for.
    pub ask_confidence: bool,
    /// Sealed for simulated listeners alone: no person may take it, and it has no place among the session's tests.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
    /// The test's place among those that the session's claim rests on; `None` in plans that were sealed before there were such places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub family: Option<FamilyPlace>,
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

/// What a trial was for. Part of the hidden order until the pick is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrialKind {
    /// Counts for the score.
    Scored,
    /// Control: all slots are one file.
    SameFile,
    /// Control: two takes of one setup.
    Repeat,
    /// Control: one take against itself, raised.
    Known,
}

impl TrialKind {
    /// The stable name, as documents have it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Scored => "scored",
            Self::SameFile => "same-file",
            Self::Repeat => "repeat",
            Self::Known => "known",
        }
    }
}

/// One slot of an opened order: the label that the listener sees and the clip behind it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlotRecord {
    /// `A`, `B`, `X`, `1`, `2`, `3`, `R` ...
    pub label: String,
    /// The clip that sounded (for an anchor: the clip it was made from).
    pub clip: ClipId,
    /// True when the clip was low-passed into an anchor.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub anchor: bool,
    /// True when the clip was raised: known-difference controls.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub raised: bool,
}

/// An order after the pick: no secret any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderRecord {
    /// Scored or control.
    pub kind: TrialKind,
    /// The slots in the order of their labels.
    pub slots: Vec<SlotRecord>,
    /// The choice that is right; `None` where there is no right answer, and in the crossed design where the trial is not scored.
    pub right: Option<String>,
}

/// What a listener answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// One of the trial's choices; for `graded` the ratings as `label=0..100` joined by commas.
    pub choice: String,
    /// 0 to 100, if asked.
    pub confidence: Option<u8>,
    /// A remark, if any.
    pub remark: Option<String>,
}

/// How a slot was heard before the pick.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlotHeard {
    /// The slot's label.
    pub label: String,
    /// How often it was switched to.
    pub times: u32,
    /// For how long it sounded, in milliseconds.
    pub ms: u64,
}

/// Where a trial stands.
///
/// It is read by way of a flat struct: a tagged enum would first be gathered into a tree, which takes most of the time of a large session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state", try_from = "Flat")]
pub enum TrialState {
    /// Opened, no pick yet. The order is in the memory of the program that opened it and nowhere else.
    Open,
    /// Answered: pick, order and nonce were written together.
    Answered {
        /// The pick.
        answer: Answer,
        /// The order that was hidden.
        order: OrderRecord,
        /// 32 bytes, hexadecimal.
        nonce: String,
        /// True, false, or nothing where there is no right answer.
        right: Option<bool>,
        /// When the pick was taken down.
        at: Timestamp,
        /// How the slots were heard.
        heard: Vec<SlotHeard>,
    },
    /// Void: power went, device was lost, session was left. Drawn anew, never guessed.
    Void {
        /// Why.
        reason: String,
        /// When.
        at: Timestamp,
    },
}

/// All fields that a state may have.
#[derive(Deserialize)]
struct Flat {
    state: StateName,
    answer: Option<Answer>,
    order: Option<OrderRecord>,
    nonce: Option<String>,
    #[serde(default)]
    right: Option<bool>,
    at: Option<Timestamp>,
    heard: Option<Vec<SlotHeard>>,
    reason: Option<String>,
}

/// The name of a state.
#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum StateName {
    Open,
    Answered,
    Void,
}

impl TryFrom<Flat> for TrialState {
    type Error = String;

    fn try_from(flat: Flat) -> Result<Self, String> {
        let missing = |field: &str| format!("missing field `{field}`");
        match flat.state {
            StateName::Open => Ok(Self::Open),
            StateName::Answered => Ok(Self::Answered {
                answer: flat.answer.ok_or_else(|| missing("answer"))?,
                order: flat.order.ok_or_else(|| missing("order"))?,
                nonce: flat.nonce.ok_or_else(|| missing("nonce"))?,
                right: flat.right,
                at: flat.at.ok_or_else(|| missing("at"))?,
                heard: flat.heard.ok_or_else(|| missing("heard"))?,
            }),
            StateName::Void => Ok(Self::Void {
                reason: flat.reason.ok_or_else(|| missing("reason"))?,
                at: flat.at.ok_or_else(|| missing("at"))?,
            }),
        }
    }
}

/// A trial as the store keeps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrialRecord {
    /// Its id.
    pub id: TrialId,
    /// Its test.
    pub test: TestId,
    /// Its listener.
    pub listener: ListenerCode,
    /// The number that the listener sees, from 1, controls included; a void trial's number is given again.
    pub number: u32,
    /// SHA-256 of tag, nonce and canonical order, written when the trial opened.
    pub commitment: Sha256Hex,
    /// When it was opened.
    pub opened_at: Timestamp,
    /// How it was played: device, rate, buffer; free text.
    pub played: String,
    /// It was played to a person without sound: practice, never scored as theirs.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub practice: bool,
    /// Where it stands.
    pub state: TrialState,
}
