//! The engineer's long work while listeners listen: it looks with a reader of its own, and the session's thread is asked for one short write
//! at the end.

use super::Desk;
use super::clerk::{self, Change, Task};
use crate::capture::beside::{self, Way, go_on};
use crate::capture::check::{self, CheckDoc};
use crate::capture::take;
use crate::matching::match_takes::{self, MatchDoc};
use crate::model::failure::Failure;
use crate::model::outside::{Clock, Progress};
use crate::store::Session;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};

/// Another program may have the session: so long its end is waited for.
const PATIENCE: Duration = Duration::from_secs(120);
/// How often it is asked again.
const AGAIN: Duration = Duration::from_millis(100);

/// See [`Desk::way`].
struct Beside {
    desk: Arc<Desk>,
    progress: Arc<dyn Progress>,
}

impl Way for Beside {
    fn folder(&self) -> &Path {
        self.desk.folder()
    }

    fn change(&self, change: beside::Change) -> Result<(), Failure> {
        self.desk.change(change, &*self.progress)
    }
}

impl Desk {
    /// Makes one short change on the session's thread, between two batches of listeners' answers. Waits for it; while another program has
    /// the session it is tried again.
    ///
    /// # Errors
    /// Those of the change; it was stopped; the session could not be had; the desk is being closed.
    fn change<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Session) -> Result<T, Failure> + Send + 'static,
        progress: &dyn Progress,
    ) -> Result<T, Failure> {
        let (tell, told) = channel();
        let mut change: Change = Box::new(move |session| drop(tell.send(work(session))));
        let until = Instant::now() + PATIENCE;
        loop {
            go_on(progress)?;
            let (back, given_back) = channel();
            self.send(Task::Write(change, back));
            let Ok((again, error)) = given_back.recv() else {
                return told.recv().unwrap_or_else(|_| Err(clerk::ended()));
            };
            if error.explain().kind() != "session-locked" || Instant::now() > until {
                return Err(error);
            }
            change = again;
            std::thread::sleep(AGAIN);
        }
    }

    /// The way to the session for work that lasts an evening: each of its changes is one of the session's thread. While another program has
    /// the session they are tried again, until `progress` says that it was stopped.
    pub fn way(self: &Arc<Self>, progress: Arc<dyn Progress>) -> Box<dyn Way> {
        Box::new(Beside { desk: Arc::clone(self), progress })
    }

    fn reader(&self) -> Result<Session, Failure> {
        Ok(Session::open_read(self.folder())?)
    }

    /// `check` beside the listeners.
    ///
    /// # Errors
    /// Those of `check`; the takes changed meanwhile.
    pub fn check(&self, clock: &'static dyn Clock, progress: &dyn Progress) -> Result<CheckDoc, Failure> {
        let found = check::look_over(&self.reader()?, progress)?;
        self.change(move |session| check::keep(session, found, clock), progress)
    }

    /// `match` beside the listeners.
    ///
    /// # Errors
    /// Those of `match`; the takes changed meanwhile. Then no file is left.
    pub fn match_clips(
        &self,
        request: &match_takes::Request,
        clock: &'static dyn Clock,
        progress: &dyn Progress,
    ) -> Result<MatchDoc, Failure> {
        let prepared = match_takes::prepare(&self.reader()?, request, progress)?;
        self.change(move |session| prepared.keep(session, clock), progress)
    }

    /// `take` beside the listeners.
    ///
    /// # Errors
    /// Those of `take`; the takes changed meanwhile.
    pub fn take(
        &self,
        request: &take::Request,
        clock: &'static dyn Clock,
        progress: &dyn Progress,
    ) -> Result<take::IntakeDoc, Failure> {
        let ready = take::prepare(&self.reader()?, request, clock, progress)?;
        self.change(move |session| ready.keep(session, clock), progress)
    }
}
