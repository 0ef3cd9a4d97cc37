//! Recordings that are examined and copied, and wait for one short write to become takes.

use crate::capture::beside::unchanged;
use crate::capture::recording::{IntakeDoc, TakeDoc};
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::Clock;
use crate::model::session::Take;
use crate::store::Session;

/// What is to become of them. A copy that becomes no take stays in `takes/` under the hash of its bytes, and is used when the same recording
/// comes again.
#[derive(Debug)]
pub struct Ready {
    /// The takes that the session had when they were examined.
    pub(super) known: Vec<Take>,
    pub(super) takes: Vec<Take>,
    /// The DI that gives way to the new one.
    pub(super) replaces: Option<TakeId>,
    pub(super) already: Vec<String>,
    pub(super) warnings: Vec<String>,
}

impl Ready {
    /// Makes them takes.
    ///
    /// # Errors
    /// The takes have changed meanwhile; the session cannot be written.
    pub fn keep(self, session: &mut Session, clock: &dyn Clock) -> Result<IntakeDoc, Failure> {
        unchanged(session, &self.known)?;
        if let Some(old) = &self.replaces {
            session.drop_di(old, clock.now())?;
        }
        if !self.takes.is_empty() {
            session.add_takes(&self.takes, clock.now())?;
        }
        Ok(IntakeDoc { takes: self.takes.iter().map(TakeDoc::from).collect(), already: self.already, warnings: self.warnings })
    }
}
