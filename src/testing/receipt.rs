//! What a listener takes home from every pick: with it they can later show that the session that is shown is the one they answered in.

use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{TestId, TrialId};
use crate::model::trial::{TrialRecord, TrialState};
use crate::store::Session;
use jiff::Timestamp;
use serde::Serialize;

/// A receipt of one pick. It tells nothing of the order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Receipt {
    /// The session's id.
    pub session_id: String,
    /// The test.
    pub test: TestId,
    /// The trial.
    pub trial: TrialId,
    /// What was committed to before the first sound.
    pub commitment_sha256: Sha256Hex,
    /// Head of the log's chain after the pick.
    pub head_sha256: String,
    /// When the pick was saved.
    pub at: Timestamp,
}

impl Receipt {
    /// The receipt of an answered trial: the same one however often it is asked for, for the head is the hash of the pick's own entry.
    ///
    /// # Errors
    /// The trial was not answered, or the log does not know its pick.
    pub(super) fn of(session: &Session, trial: &TrialRecord) -> Result<Self, Failure> {
        let TrialState::Answered { at, .. } = &trial.state else { return Err(unknown(&trial.id)) };
        let head = session.head_after("pick", trial.id.as_str())?;
        Ok(Self {
            session_id: session.id()?.to_string(),
            test: trial.test.clone(),
            trial: trial.id.clone(),
            commitment_sha256: trial.commitment.clone(),
            head_sha256: head.ok_or_else(|| unknown(&trial.id))?,
            at: *at,
        })
    }
}

fn unknown(trial: &TrialId) -> Failure {
    let message = format!("the log does not know a pick of trial {trial}");
    Failure::plain("no-receipt", Fate::Unfit, message, "audit the session: cabjury audit")
}
