//! Recording at the desk: one sitting at a time on a thread of its own, for the evening, beside the session and its jobs. What stands on the
//! page is looked up here, and what was pressed is handed in here; what either means is known to `capture::record` alone.

use super::pages::layout::{Flash, sentence};
use crate::capture::beside::Way;
use crate::capture::record::doc::{PassRecord, RecordDoc, View};
use crate::capture::record::sitting::{Press, RecordRequest, Sitting};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::{Clock, Progress};
use crate::testing::desk::Desk;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{oneshot, watch};

/// A page that says every second that it is there is gone when it has not for so long; what sounds is stopped then.
const GONE: Duration = Duration::from_secs(5);
/// A page without a script says nothing: what would sound without end is stopped so long after the last press. A pass has an end.
const UNWATCHED: Duration = Duration::from_secs(60);

/// What stands on the page.
#[derive(Debug, Clone)]
pub(super) struct Now {
    /// Counts the steps: what is pressed belongs to one of them.
    pub(super) step: u64,
    /// The recorder's own view.
    pub(super) view: View,
    /// Something may come out of the output.
    pub(super) sounds: bool,
    /// What the last step had to say.
    pub(super) said: Vec<String>,
    /// What was played in this sitting.
    pub(super) passes: Vec<PassRecord>,
    /// Passes of the run sheet that are still to be recorded.
    pub(super) left: usize,
}

/// Where the recording is.
#[derive(Debug, Clone, Default)]
pub(super) enum Place {
    /// There is none.
    #[default]
    Nothing,
    /// Session and device are being opened.
    Opening,
    /// A sitting.
    Open(Arc<Now>),
}

/// Something for the sitting's thread; whoever hands it in is told when it was done.
enum Asked {
    /// A press at a step. A stop is obeyed at any.
    Press(Press, Option<u64>, oneshot::Sender<()>),
    Leave(oneshot::Sender<()>),
}

#[derive(Debug, Clone, Copy)]
struct Attended {
    at: Instant,
    /// The page has a script that says that it is there.
    watched: bool,
}

#[derive(Default)]
struct Book {
    ask: Option<Sender<Asked>>,
    attended: Option<Attended>,
    /// What the sitting that ended had to say.
    untold: Option<Flash>,
    closing: bool,
}

/// The recording of this start, if there is one.
pub(super) struct Recording {
    book: Mutex<Book>,
    place: watch::Sender<Place>,
    leaves: Arc<Leaves>,
}

impl Default for Recording {
    fn default() -> Self {
        Self { book: Mutex::default(), place: watch::channel(Place::Nothing).0, leaves: Arc::default() }
    }
}

/// Ends the waiting for a session that another program has.
#[derive(Default)]
struct Leaves(AtomicBool);

impl Progress for Leaves {
    fn step(&self, _what: &str, _done: u64, _total: u64) {}

    fn stopped(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}

fn refused(kind: &'static str, message: &str, next: &str) -> Failure {
    Failure::plain(kind, Fate::Refused, message, next)
}

impl Recording {
    fn book(&self) -> MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where it is now.
    pub(super) fn place(&self) -> Place {
        self.place.borrow().clone()
    }

    /// Told of every change.
    pub(super) fn watch(&self) -> watch::Receiver<Place> {
        self.place.subscribe()
    }

    /// Opens a sitting; nothing sounds. It is open, or was refused, when the place is no longer [`Place::Opening`].
    pub(super) fn begin(
        self: &Arc<Self>,
        desk: &Arc<Desk>,
        request: RecordRequest,
        clock: &'static dyn Clock,
    ) -> Result<(), Failure> {
        let mut book = self.book();
        if book.ask.is_some() || book.closing {
            return Err(refused("recording-already", "a recording is under way at this desk", "leave that one first"));
        }
        let (ask, asked) = channel();
        let (to, desk) = (Arc::clone(self), Arc::clone(desk));
        self.leaves.0.store(false, Ordering::Release);
        let work = move || {
            let way = desk.way(Arc::clone(&to.leaves) as Arc<dyn Progress>);
            let result = catch_unwind(AssertUnwindSafe(|| sit(way, request, clock, &to, &asked))).unwrap_or_else(|_| {
                let message = "the program made a mistake while recording; the sound was stopped";
                Err(Failure::plain("recording-lost", Fate::Failed, message, "begin again; the takes that were kept are there"))
            });
            to.ended(result);
        };
        let started = std::thread::Builder::new().name("recording".to_owned()).spawn(work);
        started.map_err(|error| {
            let message = format!("no thread can be started: {error}");
            Failure::plain("no-thread", Fate::Failed, message, "close other programs and try again")
        })?;
        book.ask = Some(ask);
        book.attended = None;
        self.place.send_replace(Place::Opening);
        Ok(())
    }

