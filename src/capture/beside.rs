//! Long work beside a session that others write to: it looks with a reader, may be stopped, and keeps its result in one short write, if what
//! it looked at is still so.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::{Clock, Progress};
use crate::model::session::Take;
use crate::store::Session;
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;

/// One short change of a session.
pub type Change = Box<dyn FnOnce(&mut Session) -> Result<(), Failure> + Send>;

/// The way to a session for work that lasts and must not keep others from it: it looks with readers of its own, and whoever has the session
/// makes its changes, one short one at a time.
pub trait Way {
    /// The session's folder.
    fn folder(&self) -> &Path;

    /// Makes a change and waits until it is on the disk.
    ///
    /// # Errors
    /// Those of the change; the session cannot be had.
    fn change(&self, change: Change) -> Result<(), Failure>;
}

/// The way of a command, which opens the session for each change.
pub struct Directly<'a> {
    folder: PathBuf,
    clock: &'a dyn Clock,
}

impl<'a> Directly<'a> {
    /// The way to a folder's session.
    #[must_use]
    pub fn to(folder: &Path, clock: &'a dyn Clock) -> Self {
        Self { folder: folder.to_owned(), clock }
    }
}

impl Way for Directly<'_> {
    fn folder(&self) -> &Path {
        &self.folder
    }

    fn change(&self, change: Change) -> Result<(), Failure> {
        change(&mut Session::open_write(&self.folder, self.clock.now())?)
    }
}

/// Makes a change that has something to tell.
///
/// # Errors
/// Those of the change; the session cannot be had.
pub fn make<T: Send + 'static>(
    way: &dyn Way,
    work: impl FnOnce(&mut Session) -> Result<T, Failure> + Send + 'static,
) -> Result<T, Failure> {
    let (tell, told) = channel();
    way.change(Box::new(move |session| {
        // Whoever waits is there: it is this function.
        drop(tell.send(work(session)?));
        Ok(())
    }))?;
    told.recv().map_err(|_| changed_meanwhile())
}

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
