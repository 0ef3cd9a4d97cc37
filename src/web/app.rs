//! What every request may use.

use super::drafts::Drafts;
use super::limits::Limits;
use super::pages::layout::Flash;
use super::presence::Presence;
use crate::model::failure::Failure;
use crate::model::outside::{Clock, Progress};
use crate::testing::desk::{Desk, Done};
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::{oneshot, watch};

/// How far a long job is, for the event stream.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Step {
    /// What is being done.
    pub what: String,
    /// Steps done.
    pub done: u64,
    /// Of so many.
    pub total: u64,
}

/// The desk with what a browser needs beside it.
pub struct App {
    /// The session.
    pub desk: Arc<Desk>,
    /// Opens the engineer's pages. Random for every start.
    pub key: String,
    /// Port, as it stands in Host.
    pub port: u16,
    /// Addresses of this machine are allowed as Host, not loopback alone.
    pub lan: bool,
    /// The clock.
    pub clock: &'static dyn Clock,
    /// Requests per minute.
    pub limits: Limits,
    progress: watch::Sender<Step>,
    uploads: AtomicU64,
    flash: Mutex<Option<Flash>>,
    pub(super) drafts: Drafts,
    address: IpAddr,
    pub(super) presence: Presence,
    panel: watch::Sender<()>,
    leaving: watch::Sender<bool>,
}

impl App {
    /// Puts the parts together.
    #[must_use]
    pub fn new(desk: Arc<Desk>, key: String, address: SocketAddr, lan: bool, clock: &'static dyn Clock) -> Arc<Self> {
        let (progress, _) = watch::channel(Step::default());
        Arc::new(Self {
            desk,
            key,
            port: address.port(),
            lan,
            clock,
            limits: Limits::default(),
            progress,
            uploads: AtomicU64::new(0),
            flash: Mutex::new(None),
            drafts: Drafts::default(),
            address: address.ip(),
            presence: Presence::default(),
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

    /// Where long work tells how far it is.
    #[must_use]
    pub fn progress(self: &Arc<Self>) -> Told {
        Told(Arc::clone(self))
    }

    /// The event stream's end of it.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<Step> {
        self.progress.subscribe()
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
        format!("http://{}", SocketAddr::new(self.address, self.port))
    }

    /// Keeps what an action had to say for the next page.
    pub(super) fn tell(&self, bad: bool, lines: Vec<String>) {
        *self.flash.lock().unwrap_or_else(PoisonError::into_inner) = Some(Flash { bad, lines });
    }

    /// What the last action had to say, once.
    pub(super) fn flash(&self) -> Option<Flash> {
        self.flash.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    /// A number that no other upload of this start has.
    pub fn next_upload(&self) -> u64 {
        self.uploads.fetch_add(1, Ordering::Relaxed)
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

/// Progress of a job, as the event stream shows it.
pub struct Told(Arc<App>);

impl Progress for Told {
    fn step(&self, what: &str, done: u64, total: u64) {
        self.0.progress.send_replace(Step { what: what.to_owned(), done, total });
    }
}

impl Drop for Told {
    fn drop(&mut self) {
        self.0.progress.send_replace(Step::default());
    }
}
