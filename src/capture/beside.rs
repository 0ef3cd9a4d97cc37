//! Long work beside a session that others write to: it looks with a reader, may be stopped, and keeps its result in one short write, if what
//! it looked at is still so.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use crate::model::session::Take;
use crate::store::Session;

/// Ends work that the engineer gave up. Whoever asks has to leave nothing behind.
///
/// # Errors
/// It was stopped.
pub fn go_on(progress: &dyn Progress) -> Result<(), Failure> {
    if progress.stopped() {
        return Err(Failure::plain(
            "stopped",
            Fate::Refused,
            "it was stopped; nothing of it was kept",
            "start it again when there is time",
        ));
    }
    Ok(())
}

/// The refusal to keep what was made of other takes than those that are there now.
#[must_use]
pub fn changed_meanwhile() -> Failure {
    let message = "the session was changed while this was under way; nothing of it was kept";
    Failure::plain("changed-meanwhile", Fate::Refused, message, "start it again")
}

/// The takes are still those that were looked at.
///
/// # Errors
/// They are not; they cannot be read.
pub fn unchanged(session: &Session, known: &[Take]) -> Result<(), Failure> {
    if session.takes()? == known { Ok(()) } else { Err(changed_meanwhile()) }
}
