//! An order that cannot be shown before its pick.
//!
//! [`Hidden`] has no `Debug`, no `Display`, no `Serialize` and no `Clone`. Only the player may ask which clip sounds in a slot, and only a
//! pick opens it, which consumes it. Whenever it goes, its memory is overwritten.
//!
//! ```compile_fail
//! fn shown(order: &cabjury::trial::Hidden) -> String {
//!     format!("{order:?}")
//! }
//! ```
//!
//! ```compile_fail
//! fn stored(order: &cabjury::trial::Hidden) -> String {
//!     serde_json::to_string(order).unwrap()
//! }
//! ```
//!
//! ```compile_fail
//! fn doubled(order: &cabjury::trial::Hidden) -> cabjury::trial::Hidden {
//!     order.clone()
//! }
//! ```

use crate::model::digest::{Sha256Hex, hex, is_hex_of, unhex_into};
use crate::model::explain::{Explain, Fate};
use crate::model::ids::ClipId;
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Method, OrderRecord};
use sha2::{Digest, Sha256};
use std::mem::take;
use zeroize::Zeroize;

/// What stands in front of nonce and order when a commitment is hashed.
pub const TAG: &str = "cabjury order 1\n";

/// A pick that cannot be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    /// Not one of the trial's choices.
    #[error("{given:?} is not one of the choices: {}", choices.join(", "))]
    NotAChoice {
        /// What was given.
        given: String,
        /// What may be given.
        choices: Vec<String>,
    },
    /// Ratings that are not complete or out of range.
    #[error("the ratings {given:?} need one number from 0 to 100 for each of {}", choices.join(", "))]
    Ratings {
        /// What was given.
        given: String,
        /// The samples to rate.
        choices: Vec<String>,
    },
    /// Confidence out of range.
    #[error("a confidence of {given} is not within 0 to 100")]
    Confidence {
        /// What was given.
        given: u8,
    },
}

impl Explain for AnswerError {
    fn kind(&self) -> &'static str {
        "not-a-choice"
    }
    fn next(&self) -> String {
        "pick one of the choices that are shown".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::WrongUse
    }
}

/// A hidden order with its nonce.
pub struct Hidden {
    method: Method,
    choices: Vec<String>,
    order: OrderRecord,
    nonce: [u8; 32],
}

/// An order after its pick: no secret any more.
#[derive(Debug, Clone, PartialEq)]
pub struct Opened {
    /// The order.
    pub order: OrderRecord,
    /// The nonce, hexadecimal.
    pub nonce: String,
    /// Right or wrong; nothing where there is no right answer.
    pub right: Option<bool>,
}

/// The canonical text of an order: its JSON, fields in the order of the record.
#[must_use]
pub fn canonical_order(order: &OrderRecord) -> String {
    serde_json::to_string(order).unwrap_or_default()
}

/// SHA-256(tag || nonce || canonical order): what is written when a trial opens.
#[must_use]
pub fn commitment_of(nonce: &[u8], order: &OrderRecord) -> Sha256Hex {
    Sha256Hex::from_bytes(&committed(nonce, &canonical_order(order)))
}

fn committed(nonce: &[u8], canonical: &str) -> [u8; 32] {
    Sha256::new().chain_update(TAG).chain_update(nonce).chain_update(canonical).finalize().into()
}

/// True when a nonce of 32 bytes and an order, as its canonical text, open a commitment. Both hexadecimal.
#[must_use]
pub fn opens(commitment: &str, nonce: &str, canonical: &str) -> bool {
    let mut bytes = [0; 32];
    unhex_into(nonce.as_bytes(), &mut bytes) && is_hex_of(commitment.as_bytes(), &committed(&bytes, canonical))
}

impl Hidden {
    pub(super) fn new(method: Method, choices: Vec<String>, order: OrderRecord, random: &mut dyn RandomWords) -> Self {
        let mut nonce = [0; 32];
        for part in nonce.chunks_exact_mut(8) {
            part.copy_from_slice(&random.next_word().to_le_bytes());
        }
        Self { method, choices, order, nonce }
    }

