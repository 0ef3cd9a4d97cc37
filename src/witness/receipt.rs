//! A listener's receipt: what they keep of their own trials, outside of the engineer's folder. It tells nothing of any order. With it they
//! can show later that the log which is presented is the one that their picks went into.

use crate::model::digest::Sha256Hex;
use crate::model::explain::{Explain, Fate};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::HashMap;

/// What stands first in every receipt.
pub const FORMAT: &str = "cabjury receipt 1";

/// Most trials of one receipt.
pub const MOST: usize = 10_000;

/// One trial of a receipt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiptTrial {
    /// The trial.
    pub trial: String,
    /// Its commitment, as it was sent before the first sound.
    pub commitment_sha256: Sha256Hex,
    /// Head of the chain after the pick.
    pub head_sha256: Sha256Hex,
    /// When the pick was acknowledged, by the session's clock.
    pub at: Timestamp,
}

/// What a listener keeps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// [`FORMAT`].
    pub format: String,
    /// The session.
    pub session_id: String,
    /// The test.
    pub test: String,
    /// SHA-256 over the session's id, a line feed and the listener's code; nothing where the receipt was put together from single picks that
    /// do not say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub listener_sha256: Option<Sha256Hex>,
    /// Every answered trial, in order.
    pub trials: Vec<ReceiptTrial>,
}

/// A file that is not a receipt.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReceiptError {
    /// Not one that this program can read.
    #[error("this is not a receipt: {what}")]
    NotAReceipt {
        /// What was found.
        what: String,
    },
    /// A receipt of a newer program.
    #[error("this receipt says {format:?}, and {FORMAT:?} is what is known here")]
    OtherFormat {
        /// What it says.
        format: String,
    },
}

impl Explain for ReceiptError {
    fn kind(&self) -> &'static str {
        match self {
            Self::NotAReceipt { .. } => "not-a-receipt",
            Self::OtherFormat { .. } => "newer-receipt",
        }
    }
    fn next(&self) -> String {
        match self {
            Self::NotAReceipt { .. } => "give the file that the listening page or the player saved for the listener",
            Self::OtherFormat { .. } => "use the program that wrote it, or a newer one",
        }
        .to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
}

/// The receipt of a single pick, as the listening page's answers have it.
#[derive(Deserialize)]
struct Single {
    session_id: String,
    test: String,
    trial: String,
    commitment_sha256: Sha256Hex,
    head_sha256: Sha256Hex,
    at: Timestamp,
    #[serde(default)]
    listener_sha256: Option<Sha256Hex>,
}

fn not(what: impl Into<String>) -> ReceiptError {
    ReceiptError::NotAReceipt { what: what.into() }
}

fn as_a<T: serde::de::DeserializeOwned>(value: &Value) -> Result<T, ReceiptError> {
    T::deserialize(value).map_err(|e| not(e.to_string()))
}

/// Gathers what a file holds: a receipt, the receipt of a pick, a pick's whole answer, or a list of any of them.
fn gather(value: &Value, found: &mut Vec<Receipt>) -> Result<(), ReceiptError> {
    if let Value::Array(all) = value {
        return all.iter().try_for_each(|one| gather(one, found));
    }
    match value.get("format").map(Value::as_str) {
        Some(Some(FORMAT)) => {
            found.push(as_a(value)?);
            return Ok(());
        }
        Some(Some(other)) => return Err(ReceiptError::OtherFormat { format: other.chars().take(80).collect() }),
        Some(None) => return Err(not("its format is not a text")),
        None => {}
    }
    if let Some(inner) = value.get("receipts").or_else(|| value.get("receipt")) {
        return gather(inner, found);
    }
    if value.get("trial").is_none() {
        return Err(not("it says neither its format nor a trial"));
    }
    let one: Single = as_a(value)?;
    let trial =
        ReceiptTrial { trial: one.trial, commitment_sha256: one.commitment_sha256, head_sha256: one.head_sha256, at: one.at };
    let same =
        |r: &&mut Receipt| r.session_id == one.session_id && r.test == one.test && r.listener_sha256 == one.listener_sha256;
    match found.iter_mut().find(same) {
        Some(receipt) => receipt.trials.push(trial),
        None => found.push(Receipt {
            format: FORMAT.to_owned(),
            session_id: one.session_id,
            test: one.test,
            listener_sha256: one.listener_sha256,
            trials: vec![trial],
        }),
    }
    Ok(())
}

