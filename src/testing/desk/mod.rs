//! The session behind a browser: one thread has it, everybody else asks that thread.
//!
//! * `clerk`: the thread; what is asked in one moment is written as one batch, and nobody is answered before it is on disk
//! * `beside`: long work of the engineer's, with one short write at its end
//! * [`board`]: who is invited, and how far everybody is
//! * [`records`]: what the engineer's pages show
//! * [`seat`]: what a listener may see and do
//! * [`sound`]: slots as WAV, with fresh dither every time
//!
//! The session's lock is held only while a trial is open or has just been answered, so that other commands work in between.

mod beside;
pub mod board;
mod clerk;
pub mod records;
pub mod seat;
pub mod sound;

use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::Clock;
use crate::store::Session;
use crate::testing::trials::{Closing, close_only};
use clerk::{Clerk, Floor, Task};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

/// A key that opens the engineer's pages: 128 unguessable bits.
///
/// # Errors
/// The operating system gives no random bytes.
pub fn new_key() -> Result<String, Failure> {
    crate::store::random::code()
}

/// A handle on the thread that has the session. It may be shared.
pub struct Desk {
    folder: PathBuf,
    tasks: Sender<Task>,
    clerk: Mutex<Option<JoinHandle<()>>>,
    sounds: sound::Sounds,
}

/// What is called with the answer, on the clerk's thread: it should only hand it on.
pub type Done<T> = Box<dyn FnOnce(Result<T, Failure>) + Send>;

impl Desk {
    /// Opens a session for browsers. An empty folder becomes a session.
    ///
    /// # Errors
    /// The folder holds no session, or one that cannot be read.
    pub fn open(folder: &Path, clock: &'static dyn Clock) -> Result<Arc<Self>, Failure> {
        Self::open_closing(folder, clock, close_only)
    }

    /// The same with what closes a test that is through.
    ///
    /// # Errors
    /// As [`Desk::open`].
    pub fn open_closing(folder: &Path, clock: &'static dyn Clock, closing: Closing) -> Result<Arc<Self>, Failure> {
        let empty = std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_none());
        if empty {
            Session::create(folder, None, clock.now())?;
        }
        Session::open_read(folder)?;
        Session::can_be_locked(folder)?;
        let (tasks, inbox) = channel();
        let clerk = Clerk::new(folder, clock, closing, inbox);
        let thread = std::thread::Builder::new().name("session".to_owned()).spawn(move || clerk.work()).map_err(|e| {
            let message = format!("no thread can be started: {e}");
            Failure::plain("no-thread", crate::model::explain::Fate::Failed, message, "close other programs and try again")
        })?;
        Ok(Arc::new(Self { folder: folder.to_owned(), tasks, clerk: Mutex::new(Some(thread)), sounds: sound::Sounds::default() }))
    }

    /// The session's folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn send(&self, task: Task) {
        // The clerk is gone only when the program ends; whoever waits is told by the end of their channel.
        let _ = self.tasks.send(task);
    }

    /// Asks the clerk for something that belongs to listening; `done` is called when everything that it wrote is on disk.
    fn ask<T: Send + 'static>(&self, work: impl FnOnce(&mut Floor) -> Result<T, Failure> + Send + 'static, done: Done<T>) {
        let task = Task::Listening(Box::new(move |floor| {
            let result = work(floor);
            Box::new(move |written| done(written.and(result)))
        }));
        // The clerk is gone only when the program ends; the caller's own waiting ends with it.
        let _ = self.tasks.send(task);
    }

    /// Does an engineer's job on the session's folder with the lock free for it. Refused while a listener is in a trial.
    pub fn alone<T: Send + 'static>(&self, work: impl FnOnce(&Path) -> Result<T, Failure> + Send + 'static, done: Done<T>) {
        let task = Task::Alone(Box::new(move |free| {
            done(match free {
                Ok(folder) => work(folder),
                Err(error) => Err(error),
            });
        }));
        let _ = self.tasks.send(task);
    }

    /// The same, waiting for the answer: for the start of the program and for tests.
    ///
    /// # Errors
    /// Those of the job.
    pub fn wait<T: Send + 'static>(&self, ask: impl FnOnce(&Self, Done<T>)) -> Result<T, Failure> {
        let (tell, told) = channel();
        ask(self, Box::new(move |result| drop(tell.send(result))));
        told.recv().unwrap_or_else(|_| Err(clerk::ended()))
    }

    /// Invites a listener to a test; the code is the same after a restart.
    pub fn invite(&self, test: Option<TestId>, listener: ListenerCode, done: Done<String>) {
        self.ask(move |floor| floor.invite(test.as_ref(), &listener), done);
    }

    /// Ends a test for good.
    pub fn close_test(&self, test: TestId, done: Done<()>) {
        self.ask(move |floor| floor.close(&test), done);
    }

    /// Finishes what was asked for, voids open trials and gives the session back. Later questions get no answer.
    pub fn stop(&self) {
        let _ = self.tasks.send(Task::Stop);
        let clerk = self.clerk.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(clerk) = clerk {
            // A clerk that panicked has nothing left to write; its open trials are void at the next start.
            let _ = clerk.join();
        }
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop();
    }
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Orders live on the clerk's thread; nothing of them belongs here.
        f.debug_struct("Desk").field("folder", &self.folder).finish_non_exhaustive()
    }
}
