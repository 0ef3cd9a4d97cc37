//! Seals and commitments: what was promised before a pick, held against what was kept.

use crate::model::ids::TestId;
use crate::model::trial::{OrderRecord, SealedTest, TrialRecord, TrialState};
use crate::trial::{canonical_order, opens, seal};
use serde::Serialize;

/// A problem and where it is.
#[derive(Debug, Clone, Serialize, PartialEq, Eq)]
pub struct Problem {
    /// The record or file.
    #[serde(rename = "where")]
    pub place: String,
    /// What is wrong.
    pub what: String,
}

/// A seal that does not hold; the first thing wrong with it.
pub(crate) fn seal_problem(test: &SealedTest) -> Option<String> {
    sealed_problems(test).first().map(told)
}

/// A commitment that does not open.
pub(crate) fn commitment_told(trial: &TrialRecord) -> Option<String> {
    commitment_problem(trial).as_ref().map(told)
}

fn told(problem: &Problem) -> String {
    format!("{}: {}", problem.place, problem.what)
}

pub(crate) fn sealed_problems(test: &SealedTest) -> Vec<Problem> {
    let place = test.plan.test.to_string();
    let mut out = Vec::new();
    if seal::seal(&test.canonical) != test.seal {
        out.push(Problem { place: place.clone(), what: "its seal is not the hash of its plan".to_owned() });
    }
    if seal::canonical(&test.plan) != test.canonical {
        out.push(Problem { place, what: "its plan is not the text that was sealed".to_owned() });
    }
    out
}

pub(crate) fn commitment_problem(trial: &TrialRecord) -> Option<Problem> {
    let TrialState::Answered { answer, order, nonce, right, .. } = &trial.state else { return None };
    let canonical = canonical_order(order);
    let opening = Opening {
        commitment: trial.commitment.as_str(),
        nonce,
        canonical: &canonical,
        order,
        choice: &answer.choice,
        right: *right,
    };
    opening.problem(&trial.test, trial.number)
}

/// What a finished trial says of its commitment and its outcome.
pub(crate) struct Opening<'a> {
    pub(crate) commitment: &'a str,
    pub(crate) nonce: &'a str,
    pub(crate) canonical: &'a str,
    pub(crate) order: &'a OrderRecord,
    pub(crate) choice: &'a str,
    pub(crate) right: Option<bool>,
}

impl Opening<'_> {
    fn problem(&self, test: &TestId, number: u32) -> Option<Problem> {
        let found = |what: &str| Some(Problem { place: format!("trial {number} of {test}"), what: what.to_owned() });
        if !opens(self.commitment, self.nonce, self.canonical) {
            return found("its order and nonce do not open its commitment");
        }
        let judged = self.order.right.as_ref().map(|r| r == self.choice);
        if judged == self.right { None } else { found("it is kept as right or wrong against its own order") }
    }
}

/// The same in words.
pub(crate) fn opening_told(test: &TestId, number: u32, opening: &Opening<'_>) -> Option<String> {
    opening.problem(test, number).as_ref().map(told)
}
