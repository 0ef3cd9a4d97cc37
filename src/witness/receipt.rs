//! A listener's receipt: what they keep of their own trials, outside of the engineer's folder. It tells nothing of any order. With it they
//! can show later that the log which is presented is the one that their picks went into.

use crate::model::digest::Sha256Hex;
use crate::model::explain::{Explain, Fate};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
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
    /// SHA-256 of the listener's code: who has the code can show that it is theirs, nobody else can use it.
    pub listener_sha256: Sha256Hex,
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

impl Receipt {
    /// Reads one.
    ///
    /// # Errors
    /// [`ReceiptError`]: no JSON, another format, too many trials, none.
    pub fn read(text: &str) -> Result<Self, ReceiptError> {
        let not = |what: String| ReceiptError::NotAReceipt { what };
        let value: serde_json::Value = serde_json::from_str(text).map_err(|e| not(e.to_string()))?;
        match value.get("format").and_then(serde_json::Value::as_str) {
            Some(FORMAT) => {}
            Some(other) => return Err(ReceiptError::OtherFormat { format: other.chars().take(80).collect() }),
            None => return Err(not("it does not say its format".to_owned())),
        }
        let receipt: Self = serde_json::from_value(value).map_err(|e| not(e.to_string()))?;
        match receipt.trials.len() {
            0 => Err(not("it holds no trial".to_owned())),
            1..=MOST => Ok(receipt),
            n => Err(not(format!("it holds {n} trials, {MOST} at most are read"))),
        }
    }
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
        } else if known.listener_sha256 != receipt.listener_sha256 {
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
            listener_sha256: of("code"),
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
        assert_eq!(Receipt::read(&text).unwrap(), receipt());
        assert!(misfits(&receipt(), "5e55", &log()).is_empty());
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
        for (text, kind) in
            [("{}", "not-a-receipt"), ("[", "not-a-receipt"), (&newer, "newer-receipt"), (&empty, "not-a-receipt")]
        {
            let error = Receipt::read(text).unwrap_err();
            assert_eq!(error.kind(), kind);
            assert_eq!(error.fate(), Fate::Unfit);
            assert!(!error.next().is_empty());
        }
    }
}
