//! What a test showed: the one shape of a result. `verdict` makes it, once; `score` prints it, `report` draws it, the log keeps it.

mod count;
mod parts;

pub use count::{CountDoc, DistinguishersDoc, DprimeDoc, Endless, NeededDoc, PowerDoc, SimilarityDoc};
pub use parts::{
    ConfidenceDoc, ControlDoc, ControlsDoc, CriticalDoc, EstimateDoc, HeterogeneityDoc, ItemDoc, ListenerDoc, OrderDoc,
    PreferenceDoc, RankTest, RanksDoc, RatingDoc, ScaleDifferenceDoc, ScaleDoc, SecondOpinionDoc, TriadsDoc,
};

use super::ids::{ExcerptName, ListenerCode, MicName, SetupName, TestId};
use super::trial::{Design, FamilyPlace, Method};
use super::verdict::{Scope, Subject, VerdictKind};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The number of the rules by which results are made now. A result that was made by others is shown as it is.
pub const RULES: u32 = 2;

/// What a test asks, and how far it is: all that is said of an open one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TestHead {
    /// Its number.
    pub test: TestId,
    /// True when it is closed; otherwise only how far it is.
    pub closed: bool,
    /// The first of two setups.
    pub first: Option<SetupName>,
    /// The second of two setups.
    pub second: Option<SetupName>,
    /// All setups.
    pub setups: Vec<SetupName>,
    /// Everything that differs.
    pub differs: Vec<String>,
    /// Takes per setup.
    pub takes: BTreeMap<SetupName, usize>,
    /// The mic or blend.
    pub mic: MicName,
    /// The excerpt.
    pub excerpt: ExcerptName,
    /// True when raw levels are compared.
    pub as_recorded: bool,
    /// How samples are drawn.
    pub design: Design,
    /// `attribute`: the word.
    pub attribute: Option<String>,
    /// Trials planned for all listeners, controls left out; null when open-ended.
    pub planned: Option<u64>,
    /// Answered: of a closed test without controls, of an open one all, for their share would tell which were controls.
    pub done: u64,
    /// Void trials.
    pub void: u64,
    /// Listeners planned.
    pub listeners_planned: u32,
    /// Listeners who answered one trial or more.
    pub took_part: u64,
    /// The test's place among those that the session's claim rests on.
    pub family: FamilyPlace,
    /// Beyond the tests that were declared with the first seal.
    pub exploratory: bool,
}

/// How far a listener of an open test is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ListenerProgress {
    /// Their code.
    pub listener: ListenerCode,
    /// True for a simulated one.
    pub simulated: bool,
    /// Answered trials, controls included.
    pub done: u64,
}

/// An open test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OpenTest {
    /// What it asks and how far it is.
    #[serde(flatten)]
    pub head: TestHead,
    /// The method.
    pub method: Method,
    /// How far everybody is.
    pub listeners: Vec<ListenerProgress>,
}

/// What a closed test showed (of an open-ended one also what it shows so far).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TestResult {
    /// By which rules it was made.
    pub rules: u32,
    /// What the test asked.
    #[serde(flatten)]
    pub head: TestHead,
    /// What the count says.
    #[serde(flatten)]
    pub count: CountDoc,
    /// Planned trials of those who took part that were not answered. They count against every claim.
    pub unanswered: u64,
    /// The exact p of the answered trials alone: valid only if nobody could know the score.
    pub p_value_answered: Option<f64>,
    /// P of so few right by chance, with what is unanswered counted as right.
    pub p_reversed: Option<f64>,
    /// `min(1, M p)` over the family of M tests.
    pub p_family: Option<f64>,
    /// Preference and ratings of several listeners: each listener one opinion.
    pub p_listeners: Option<f64>,
    /// Preference: by picks, which decides only where one listener answered.
    pub p_by_picks: Option<f64>,
    /// Preference: of whom it is said.
    pub scope: Option<Scope>,
    /// What a positive verdict is about.
    pub subject: Option<Subject>,
    /// The takes test; null in the paired design.
    pub p_takes: Option<f64>,
    /// Splits that it looked at.
    pub takes_splits: Option<u64>,
    /// Listeners had means to know takes by their setup's name, or a setup was treated as a whole: why, in words.
    pub known_by_name: Option<String>,
    /// Crossed design: fewest right for the number of trials that were scored.
    pub critical_by_scored: Option<Vec<CriticalDoc>>,
    /// Level that the first seal declared for the session.
    pub alpha: f64,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls.
    pub controls: ControlsDoc,
    /// By how much known-difference controls were raised.
    pub known_db: Option<f64>,
    /// Listeners who took part.
    pub listeners: Vec<ListenerDoc>,
    /// True when only simulated listeners answered.
    pub simulated_only: bool,
    /// True when nobody answered but on the silent device.
    pub practice_only: bool,
    /// How unequal they are.
    pub heterogeneity: Option<HeterogeneityDoc>,
    /// Approximate upper 95 % limit of the share truly heard by listeners like these; ten listeners or more.
    pub population_upper95: Option<f64>,
    /// A second opinion, never a gate.
    pub second_opinion: Option<SecondOpinionDoc>,
    /// Where confidence was asked for: do listeners know when they were right? Never a gate.
    pub confidence: Option<ConfidenceDoc>,
    /// Pairs of a preference test.
    pub preference: Option<Vec<PreferenceDoc>>,
    /// The same pairs on a scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<ScaleDoc>,
    /// `graded`: medians and quartiles, the anchor last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratings: Option<Vec<RatingDoc>>,
    /// `graded`: by ranks, which the verdict goes by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ranks: Option<RanksDoc>,
    /// Some scored trial's hidden sample was its reference's own file.
    pub own_file: bool,
    /// Repeat takes could be told apart, but fresh takes stood behind every scored trial.
    pub floor_caution: bool,
    /// Why the data is void.
    pub void_reason: Option<String>,
    /// What the engineer was warned about when sealing.
    pub warnings: Vec<String>,
    /// The verdict.
    pub verdict: VerdictKind,
    /// Verdict word and counts in one line.
    pub headline: String,
    /// The verdict with its evidence and limits.
    pub sentence: String,
}

/// A test in the document of `score`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum TestEntry {
    /// With a result.
    Closed(Box<TestResult>),
    /// Without.
    Open(Box<OpenTest>),
}

impl TestEntry {
    /// What it asks and how far it is.
    #[must_use]
    pub fn head(&self) -> &TestHead {
        match self {
            Self::Closed(result) => &result.head,
            Self::Open(open) => &open.head,
        }
    }

    /// The result, where there is one.
    #[must_use]
    pub fn result(&self) -> Option<&TestResult> {
        match self {
            Self::Closed(result) => Some(result),
            Self::Open(_) => None,
        }
    }
}
