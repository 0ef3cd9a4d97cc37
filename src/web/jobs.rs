//! The engineer's long work: one job after another on a thread of its own, with a number, progress, an end that can be looked up, and a way to
//! stop it. What the browser sends twice runs once.

use super::pages::layout::{Flash, sentence};
use super::steps::{Step, Steps};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use serde_json::{Value, json};
use std::collections::{BTreeMap, VecDeque};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::watch;

/// Ended jobs that are remembered: more than anybody reads, and a bound on what is kept.
const REMEMBERED: usize = 50;
/// Jobs that may wait for their turn.
const WAITING: usize = 200;

/// What a job does. It runs on the jobs' thread.
pub(super) type Work = Box<dyn FnOnce(&Bench) -> Result<Outcome, Failure> + Send>;

/// What came of a job.
#[derive(Debug, Clone, Default)]
pub(super) struct Outcome {
    /// For people.
    pub(super) lines: Vec<String>,
    /// For programs.
    pub(super) body: Value,
}

/// A job as it is handed in.
pub(super) struct Order {
    /// What is being done, as a heading.
    pub(super) title: &'static str,
    /// The page that shows what came of it.
    pub(super) to: &'static str,
    /// The form's own number: the same again is the same job, whenever it comes.
    pub(super) once: Option<String>,
    /// What was asked for: the same again while it waits or runs is the same job.
    pub(super) same: String,
    /// Whoever handed it in waits for it, and says what came of it.
    pub(super) awaited: bool,
    /// The work.
    pub(super) work: Work,
}

/// Where a job is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum State {
    Waiting,
    Running,
    Done,
    Failed,
    Stopped,
}

impl State {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Running => "running",
            Self::Done => "done",
            Self::Failed => "failed",
            Self::Stopped => "stopped",
        }
    }

    pub(super) fn over(self) -> bool {
        matches!(self, Self::Done | Self::Failed | Self::Stopped)
    }
}

/// A job as it is shown.
#[derive(Debug, Clone)]
pub(super) struct Shown {
    pub(super) id: u64,
    pub(super) title: &'static str,
    pub(super) to: &'static str,
    pub(super) state: State,
    pub(super) step: Step,
    pub(super) lines: Vec<String>,
    pub(super) body: Value,
    /// How it failed.
    pub(super) fate: Option<Fate>,
    /// What came of it was shown.
    pub(super) told: bool,
}

impl Shown {
    /// The same for a program.
    pub(super) fn json(&self) -> Value {
        json!({
            "job": self.id.to_string(),
            "title": self.title,
            "state": self.state.name(),
            "what": self.step.what,
            "done": self.step.done,
            "total": self.step.total,
            "lines": self.lines,
            "result": self.body,
            "to": self.to,
            "url": format!("/jobs/{}", self.id),
            "live": format!("/jobs/{}/live", self.id),
        })
    }
}

struct Kept {
    shown: Shown,
    once: Option<String>,
    same: String,
    stop: Arc<AtomicBool>,
    work: Option<Work>,
}

#[derive(Default)]
struct Book {
    last: u64,
    jobs: BTreeMap<u64, Kept>,
    waiting: VecDeque<u64>,
    /// A thread is at work.
    running: bool,
    /// The desk is being closed.
    closing: bool,
}

/// All jobs of this start.
pub(super) struct Jobs {
    book: Mutex<Book>,
    changed: watch::Sender<()>,
    /// How far the one at work is.
    pub(super) steps: Steps,
}

impl Default for Jobs {
    fn default() -> Self {
        Self { book: Mutex::default(), changed: watch::channel(()).0, steps: Steps::default() }
    }
}

fn stopped_before() -> Failure {
    Failure::plain("stopped", Fate::Refused, "it was stopped before it began", "start it again when there is time")
}

fn body_of(error: &Failure) -> Value {
    let said = error.explain();
    json!({ "error": { "kind": said.kind(), "message": said.to_string(), "next": said.next() } })
}

fn full() -> Failure {
    let message = format!("{WAITING} jobs are waiting already");
    Failure::plain("too-many-jobs", Fate::Refused, message, "wait until some are done, or stop them")
}

impl Jobs {
    fn book(&self) -> MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes a job in, or finds the one that it is. Its number.
    pub(super) fn submit(self: &Arc<Self>, order: Order) -> Result<u64, Failure> {
        let mut book = self.book();
        let again = book.jobs.values().find(|kept| match (&kept.once, &order.once) {
            (Some(theirs), Some(ours)) => theirs == ours,
            _ => !kept.shown.state.over() && kept.same == order.same,
        });
        if let Some(kept) = again {
            return Ok(kept.shown.id);
        }
        if book.waiting.len() >= WAITING || book.closing {
            return Err(full());
        }
        book.forget();
        book.last += 1;
        let id = book.last;
        let Order { title, to, once, same, awaited, work } = order;
        let (lines, body, step) = (Vec::new(), Value::Null, Step::default());
        let shown = Shown { id, title, to, state: State::Waiting, step, lines, body, fate: None, told: awaited };
        book.jobs.insert(id, Kept { shown, once, same, stop: Arc::default(), work: Some(work) });
        book.waiting.push_back(id);
        if !book.running {
            let worker = Arc::clone(self);
            let started = std::thread::Builder::new().name("jobs".to_owned()).spawn(move || at_work(&worker));
            book.running = started.is_ok();
            if let Err(error) = started {
                book.jobs.remove(&id);
                book.waiting.clear();
                let message = format!("no thread can be started: {error}");
                return Err(Failure::plain("no-thread", Fate::Failed, message, "close other programs and try again"));
            }
        }
        drop(book);
        self.changed.send_replace(());
        Ok(id)
    }

