//! What a listener may see of a trial, how far they are, and what closes a test.

use crate::model::failure::Failure;
use crate::model::ids::{TestId, TrialId};
use crate::store::Session;

/// A trial as a listener may see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenTrial {
    /// Its id.
    pub id: TrialId,
    /// The number that the listener sees, from 1.
    pub number: u32,
    /// The commitment, hexadecimal.
    pub commitment: String,
    /// The slots' labels.
    pub labels: Vec<String>,
    /// What may be picked.
    pub choices: Vec<String>,
}

/// How far a listener is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// Trials of this listener, controls included; none when no end is set.
    pub planned: Option<u32>,
    /// Answered ones.
    pub done: u32,
    /// The test is closed.
    pub closed: bool,
}

impl Standing {
    /// Nothing is left to answer.
    #[must_use]
    pub fn through(self) -> bool {
        self.closed || self.planned.is_some_and(|p| self.done >= p)
    }
}

/// What closes a test: a room above freezes its result with it.
pub type Closing = fn(&mut Session, &TestId, jiff::Timestamp) -> Result<(), Failure>;

/// Closes a test without a result.
///
/// # Errors
/// It is closed already; the store cannot be written.
pub fn close_only(session: &mut Session, test: &TestId, now: jiff::Timestamp) -> Result<(), Failure> {
    Ok(session.close_test(test, now)?)
}
