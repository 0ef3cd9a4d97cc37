//! What every request may use.

use super::drafts::Drafts;
use super::jobs::Jobs;
use super::limits::Limits;
use super::names::Place;
use super::pages::layout::Flash;
use super::presence::Presence;
use super::recording::Recording;
use super::sounds::Counter;
use super::tokens::Tokens;
use crate::model::failure::Failure;
use crate::model::outside::Clock;
use crate::testing::desk::{Desk, Done};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::{oneshot, watch};

/// The desk with what a browser needs beside it.
pub struct App {
    /// The session.
    pub desk: Arc<Desk>,
    /// Opens the engineer's pages. Random for every start.
    pub key: String,
    /// By which name it is reached.
    pub place: Place,
    /// Addresses of this machine are allowed as Host, not loopback alone.
    pub lan: bool,
    /// The clock.
    pub clock: &'static dyn Clock,
    /// Requests per minute.
    pub limits: Limits,
    uploads: AtomicU64,
    flash: Mutex<Option<Flash>>,
    pub(super) tokens: Tokens,
    pub(super) drafts: Drafts,
    pub(super) presence: Presence,
    pub(super) jobs: Arc<Jobs>,
    pub(super) recording: Arc<Recording>,
    pub(super) sounds: Counter,
    panel: watch::Sender<()>,
    leaving: watch::Sender<bool>,
}

impl App {
    /// Puts the parts together, at a plain address.
    #[must_use]
    pub fn new(desk: Arc<Desk>, key: String, address: SocketAddr, lan: bool, clock: &'static dyn Clock) -> Arc<Self> {
        Self::at(desk, key, Place::at(address, lan), clock)
    }

    /// Puts the parts together.
    #[must_use]
    pub fn at(desk: Arc<Desk>, key: String, place: Place, clock: &'static dyn Clock) -> Arc<Self> {
        Arc::new(Self {
            desk,
            key,
            lan: place.lan,
            place,
            clock,
            limits: Limits::default(),
            uploads: AtomicU64::new(0),
            flash: Mutex::new(None),
            tokens: Tokens::default(),
            drafts: Drafts::default(),
            presence: Presence::default(),
            jobs: Arc::default(),
            recording: Arc::default(),
            sounds: Counter::default(),
            panel: watch::channel(()).0,
            leaving: watch::channel(false).0,
        })
    }

    /// Asks the session's thread and waits without holding a thread of the server.
    ///
    /// # Errors
    /// Those of the question; the desk is being closed.
    pub async fn ask<T: Send + 'static>(&self, ask: impl FnOnce(&Desk, Done<T>)) -> Result<T, Failure> {
        let (tell, told) = oneshot::channel();
        ask(&self.desk, Box::new(move |result| drop(tell.send(result))));
        match told.await {
            Ok(result) => result,
            Err(_) => Err(closing()),
        }
    }

    /// Does slow work on another thread.
    ///
    /// # Errors
    /// Those of the work.
    pub async fn apart<T: Send + 'static>(work: impl FnOnce() -> Result<T, Failure> + Send + 'static) -> Result<T, Failure> {
        match tokio::task::spawn_blocking(work).await {
            Ok(result) => result,
            Err(_) => Err(closing()),
        }
    }

    /// Lets a browser in: what its cookie says from now on.
    ///
    /// # Errors
    /// The operating system gives no random bytes.
    pub fn let_in(&self) -> Result<String, Failure> {
        self.tokens.issue()
    }

    /// Somebody came, went, or is further: the panel's board is drawn anew.
    pub(super) fn panel_changed(&self) {
        self.panel.send_replace(());
    }

    /// Told of every change of the panel.
    pub(super) fn watch_panel(&self) -> watch::Receiver<()> {
        self.panel.subscribe()
    }

    /// The desk is being closed: streams that would never end do so now.
    pub(super) fn leave(&self) {
        self.leaving.send_replace(true);
    }

    /// For streams: to be waited on with [`Leaving::over`].
    pub(super) fn leaving(&self) -> Leaving {
        Leaving(self.leaving.subscribe())
    }

    /// The beginning of every link.
    #[must_use]
    pub fn base(&self) -> String {
        self.place.base()
    }

    /// Keeps what an action had to say for the next page.
    pub(super) fn tell(&self, bad: bool, lines: Vec<String>) {
        *self.flash.lock().unwrap_or_else(PoisonError::into_inner) = Some(Flash { bad, lines });
    }

    /// Keeps for the next page why something was not done.
    pub(super) fn tell_of(&self, error: &Failure) {
        *self.flash.lock().unwrap_or_else(PoisonError::into_inner) = Some(Flash::of(error));
    }

    /// What the last action had to say, and what came of jobs that ended meanwhile, once.
    pub(super) fn flash(&self) -> Option<Flash> {
        let said = self.flash.lock().unwrap_or_else(PoisonError::into_inner).take();
        let all = said.into_iter().chain(self.jobs.untold()).chain(self.recording.untold());
        all.reduce(|said, more| Flash { bad: said.bad || more.bad, lines: [said.lines, more.lines].concat() })
    }

    /// A number that no other upload of this start has.
    pub fn next_upload(&self) -> u64 {
        self.uploads.fetch_add(1, Ordering::Relaxed)
    }
}

impl Drop for App {
    fn drop(&mut self) {
        // Nobody could end it any more.
        self.recording.close();
    }
}

/// Tells a stream when the desk is being closed.
pub(super) struct Leaving(watch::Receiver<bool>);

impl Leaving {
    /// Returns when the desk is being closed.
    pub(super) async fn over(&mut self) {
        drop(self.0.wait_for(|over| *over).await);
    }
}

fn closing() -> Failure {
    Failure::plain(
        "desk-ended",
        crate::model::explain::Fate::Failed,
        "the desk is being closed",
        "start it again with: cabjury desk",
    )
}
