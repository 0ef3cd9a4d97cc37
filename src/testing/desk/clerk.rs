//! The thread that has the session.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::Clock;
use crate::model::trial::Plan;
use crate::store::Session;
use crate::testing::trials::{Closing, Trials};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

/// At most so many questions are one batch: the first of them should not wait long for the last.
const BATCH: usize = 256;
/// After so long without a trial open or a question, the session's lock is given back.
const IDLE: Duration = Duration::from_millis(300);

/// An unknown code is looked for in the session no more often than this.
const REREAD: Duration = Duration::from_millis(250);

/// Tells the one who asked, after the batch is on disk (or was not written).
pub(super) type Tell = Box<dyn FnOnce(Result<(), Failure>) + Send>;

/// A question of a listener's: what it wrote is on disk before the answer is told.
pub(super) type Question = Box<dyn FnOnce(&mut Floor) -> Tell + Send>;

/// A job on the folder.
pub(super) type Job = Box<dyn FnOnce(Result<&Path, Failure>) + Send>;

/// One short change of the session, made by long work beside it.
pub(super) type Change = Box<dyn FnOnce(&mut Session) + Send>;

/// A change that could not be made, and why: the session could not be opened for it.
pub(super) type GivenBack = (Change, Failure);

/// Something to do with the session.
pub(super) enum Task {
    /// A change between two batches, open trials or not.
    Write(Change, Sender<GivenBack>),
    /// Listening: may be one of a batch.
    Listening(Question),
    /// A job on the folder, with the lock free for it.
    Alone(Job),
    /// The program ends.
    Stop,
}

/// A test as listeners need it.
#[derive(Debug, Clone)]
pub(super) struct Playable {
    pub(super) plan: Arc<Plan>,
    pub(super) seconds: f64,
    pub(super) rate_hz: u32,
}

/// What the clerk has on the desk.
pub(super) struct Floor {
    folder: PathBuf,
    clock: &'static dyn Clock,
    closing: Closing,
    trials: Option<Trials<'static>>,
    invited: BTreeMap<String, (TestId, ListenerCode)>,
    tests: BTreeMap<TestId, Playable>,
    /// Another process may have written since the invitations were read.
    stale: bool,
    read_at: Option<Instant>,
    /// Changes are gathered into one transaction as soon as there is one.
    batching: bool,
    begun: bool,
}

pub(super) fn ended() -> Failure {
    Failure::plain("desk-ended", Fate::Failed, "the desk is being closed", "start it again with: cabjury desk")
}

fn unknown() -> Failure {
    Failure::plain("no-invitation", Fate::Unfit, "there is no such invitation", "ask the engineer for a fresh link")
}

impl Floor {
    fn new(folder: &Path, clock: &'static dyn Clock, closing: Closing) -> Self {
        Self {
            folder: folder.to_owned(),
            clock,
            closing,
            trials: None,
            invited: BTreeMap::new(),
            tests: BTreeMap::new(),
            stale: false,
            read_at: None,
            batching: false,
            begun: false,
        }
    }

    /// The session opened for listening; takes its lock.
    pub(super) fn trials(&mut self) -> Result<&mut Trials<'static>, Failure> {
        if self.trials.is_none() {
            self.trials = Some(Trials::open(&self.folder, self.clock)?.closing_by(self.closing));
        }
        let trials = self.trials.as_mut().ok_or_else(ended)?;
        if self.batching && !self.begun {
            trials.begin_batch()?;
            self.begun = true;
        }
        Ok(trials)
    }

    /// Who is invited by a code, and to what. Only looked up: it needs no lock.
    pub(super) fn invited(&mut self, code: &str) -> Result<(Playable, ListenerCode), Failure> {
        // Who tries codes that do not exist makes nobody read the session again and again.
        let fresh = self.read_at.is_some_and(|at| at.elapsed() < REREAD);
        if self.stale || (!self.invited.contains_key(code) && !fresh) {
            let session = Session::open_read(&self.folder)?;
            self.invited = session.invitations()?.into_iter().map(|(code, test, who)| (code, (test, who))).collect();
            self.stale = false;
            self.read_at = Some(Instant::now());
        }
        let (test, who) = self.invited.get(code).cloned().ok_or_else(unknown)?;
        Ok((self.playable(&test)?, who))
    }

    /// All invitations, as they stand now.
    pub(super) fn invitations(&mut self) -> Result<Vec<(String, TestId, ListenerCode)>, Failure> {
        self.look(|trials| Ok(trials.session().invitations()?))
    }

    /// How long a test's clips are, in seconds.
    pub(super) fn length(&mut self, test: &TestId) -> Result<f64, Failure> {
        Ok(self.playable(test)?.seconds)
    }

    fn playable(&mut self, test: &TestId) -> Result<Playable, Failure> {
        if let Some(known) = self.tests.get(test) {
            return Ok(known.clone());
        }
        let session = Session::open_read(&self.folder)?;
        let plan = session.test(test)?.plan;
        let clips = session.clips()?;
        let clip = clips.iter().find(|c| plan.clips.iter().any(|p| p.clip == c.id));
        let (seconds, rate_hz) = clip.map_or((0.0, 0), |c| (c.frames as f64 / c.rate.as_f64(), c.rate.hz()));
        let known = Playable { plan: Arc::new(plan), seconds, rate_hz };
        self.tests.insert(test.clone(), known.clone());
        Ok(known)
    }

    /// A view over the session without taking its lock, for questions that change nothing.
    pub(super) fn look<T>(&mut self, look: impl FnOnce(&Trials<'static>) -> Result<T, Failure>) -> Result<T, Failure> {
        match &self.trials {
            Some(trials) => look(trials),
            None => look(&Trials::over(Session::open_read(&self.folder)?, self.clock)),
        }
    }

    pub(super) fn invite(&mut self, test: Option<&TestId>, listener: &ListenerCode) -> Result<String, Failure> {
        let trials = self.trials()?;
        let plan = trials.choose(test)?;
        let code = trials.invite(&plan, listener)?;
        self.invited.insert(code.clone(), (plan.test, listener.clone()));
        Ok(code)
    }

    pub(super) fn close(&mut self, test: &TestId) -> Result<(), Failure> {
        self.trials()?.close(test)
    }

    /// Ends the batch: everything that was changed in it is on disk when this returns.
    fn write(&mut self) -> Result<(), Failure> {
        self.batching = false;
        let begun = std::mem::take(&mut self.begun);
        match &mut self.trials {
            Some(trials) if begun => trials.commit_batch(),
            _ => Ok(()),
        }
    }

    fn open_count(&self) -> usize {
        self.trials.as_ref().map_or(0, Trials::open_count)
    }

    /// Gives the lock back. Only without open trials: their orders live in it.
    fn put_away(&mut self) {
        self.trials = None;
        self.stale = true;
    }
}