    /// For `locked`: what has to travel, to be encrypted at once.
    #[cfg(feature = "hall")]
    pub(super) fn parts(&self) -> (&OrderRecord, &[u8; 32]) {
        (&self.order, &self.nonce)
    }

    /// For `locked`: an order that has travelled.
    #[cfg(feature = "hall")]
    pub(super) fn again(method: Method, choices: Vec<String>, order: OrderRecord, nonce: [u8; 32]) -> Self {
        Self { method, choices, order, nonce }
    }

    /// The commitment to write down before the first sound.
    #[must_use]
    pub fn commitment(&self) -> Sha256Hex {
        commitment_of(&self.nonce, &self.order)
    }

    /// The slots' labels.
    #[must_use]
    pub fn labels(&self) -> Vec<String> {
        self.order.slots.iter().map(|s| s.label.clone()).collect()
    }

    /// What may be picked.
    #[must_use]
    pub fn choices(&self) -> &[String] {
        &self.choices
    }

    /// Which clip sounds in a slot, and whether it is to be low-passed into an anchor. For the player, and for nobody else.
    #[must_use]
    pub fn for_the_player(&self, label: &str) -> Option<(&ClipId, bool)> {
        self.order.slots.iter().find(|s| s.label == label).map(|s| (&s.clip, s.anchor))
    }

    /// Whether a slot's clip is to be raised by the plan's known difference. For the player, and for nobody else.
    #[must_use]
    pub fn raised_for_the_player(&self, label: &str) -> bool {
        self.order.slots.iter().any(|s| s.label == label && s.raised)
    }

    /// Checks that an answer could be taken, without opening anything.
    ///
    /// # Errors
    /// [`AnswerError`].
    pub fn check(&self, answer: &Answer) -> Result<(), AnswerError> {
        if let Some(given) = answer.confidence.filter(|c| *c > 100) {
            return Err(AnswerError::Confidence { given });
        }
        if self.method == Method::Graded {
            let rated = ratings(&answer.choice).unwrap_or_default();
            let complete = rated.len() == self.choices.len() && self.choices.iter().all(|c| rated.iter().any(|(l, _)| l == c));
            return if complete {
                Ok(())
            } else {
                Err(AnswerError::Ratings { given: answer.choice.clone(), choices: self.choices.clone() })
            };
        }
        if self.choices.contains(&answer.choice) {
            Ok(())
        } else {
            Err(AnswerError::NotAChoice { given: answer.choice.clone(), choices: self.choices.clone() })
        }
    }

    /// A pick opens the order.
    #[must_use]
    pub fn open(mut self, answer: &Answer) -> Opened {
        let nonce = hex(&self.nonce);
        let right = self.order.right.as_ref().map(|right| *right == answer.choice);
        let order = OrderRecord { kind: self.order.kind, slots: take(&mut self.order.slots), right: take(&mut self.order.right) };
        Opened { order, nonce, right }
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        self.nonce.zeroize();
        wipe(&mut self.order);
    }
}

/// Overwrites the memory of an order, and leaves an empty one.
pub fn wipe(order: &mut OrderRecord) {
    for slot in &mut order.slots {
        slot.anchor.zeroize();
        slot.raised.zeroize();
        slot.label.zeroize();
    }
    for slot in order.slots.drain(..) {
        String::from(slot.clip).zeroize();
    }
    order.right.zeroize();
}

/// Ratings out of `1=80,2=55`: label and 0 to 100.
#[must_use]
pub fn ratings(choice: &str) -> Option<Vec<(String, u8)>> {
    choice
        .split(',')
        .map(|part| {
            let (label, value) = part.split_once('=')?;
            let value: u8 = value.trim().parse().ok().filter(|v| *v <= 100)?;
            Some((label.trim().to_owned(), value))
        })
        .collect()
}
