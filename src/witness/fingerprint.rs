//! A short line to publish before the first and after the last trial: in a post, a video's description, a message to the band. Whoever has
//! it can tell later whether the chain that is shown is the one that was.

use crate::model::explain::{Explain, Fate};

/// Digits of a head that are published: 80 bits, beyond anybody's means to meet a second time on purpose.
pub const DIGITS: usize = 20;

/// Fewest digits that say anything: 48 bits.
pub const FEWEST: usize = 12;

/// The first digits of a head.
#[must_use]
pub fn short(head: &str) -> &str {
    head.get(..DIGITS).unwrap_or(head)
}

/// The line: what a sceptic can copy out of a video's description, and `audit --published` takes whole or its digits alone.
#[must_use]
pub fn line(session: &str, test: &str, head: &str) -> String {
    format!("cabjury {session} {test} {}", short(head))
}

/// A text that is not a fingerprint.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{given:?} is not a fingerprint: {FEWEST} to 64 hexadecimal digits are needed")]
pub struct NotAFingerprint {
    /// What was given.
    pub given: String,
}

impl Explain for NotAFingerprint {
    fn kind(&self) -> &'static str {
        "not-a-fingerprint"
    }
    fn next(&self) -> String {
        "copy the digits of the line that was published, or the whole line in quotes".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::WrongUse
    }
}

/// The digits of a published line, or of digits alone; case does not matter.
///
/// # Errors
/// [`NotAFingerprint`] for anything else.
pub fn digits(text: &str) -> Result<String, NotAFingerprint> {
    let last = text.split_whitespace().last().unwrap_or_default().to_ascii_lowercase();
    let fits = (FEWEST..=64).contains(&last.len()) && last.bytes().all(|b| b.is_ascii_hexdigit());
    if fits { Ok(last) } else { Err(NotAFingerprint { given: text.to_owned() }) }
}

/// Looks for published digits among the heads of a chain: the number of the entry after which the chain had that head.
#[must_use]
pub fn find<'a>(digits: &str, heads: impl IntoIterator<Item = (i64, &'a str)>) -> Option<i64> {
    heads.into_iter().find(|(_, head)| head.starts_with(digits)).map(|(seq, _)| seq)
}