/// Reads a file's receipts: one as it is saved for a listener, or the receipts of single picks, alone or in a list.
///
/// # Errors
/// [`ReceiptError`]: no JSON, another format, too many trials, none.
pub fn read(text: &str) -> Result<Vec<Receipt>, ReceiptError> {
    let value: Value = serde_json::from_str(text.trim_start_matches('\u{feff}')).map_err(|e| not(e.to_string()))?;
    let mut found = Vec::new();
    gather(&value, &mut found)?;
    let trials: usize = found.iter().map(|r| r.trials.len()).sum();
    if found.iter().any(|r| r.trials.is_empty()) || trials == 0 {
        return Err(not("it holds no trial"));
    }
    if trials > MOST {
        return Err(not(format!("it holds {trials} trials, {MOST} at most are read")));
    }
    Ok(found)
}

/// An answered trial as the log has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Its test.
    pub test: String,
    /// SHA-256 over its listener's code, as receipts have it.
    pub listener_sha256: Sha256Hex,
    /// Its commitment.
    pub commitment: String,
    /// Head of the chain after its pick.
    pub head: String,
}

/// Where a receipt and the log part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// The trial, or nothing where it is the whole receipt.
    pub trial: Option<String>,
    /// What does not fit.
    pub what: MisfitKind,
}

/// What does not fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MisfitKind {
    /// It is of another session.
    OtherSession,
    /// The log has no such answered trial.
    NoSuchTrial,
    /// The trial is of another test.
    OtherTest,
    /// The trial is another listener's.
    OtherListener,
    /// The commitment is another one.
    OtherCommitment,
    /// The chain had another head after the pick: the log was written anew, or this is another copy of the session.
    OtherHead,
}

impl MisfitKind {
    /// All kinds.
    pub const ALL: [Self; 6] =
        [Self::OtherSession, Self::NoSuchTrial, Self::OtherTest, Self::OtherListener, Self::OtherCommitment, Self::OtherHead];
}

impl std::fmt::Display for MisfitKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::OtherSession => "the receipt is of another session",
            Self::NoSuchTrial => "the listener holds a receipt for a pick that the log does not have",
            Self::OtherTest => "the receipt says another test",
            Self::OtherListener => "the log has it as another listener's",
            Self::OtherCommitment => "the commitment that the listener was given is another one",
            Self::OtherHead => {
                "the chain had another head after this pick: the log was written anew, or this is another copy of the session"
            }
        })
    }
}

/// Holds a receipt against the log: every place where they part.
#[must_use]
pub fn misfits(receipt: &Receipt, session_id: &str, recorded: &HashMap<String, Recorded>) -> Vec<Misfit> {
    if receipt.session_id != session_id {
        return vec![Misfit { trial: None, what: MisfitKind::OtherSession }];
    }
    let kind = |kept: &ReceiptTrial| {
        let Some(known) = recorded.get(&kept.trial) else { return Some(MisfitKind::NoSuchTrial) };
        if known.test != receipt.test {
            Some(MisfitKind::OtherTest)
        } else if receipt.listener_sha256.as_ref().is_some_and(|l| *l != known.listener_sha256) {
            Some(MisfitKind::OtherListener)
        } else if known.commitment != kept.commitment_sha256.as_str() {
            Some(MisfitKind::OtherCommitment)
        } else if known.head != kept.head_sha256.as_str() {
            Some(MisfitKind::OtherHead)
        } else {
            None
        }
    };
    let misfit = |kept: &ReceiptTrial| kind(kept).map(|what| Misfit { trial: Some(kept.trial.clone()), what });
    receipt.trials.iter().filter_map(misfit).collect()
}