    /// A job by its number.
    pub(super) fn find(&self, id: u64) -> Option<Shown> {
        self.book().jobs.get(&id).map(|kept| kept.shown.clone())
    }

    /// All that are remembered, the newest first.
    pub(super) fn all(&self) -> Vec<Shown> {
        self.book().jobs.values().rev().map(|kept| kept.shown.clone()).collect()
    }

    /// Told of every change.
    pub(super) fn watch(&self) -> watch::Receiver<()> {
        self.changed.subscribe()
    }

    /// Stops a job: one that waits is over at once, one that runs at its next step.
    pub(super) fn stop(&self, id: u64) {
        let mut book = self.book();
        let Some(kept) = book.jobs.get_mut(&id) else { return };
        kept.stop.store(true, Ordering::Release);
        if kept.shown.state == State::Waiting {
            kept.shown.state = State::Stopped;
            let error = stopped_before();
            kept.shown.fate = Some(error.explain().fate());
            kept.shown.lines = vec![sentence(&error.to_string())];
            kept.shown.body = body_of(&error);
            kept.work = None;
            book.waiting.retain(|waiting| *waiting != id);
        }
        drop(book);
        self.changed.send_replace(());
    }

    /// Takes no more jobs and stops those that there are. True when none is at work any more.
    pub(super) fn close(&self) -> bool {
        let waiting: Vec<u64> = {
            let mut book = self.book();
            book.closing = true;
            book.jobs.values().filter(|kept| !kept.shown.state.over()).map(|kept| kept.shown.id).collect()
        };
        waiting.into_iter().for_each(|id| self.stop(id));
        !self.book().running
    }

    /// What came of the jobs that ended since somebody looked.
    pub(super) fn untold(&self) -> Option<Flash> {
        let mut book = self.book();
        let mut said: Option<Flash> = None;
        for kept in book.jobs.values_mut().filter(|kept| kept.shown.state.over() && !kept.shown.told) {
            kept.shown.told = true;
            let flash = said.get_or_insert(Flash { bad: false, lines: Vec::new() });
            flash.bad |= kept.shown.state == State::Failed;
            flash.lines.extend(kept.shown.lines.iter().cloned());
        }
        said
    }
}

impl Book {
    fn forget(&mut self) {
        let over: Vec<u64> = self.jobs.values().filter(|kept| kept.shown.state.over()).map(|kept| kept.shown.id).collect();
        for id in over.iter().take(over.len().saturating_sub(REMEMBERED)) {
            self.jobs.remove(id);
        }
    }

    fn next(&mut self) -> Option<(u64, Work, Arc<AtomicBool>)> {
        while let Some(id) = self.waiting.pop_front() {
            let Some(kept) = self.jobs.get_mut(&id) else { continue };
            if let Some(work) = kept.work.take() {
                kept.shown.state = State::Running;
                return Some((id, work, Arc::clone(&kept.stop)));
            }
        }
        self.running = false;
        None
    }
}

/// What a job may use.
pub(super) struct Bench {
    jobs: Arc<Jobs>,
    id: u64,
    stop: Arc<AtomicBool>,
}

impl Progress for Bench {
    fn step(&self, what: &str, done: u64, total: u64) {
        let step = Step { what: what.to_owned(), done, total };
        if let Some(kept) = self.jobs.book().jobs.get_mut(&self.id) {
            kept.shown.step = step.clone();
        }
        self.jobs.steps.show(step);
        self.jobs.changed.send_replace(());
    }

    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }
}

/// A listener's answer comes first: the threads of jobs get what the others leave. Elsewhere the number would count for the whole program.
fn behind_the_listeners() {
    #[cfg(target_os = "linux")]
    {
        // Where it is not allowed, jobs are as quick as the rest.
        let _ = rustix::process::setpriority_process(None, 10);
    }
}

fn at_work(jobs: &Arc<Jobs>) {
    behind_the_listeners();
    let pool =
        rayon::ThreadPoolBuilder::new().thread_name(|n| format!("job-{n}")).start_handler(|_| behind_the_listeners()).build();
    loop {
        let Some((id, work, stop)) = jobs.book().next() else { break };
        jobs.changed.send_replace(());
        let bench = Bench { jobs: Arc::clone(jobs), id, stop };
        let run = AssertUnwindSafe(|| match &pool {
            Ok(pool) => pool.install(|| work(&bench)),
            Err(_) => work(&bench),
        });
        let result = catch_unwind(run).unwrap_or_else(|_| {
            let message = "the program made a mistake in this job; nothing of it was kept";
            Err(Failure::plain("job-lost", Fate::Failed, message, "try it again, or do it with the command of that name"))
        });
        jobs.ended(id, result, bench.stopped());
        jobs.steps.show(Step::default());
    }
}

impl Jobs {
    fn ended(&self, id: u64, result: Result<Outcome, Failure>, stopped: bool) {
        if let Some(kept) = self.book().jobs.get_mut(&id) {
            let shown = &mut kept.shown;
            match result {
                Ok(outcome) => (shown.state, shown.lines, shown.body) = (State::Done, outcome.lines, outcome.body),
                Err(error) => {
                    let said = error.explain();
                    let ended = stopped && said.kind() == "stopped";
                    shown.state = if ended { State::Stopped } else { State::Failed };
                    shown.fate = Some(said.fate());
                    shown.lines = vec![sentence(&said.to_string()), sentence(&said.next())];
                    shown.body = body_of(&error);
                }
            }
        }
        self.changed.send_replace(());
    }
}