    /// Hands a press in, for the step at which it was offered. `None`: no recording is open.
    pub(super) fn press(&self, press: Press, step: Option<u64>, watched: bool) -> Option<oneshot::Receiver<()>> {
        self.here(watched);
        self.hand_in(|done| Asked::Press(press, step, done))
    }

    /// Ends the sitting; what sounds is stopped.
    pub(super) fn leave(&self) -> Option<oneshot::Receiver<()>> {
        self.leaves.0.store(true, Ordering::Release);
        self.hand_in(Asked::Leave)
    }

    fn hand_in(&self, asked: impl FnOnce(oneshot::Sender<()>) -> Asked) -> Option<oneshot::Receiver<()>> {
        let (done, told) = oneshot::channel();
        self.book().ask.as_ref()?.send(asked(done)).ok()?;
        Some(told)
    }

    /// The engineer's page is there.
    pub(super) fn here(&self, watched: bool) {
        self.book().attended = Some(Attended { at: Instant::now(), watched });
    }

    /// The desk is being closed. True when no recording is open any more.
    pub(super) fn close(&self) -> bool {
        self.book().closing = true;
        drop(self.leave());
        self.book().ask.is_none()
    }

    /// What became of the sitting that ended, once.
    pub(super) fn untold(&self) -> Option<Flash> {
        self.book().untold.take()
    }

    fn ended(&self, result: Result<RecordDoc, Failure>) {
        let flash = match result {
            Ok(doc) => Flash {
                bad: false,
                lines: [doc.summary()].into_iter().chain(doc.warnings().iter().map(|w| sentence(w))).collect(),
            },
            Err(error) => Flash::of(&error),
        };
        let mut book = self.book();
        book.ask = None;
        book.untold = Some(flash);
        drop(book);
        self.place.send_replace(Place::Nothing);
    }

    /// Nobody could stop what sounds.
    fn left_alone(&self, sitting: &Sitting) -> bool {
        let Some(attended) = self.book().attended.filter(|_| sitting.sounds()) else { return false };
        match (attended.watched, sitting.runs()) {
            (true, _) => attended.at.elapsed() > GONE,
            (false, true) => false,
            (false, false) => attended.at.elapsed() > UNWATCHED,
        }
    }

    /// Puts on the page what has changed.
    fn show(&self, sitting: &mut Sitting, cleared: bool) {
        let view = sitting.view();
        let before = match &*self.place.borrow() {
            Place::Open(now) => Some(Arc::clone(now)),
            _ => None,
        };
        let said: Option<Vec<String>> = sitting.said().map(|said| said.lines().map(str::to_owned).collect());
        let sounds = sitting.sounds();
        if before.as_ref().is_some_and(|b| said.is_none() && !cleared && b.view == view && b.sounds == sounds) {
            return;
        }
        let same = before.as_ref().is_some_and(|b| b.view.same_step(&view));
        let kept = before.as_ref().filter(|_| !cleared).map(|b| b.said.clone()).unwrap_or_default();
        let (passes, left) = match before.as_ref().filter(|_| same && said.is_none()) {
            Some(b) => (b.passes.clone(), b.left),
            None => {
                let doc = sitting.doc();
                (doc.passes, doc.left)
            }
        };
        let step = before.as_ref().map_or(1, |b| b.step + u64::from(!same));
        let now = Now { step, view, sounds, said: said.unwrap_or(kept), passes, left };
        self.place.send_replace(Place::Open(Arc::new(now)));
    }

    fn step(&self) -> Option<u64> {
        match &*self.place.borrow() {
            Place::Open(now) => Some(now.step),
            _ => None,
        }
    }
}

/// The thread of a sitting.
fn sit(
    way: Box<dyn Way>,
    request: RecordRequest,
    clock: &'static dyn Clock,
    to: &Recording,
    asked: &Receiver<Asked>,
) -> Result<RecordDoc, Failure> {
    let mut sitting = Sitting::open_by(way, request, clock)?;
    let (mut done, mut cleared) = (None::<oneshot::Sender<()>>, false);
    loop {
        sitting.tick()?;
        if to.left_alone(&sitting) {
            sitting.left_alone()?;
        }
        to.show(&mut sitting, std::mem::take(&mut cleared));
        if let Some(done) = done.take() {
            // Whoever pressed may have gone away.
            let _ = done.send(());
        }
        let wait = Duration::from_millis(if sitting.runs() { 10 } else { 30 });
        match asked.recv_timeout(wait) {
            Ok(Asked::Leave(told)) => {
                let doc = sitting.end();
                let _ = told.send(());
                return Ok(doc);
            }
            Ok(Asked::Press(press, step, told)) => {
                // What was pressed on a page that is no longer so is not taken for what stands there now; a stop is a stop.
                if press == Press::Escape || (step.is_some() && step == to.step()) {
                    sitting.press(&press)?;
                    cleared = true;
                }
                done = Some(told);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Ok(sitting.end()),
        }
    }
}