/// The thread's work.
pub(super) struct Clerk {
    floor: Floor,
    inbox: Receiver<Task>,
}

impl Clerk {
    pub(super) fn new(folder: &Path, clock: &'static dyn Clock, closing: Closing, inbox: Receiver<Task>) -> Self {
        Self { floor: Floor::new(folder, clock, closing), inbox }
    }

    /// Works until it is told to stop or nobody can ask any more.
    pub(super) fn work(mut self) {
        loop {
            let task = match self.inbox.recv_timeout(IDLE) {
                Ok(task) => task,
                Err(RecvTimeoutError::Timeout) => {
                    if self.floor.open_count() == 0 && self.floor.trials.is_some() {
                        self.floor.put_away();
                    }
                    continue;
                }
                Err(RecvTimeoutError::Disconnected) => break,
            };
            match task {
                Task::Listening(first) => {
                    if self.batch(first) {
                        break;
                    }
                }
                Task::Alone(job) => self.alone(job),
                Task::Write(change, back) => self.write(change, &back),
                Task::Stop => break,
            }
        }
        if let Some(trials) = &mut self.floor.trials {
            // What cannot be written now is void at the next start anyway.
            let _ = trials.void_all(None, "the desk was closed");
        }
    }

    fn write(&mut self, change: Change, back: &Sender<GivenBack>) {
        match self.floor.trials() {
            Ok(trials) => change(&mut trials.session),
            // Nobody waits for it any more: then it is not needed either.
            Err(error) => drop(back.send((change, error))),
        }
    }

    fn alone(&mut self, job: Job) {
        let open = self.floor.open_count();
        if open > 0 {
            let who = if open == 1 { "a listener is".to_owned() } else { format!("{open} listeners are") };
            let next = "wait until they have answered, or close the test";
            job(Err(Failure::plain("listening", Fate::Refused, format!("{who} in the middle of a trial"), next)));
            return;
        }
        self.floor.put_away();
        self.floor.tests.clear();
        job(Ok(&self.floor.folder));
    }

    /// Answers the first question and what else has come in meanwhile, in one transaction. True when it is time to stop.
    fn batch(&mut self, first: Question) -> bool {
        let mut work = vec![first];
        let (mut after, mut write, mut stop) = (None, None, false);
        while work.len() < BATCH {
            match self.inbox.try_recv() {
                Ok(Task::Listening(next)) => work.push(next),
                Ok(Task::Alone(job)) => {
                    after = Some(job);
                    break;
                }
                Ok(Task::Write(change, back)) => {
                    write = Some((change, back));
                    break;
                }
                Ok(Task::Stop) => {
                    stop = true;
                    break;
                }
                Err(_) => break,
            }
        }
        self.floor.batching = true;
        let told: Vec<Tell> = work.into_iter().map(|w| w(&mut self.floor)).collect();
        match self.floor.write() {
            Ok(()) => told.into_iter().for_each(|tell| tell(Ok(()))),
            Err(error) => {
                // Nothing of it has happened: the trials in memory are not those on disk any more, and become void.
                self.floor.put_away();
                let (message, next) = (error.to_string(), error.explain().next());
                let again = || Failure::plain("not-written", Fate::Failed, message.clone(), next.clone());
                told.into_iter().for_each(|tell| tell(Err(again())));
            }
        }
        if let Some(job) = after {
            self.alone(job);
        }
        if let Some((change, back)) = write {
            self.write(change, &back);
        }
        stop
    }
}
