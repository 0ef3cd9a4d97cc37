//! Methods, plans, trials, picks.

use super::audio::Sha256Hex;
use super::ids::{ClipId, ListenerCode, TestId, TrialId};
pub use super::plan::{
    Condition, Conditions, Controls, Design, FamilyPlace, Look, Method, Plan, PlanClip, SealedTest, Sealing, TrialCount,
};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

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
