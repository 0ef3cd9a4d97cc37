//! What a plan is asked for.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName};
use crate::model::trial::{Conditions, Controls, Design, Method, TrialCount};

/// Most scored trials per listener.
pub const MOST_TRIALS: u32 = 1000;

/// Most listeners of a test.
pub const MOST_LISTENERS: u32 = 100_000;

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// The setups.
    pub compare: Vec<SetupName>,
    /// The method.
    pub method: Method,
    /// Trials per listener (scored ones in the paired design), or open-ended; default by the design.
    pub trials: Option<TrialCount>,
    /// Listeners planned.
    pub listeners: u32,
    /// Level of all tests of the session together; default that of the first seal, else 0.05.
    pub alpha: Option<f64>,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls per listener.
    pub controls: Controls,
    /// By how much known-difference controls are raised; default 1 dB.
    pub known_db: Option<f64>,
    /// How samples are drawn; default crossed where it can be.
    pub design: Option<Design>,
    /// How many tests the session's claim rests on; default that of the first seal, else 1.
    pub tests: Option<u32>,
    /// Looks before the end, in answers of the whole panel.
    pub looks: Vec<u64>,
    /// The mic or blend.
    pub mic: Option<MicName>,
    /// The excerpt.
    pub excerpt: Option<ExcerptName>,
    /// Raw levels.
    pub as_recorded: bool,
    /// `attribute`: the word.
    pub attribute: Option<String>,
    /// `attribute`: the setup expected to have more of it.
    pub expect: Option<SetupName>,
    /// `duo-trio`, `graded`: the reference.
    pub reference: Option<SetupName>,
    /// Why a load that must not be connected was used all the same.
    pub load_reason: Option<String>,
    /// Listeners may hear the setups by name before their trials.
    pub training_by_name: bool,
    /// A confidence and a remark are asked for after each pick.
    pub ask_confidence: bool,
    /// How it will be listened to.
    pub conditions: Conditions,
    /// For simulated listeners alone.
    pub simulated: bool,
    /// For an audience that visits.
    pub audience: bool,
}

impl Request {
    /// A plain request: ABX of these setups by one listener.
    #[must_use]
    pub fn of(compare: Vec<SetupName>) -> Self {
        Self {
            compare,
            method: Method::Abx,
            trials: None,
            listeners: 1,
            alpha: None,
            bound: 0.3,
            controls: Controls::default(),
            known_db: None,
            design: None,
            tests: None,
            looks: Vec::new(),
            mic: None,
            excerpt: None,
            as_recorded: false,
            attribute: None,
            expect: None,
            reference: None,
            load_reason: None,
            training_by_name: false,
            ask_confidence: false,
            conditions: Conditions::default(),
            simulated: false,
            audience: false,
        }
    }
}

pub(super) fn wrong(message: impl Into<String>, next: &str) -> Failure {
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}
