//! What a listener takes home from every pick: with it they can later show that the session that is shown is the one they answered in.

use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId, TrialId};
use crate::model::trial::{Answer, TrialRecord, TrialState};
use crate::sound::write::write_new;
use crate::store::Session;
use crate::witness::fingerprint;
use crate::witness::receipt::{FORMAT, Receipt as Whole, ReceiptTrial};
use jiff::Timestamp;
use serde::Serialize;
use std::path::Path;

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
    pub head_sha256: Sha256Hex,
    /// When the pick was saved.
    pub at: Timestamp,
    /// Whose it is: [`listener_sha256`].
    pub listener_sha256: Sha256Hex,
}

/// A listener without their code: SHA-256 over the session's id, a line feed and the code.
#[must_use]
pub fn listener_sha256(session_id: &str, listener: &ListenerCode) -> Sha256Hex {
    Sha256Hex::of(format!("{session_id}\n{listener}").as_bytes())
}

/// What the receipt of an audience's visitor has in place of a chain's head: SHA-256 over the trial, its commitment, the answer and its time.
#[must_use]
pub fn pick_sha256(trial: &TrialId, commitment: &Sha256Hex, answer: &Answer, at: Timestamp) -> Sha256Hex {
    let answer = serde_json::to_string(answer).unwrap_or_default();
    Sha256Hex::of(format!("cabjury visitor's pick 1\n{trial}\n{commitment}\n{answer}\n{at}").as_bytes())
}

impl Receipt {
    /// The receipt of an answered trial: the same one however often it is asked for, for the head is the hash of the pick's own entry.
    ///
    /// # Errors
    /// The trial was not answered, or the log does not know its pick.
    pub(super) fn of(session: &Session, trial: &TrialRecord) -> Result<Self, Failure> {
        let TrialState::Answered { at, .. } = &trial.state else { return Err(unknown(&trial.id)) };
        let head = session.head_after("pick", trial.id.as_str())?;
        let session_id = session.id()?.to_string();
        Ok(Self {
            listener_sha256: listener_sha256(&session_id, &trial.listener),
            session_id,
            test: trial.test.clone(),
            trial: trial.id.clone(),
            commitment_sha256: trial.commitment.clone(),
            head_sha256: head.and_then(|h| Sha256Hex::parse(&h).ok()).ok_or_else(|| unknown(&trial.id))?,
            at: *at,
        })
    }
}

fn unknown(trial: &TrialId) -> Failure {
    let message = format!("the log does not know a pick of trial {trial}");
    Failure::plain("no-receipt", Fate::Unfit, message, "audit the session: cabjury audit")
}

/// The receipts of one listener's picks as the one that is kept; nothing without a pick.
#[must_use]
pub fn whole(receipts: &[Receipt]) -> Option<Whole> {
    let first = receipts.first()?;
    let trial = |r: &Receipt| ReceiptTrial {
        trial: r.trial.to_string(),
        commitment_sha256: r.commitment_sha256.clone(),
        head_sha256: r.head_sha256.clone(),
        at: r.at,
    };
    Some(Whole {
        format: FORMAT.to_owned(),
        session_id: first.session_id.clone(),
        test: first.test.to_string(),
        listener_sha256: Some(first.listener_sha256.clone()),
        trials: receipts.iter().map(trial).collect(),
    })
}

/// The head after the last pick as a line that fits into a message or a picture; nothing without a pick.
#[must_use]
pub fn line(receipts: &[Receipt]) -> Option<String> {
    receipts.last().map(|r| fingerprint::line(&r.session_id, r.test.as_str(), r.head_sha256.as_str()))
}

/// Saves them as a file that is not there yet.
///
/// # Errors
/// Something has that name; it cannot be written.
pub fn save(path: &Path, receipts: &[Receipt]) -> Result<(), Failure> {
    let text = whole(receipts).map(|w| serde_json::to_string_pretty(&w)).transpose().unwrap_or_default().unwrap_or_default();
    Ok(write_new(path, format!("{text}\n").as_bytes())?)
}
