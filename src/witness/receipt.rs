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

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Sha256Hex {
        Sha256Hex::of(text.as_bytes())
    }

    fn receipt() -> Receipt {
        let trial = |name: &str| ReceiptTrial {
            trial: name.to_owned(),
            commitment_sha256: of(&format!("commitment {name}")),
            head_sha256: of(&format!("head {name}")),
            at: Timestamp::from_second(1_000).unwrap(),
        };
        Receipt {
            format: FORMAT.to_owned(),
            session_id: "5e55".to_owned(),
            test: "test-1".to_owned(),
            listener_sha256: Some(of("code")),
            trials: vec![trial("one"), trial("two")],
        }
    }

    fn log() -> HashMap<String, Recorded> {
        let recorded = |name: &str| Recorded {
            test: "test-1".to_owned(),
            listener_sha256: of("code"),
            commitment: of(&format!("commitment {name}")).to_string(),
            head: of(&format!("head {name}")).to_string(),
        };
        ["one", "two"].into_iter().map(|n| (n.to_owned(), recorded(n))).collect()
    }

    #[test]
    fn a_receipt_fits_its_log_and_comes_back_from_its_text() {
        let text = serde_json::to_string(&receipt()).unwrap();
        assert_eq!(read(&text).unwrap(), [receipt()]);
        assert!(misfits(&receipt(), "5e55", &log()).is_empty());
    }

    #[test]
    fn single_picks_are_put_together_by_session_test_and_listener() {
        let pick = |name: &str, test: &str| {
            let mut value = serde_json::to_value(&receipt().trials[usize::from(name == "two")]).unwrap();
            value["session_id"] = "5e55".into();
            value["test"] = test.into();
            value["listener_sha256"] = of("code").to_string().into();
            value
        };
        let (one, two) = (pick("one", "test-1"), pick("two", "test-1"));
        for whole in [
            serde_json::json!([one, two]),
            serde_json::json!({ "done": 2, "receipts": [one, two] }),
            serde_json::json!([{ "phase": "ready", "receipt": one }, { "phase": "done", "receipt": two }]),
        ] {
            assert_eq!(read(&whole.to_string()).unwrap(), [receipt()]);
        }
        let found = read(&serde_json::json!([one, pick("two", "test-2"), receipt()]).to_string()).unwrap();
        assert_eq!(
            found.iter().map(|r| (r.test.as_str(), r.trials.len())).collect::<Vec<_>>(),
            [("test-1", 1), ("test-2", 1), ("test-1", 2)]
        );
        let mut unsaid = one.clone();
        unsaid.as_object_mut().unwrap().remove("listener_sha256");
        let found = read(&unsaid.to_string()).unwrap();
        assert_eq!(found[0].listener_sha256, None);
        assert!(misfits(&found[0], "5e55", &log()).is_empty());
    }

    #[test]
    fn every_kind_of_misfit_is_reached_and_named() {
        let mut seen = Vec::new();
        let mut hold = |receipt: &Receipt, log: &HashMap<String, Recorded>| {
            let found = misfits(receipt, "5e55", log);
            assert_eq!(found.len(), 1, "{found:?}");
            seen.push(found[0].what);
        };
        let other = |change: &dyn Fn(&mut Recorded)| {
            let mut log = log();
            change(log.get_mut("two").unwrap());
            log
        };
        hold(&Receipt { session_id: "0ther".to_owned(), ..receipt() }, &log());
        let mut without = log();
        without.remove("one");
        hold(&receipt(), &without);
        hold(&receipt(), &other(&|r| r.test = "test-2".to_owned()));
        hold(&receipt(), &other(&|r| r.listener_sha256 = of("another code")));
        hold(&receipt(), &other(&|r| r.commitment = of("x").to_string()));
        hold(&receipt(), &other(&|r| r.head = of("x").to_string()));
        assert_eq!(seen, MisfitKind::ALL);
        let texts: std::collections::HashSet<String> = seen.iter().map(ToString::to_string).collect();
        assert_eq!(texts.len(), seen.len());
    }

    #[test]
    fn what_is_no_receipt_is_refused_in_words() {
        let newer = serde_json::to_string(&Receipt { format: "cabjury receipt 2".to_owned(), ..receipt() }).unwrap();
        let empty = serde_json::to_string(&Receipt { trials: Vec::new(), ..receipt() }).unwrap();
        for (text, kind) in [
            ("{}", "not-a-receipt"),
            ("[", "not-a-receipt"),
            ("[]", "not-a-receipt"),
            ("{\"format\":1}", "not-a-receipt"),
            ("{\"trial\":\"one\"}", "not-a-receipt"),
            (&newer, "newer-receipt"),
            (&empty, "not-a-receipt"),
        ] {
            let error = read(text).unwrap_err();
            assert_eq!(error.kind(), kind);
            assert_eq!(error.fate(), Fate::Unfit);
            assert!(!error.next().is_empty());
        }
    }
}
