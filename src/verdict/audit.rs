//! `audit`: verifies hashes, chain, seals and commitments, and recomputes every verdict.

use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::trial::{OrderRecord, SealedTest, TrialRecord, TrialState};
use crate::sound::read::hash_file;
use crate::store::Session;
use crate::trial::{canonical_order, opens, seal};
use crate::verdict::score;
use serde::Serialize;
use std::path::Path;

/// A problem and where it is.
#[derive(Debug, Clone, Serialize, PartialEq, Eq)]
pub struct Problem {
    /// The record or file.
    #[serde(rename = "where")]
    pub place: String,
    /// What is wrong.
    pub what: String,
}

/// A verdict as it was recomputed.
#[derive(Debug, Clone, Serialize)]
pub struct VerdictDoc {
    /// The test.
    pub test: String,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The sentence.
    pub sentence: String,
}

/// The document of `audit`.
#[derive(Debug, Clone, Serialize)]
pub struct AuditDoc {
    /// True when nothing is wrong.
    pub ok: bool,
    /// Entries of the log.
    pub records: u64,
    /// Hash of its last entry.
    pub head_sha256: String,
    /// Commitments of void trials: they stay unopened, which is no problem.
    pub void_trials: u64,
    /// Recordings and clips that could not be looked at: this copy was shared without them.
    pub unverified_files: u64,
    /// Verdicts of closed tests, recomputed.
    pub verdicts: Vec<VerdictDoc>,
    /// What is wrong.
    pub problems: Vec<Problem>,
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

fn sealed_problems(test: &SealedTest) -> Vec<Problem> {
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

fn commitment_problem(trial: &TrialRecord) -> Option<Problem> {
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

/// Looks at every file; returns how many are not there because this copy was shared without them.
fn file_problems(session: &Session, out: &mut Vec<Problem>) -> Result<u64, Failure> {
    let (with_audio, mut left_out) = (session.has_audio(), 0);
    let mut check = |place: String, relative: &str, wanted: &str| match hash_file(&session.absolute(relative)) {
        Ok(found) if found.as_str() == wanted => {}
        Ok(_) => out.push(Problem { place, what: format!("{relative} has other bytes than were recorded") }),
        Err(_) if !with_audio && !session.absolute(relative).exists() => left_out += 1,
        Err(e) => out.push(Problem { place, what: e.to_string() }),
    };
    for take in session.takes()? {
        check(take.id.to_string(), &take.path, take.sha256.as_str());
    }
    for clip in session.clips()? {
        check(clip.id.to_string(), &clip.path, clip.sha256.as_str());
    }
    Ok(left_out)
}

/// Keys of blind montages that do not open what their captions committed to, or that were changed after they were revealed.
fn montage_problems(session: &Session, out: &mut Vec<Problem>) -> Result<(), Failure> {
    for montage in session.montages()? {
        let key = session.montage_key(&montage.id)?;
        if let Err(error) = super::montage_key::drawn(&montage, &key) {
            out.push(Problem { place: montage.id.to_string(), what: error.to_string() });
        }
        if montage.revealed.as_ref().is_some_and(|r| r.nonce != key.nonce || r.key_text != key.text) {
            out.push(Problem {
                place: montage.id.to_string(),
                what: "the key that was revealed is not the one that is kept".to_owned(),
            });
        }
    }
    Ok(())
}

/// Seals, contexts of seals, and commitments. Returns the number of void trials.
fn sealed_and_committed(session: &Session, out: &mut Vec<Problem>) -> Result<u64, Failure> {
    let mut void_trials = 0;
    for test in session.tests()? {
        out.extend(sealed_problems(&test));
        session.each_trial(&test.plan.test, &mut |trial| {
            void_trials += u64::from(matches!(trial.state, TrialState::Void { .. }));
            out.extend(commitment_problem(&trial));
        })?;
    }
    Ok(void_trials)
}

/// Verifies a session.
///
/// # Errors
/// The session cannot be read at all; everything else is a problem in the document.
pub fn audit(folder: &Path) -> Result<AuditDoc, Failure> {
    let session = Session::open_read(folder)?;
    let chain = session.chain()?;
    let mut problems: Vec<Problem> =
        chain.breaks.iter().map(|(seq, what)| Problem { place: format!("log entry {seq}"), what: what.clone() }).collect();
    problems.extend(session.misfits()?.into_iter().map(|m| Problem { place: m.place, what: m.what }));
    let unverified_files = file_problems(&session, &mut problems)?;
    montage_problems(&session, &mut problems)?;
    let void_trials = sealed_and_committed(&session, &mut problems)?;
    let verdicts = score::score_session(&session)?
        .into_iter()
        .filter_map(|t| t.result.map(|r| VerdictDoc { test: t.test, verdict: r.verdict, sentence: r.sentence }))
        .collect();
    Ok(AuditDoc {
        ok: problems.is_empty(),
        records: chain.records,
        head_sha256: chain.head,
        void_trials,
        unverified_files,
        verdicts,
        problems,
    })
}
