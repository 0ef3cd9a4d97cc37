//! Opening trials and taking picks: the service behind `listen`, the demo, `rehearse --keep` and any listening page.
//!
//! A trial's commitment is on disk before the first sound; order, nonce and pick are written together and are on disk before the pick is
//! acknowledged. Between the two the order is in this process's memory and nowhere else.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ListenerCode, TestId, TrialId};
use crate::model::outside::Clock;
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Plan, SlotHeard, TrialRecord, TrialState};
use crate::store::Session;
use crate::store::random;
use crate::testing::closed_memory;
use crate::testing::panel::{Kind, Known};
use crate::testing::receipt::Receipt;
use crate::testing::seat::Seat;
use crate::testing::sounding::Treatment;
pub use crate::testing::standing::{Closing, OpenTrial, Standing, close_only};
use crate::trial::{Hidden, Progressed, draw, draw_trial, methods, wipe};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::Path;

/// A session opened for listening.
pub struct Trials<'a> {
    pub(super) session: Session,
    pub(super) clock: &'a dyn Clock,
    open: BTreeMap<TrialId, Sitting>,
    /// What is played here has no sound: kept as practice.
    practice: bool,
    closing: Closing,
    /// What is known of each test. The session is locked, so nobody else changes it; after a failed write it is read anew.
    known: RefCell<BTreeMap<TestId, Known>>,
}

/// An open trial: the order that is hidden, its record, and what of it has reached the listener.
struct Sitting {
    hidden: Hidden,
    record: TrialRecord,
    seat: Seat,
}

pub(super) fn refused(kind: &'static str, message: impl Into<String>, next: impl Into<String>) -> Failure {
    Failure::plain(kind, Fate::Refused, message, next)
}

pub(super) fn closed(plan: &Plan) -> Failure {
    refused("test-closed", format!("{} is closed", plan.test), "read its verdict with: cabjury score")
}

/// The refusal of a listener who has answered everything.
pub(crate) fn through(plan: &Plan, listener: &ListenerCode, standing: &Standing) -> Failure {
    let message = format!("{listener} has answered all {} trials of {}", standing.done, plan.test);
    refused("listener-through", message, "the next listener may begin, under another code")
}

impl<'a> Trials<'a> {
    /// Opens a session for listening. Trials that an ended process left open are void now.
    ///
    /// # Errors
    /// The session cannot be opened for writing.
    pub fn open(folder: &Path, clock: &'a dyn Clock) -> Result<Self, Failure> {
        Ok(Self::over(Session::open_write(folder, clock.now())?, clock))
    }

    /// The same over a session that is open already.
    #[must_use]
    pub fn over(session: Session, clock: &'a dyn Clock) -> Self {
        Self { session, clock, open: BTreeMap::new(), practice: false, closing: close_only, known: RefCell::default() }
    }

    /// The same where nothing sounds: what people answer here is practice. It fills no seat, closes no test and is never scored as theirs.
    #[must_use]
    pub fn without_sound(self) -> Self {
        Self { practice: true, ..self }
    }

    /// The same with what closes a test that is through.
    #[must_use]
    pub fn closing_by(self, closing: Closing) -> Self {
        Self { closing, ..self }
    }

    /// What a listener's trials are here.
    pub(super) fn kind(&self, simulated: bool) -> Kind {
        match (simulated, self.practice) {
            (true, _) => Kind::Simulated,
            (false, true) => Kind::Practice,
            (false, false) => Kind::Person,
        }
    }

    fn kind_of(&self, listener: &ListenerCode) -> Result<Kind, Failure> {
        Ok(self.kind(self.session.is_simulated(listener)?))
    }

    /// The session, to read from.
    #[must_use]
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Writes an event that changes no record into the log.
    ///
    /// # Errors
    /// The log cannot be written.
    pub fn log(&mut self, what: &'static str, subject: &str, body: &impl serde::Serialize) -> Result<(), Failure> {
        Ok(self.session.log_event(what, subject, body, self.clock.now())?)
    }

    /// What is known of a test, read when it is asked for the first time.
    pub(super) fn known<T>(&self, test: &TestId, look: impl FnOnce(&mut Known) -> T) -> Result<T, Failure> {
        let mut all = self.known.borrow_mut();
        if let Some(known) = all.get_mut(test) {
            return Ok(look(known));
        }
        let known = Known::read(&self.session, test)?;
        Ok(look(all.entry(test.clone()).or_insert(known)))
    }

    fn progressed(&self, test: &TestId, listener: &ListenerCode) -> Result<Progressed, Failure> {
        let kind = self.kind_of(listener)?;
        self.known(test, |k| k.progressed(listener, kind))
    }

    /// A write that failed may have happened or not: what is known is forgotten and read anew.
    fn wrote<T, E: Into<Failure>>(&self, result: Result<T, E>) -> Result<T, Failure> {
        if result.is_err() {
            self.known.borrow_mut().clear();
        }
        result.map_err(Into::into)
    }

    /// How far a listener is.
    ///
    /// # Errors
    /// The records cannot be read.
    pub fn standing(&self, plan: &Plan, listener: &ListenerCode) -> Result<Standing, Failure> {
        let closed = self.known(&plan.test, |k| k.closed)?;
        Ok(Standing { planned: draw::planned(plan), done: self.progressed(&plan.test, listener)?.all(), closed })
    }

    /// How many trials are open in this process.
    #[must_use]
    pub fn open_count(&self) -> usize {
        self.open.len()
    }

    /// Voids every open trial (of one test, or of all).
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn void_all(&mut self, test: Option<&TestId>, reason: &str) -> Result<(), Failure> {
        let ids: Vec<TrialId> =
            self.open.iter().filter(|(_, s)| test.is_none_or(|t| &s.record.test == t)).map(|(id, _)| id.clone()).collect();
        ids.iter().try_for_each(|id| self.void(id, reason))
    }

    /// Ends a test for good; its open trials are void.
    ///
    /// # Errors
    /// It is closed already, or the store cannot be written.
    pub fn close(&mut self, test: &TestId) -> Result<(), Failure> {
        self.void_all(Some(test), "the test was closed")?;
        let closed = (self.closing)(&mut self.session, test, self.clock.now());
        self.wrote(closed)?;
        self.known(test, |k| k.closed = true)
    }

    /// From here to [`Trials::commit_batch`] all changes are one transaction: one sync of the disk. Nobody may be told of them before it is
    /// committed.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn begin_batch(&mut self) -> Result<(), Failure> {
        Ok(self.session.begin_batch()?)
    }

    /// Writes the batch.
    ///
    /// # Errors
    /// It cannot be written: then none of its changes has happened, and this handle must not be used any more.
    pub fn commit_batch(&mut self) -> Result<(), Failure> {
        Ok(self.session.commit_batch()?)
    }

    /// The listener's open trial in this process, if there is one.
    #[must_use]
    pub fn current(&self, test: &TestId, listener: &ListenerCode) -> Option<OpenTrial> {
        self.open.values().find(|s| &s.record.test == test && &s.record.listener == listener).map(shown)
    }

    /// The numbers of the trials of a test that are open in this process, by listener.
    pub(super) fn open_numbers(&self, test: &TestId) -> BTreeMap<ListenerCode, u32> {
        let of_test = self.open.values().filter(|s| &s.record.test == test);
        of_test.map(|s| (s.record.listener.clone(), s.record.number)).collect()
    }

    /// Draws and opens the listener's next trial. Its commitment is on disk when this returns.
    ///
    /// # Errors
    /// The test is closed, the listener is through, or has a trial open.
    pub fn next(&mut self, plan: &Plan, listener: &ListenerCode, played: &str) -> Result<OpenTrial, Failure> {
        // Closed before there is an order in it. Where that is not possible, whoever runs the program was told.
        let _ = closed_memory::close();
        let mut generator = crate::trial::Generator::from_secret(&mut random::seed()?);
        self.next_with(plan, listener, played, &mut generator)
    }

    /// The same with a generator that is handed in: for simulations that can be repeated, never for people.
    ///
    /// # Errors
    /// As [`Trials::next`].
    pub fn next_with(
        &mut self,
        plan: &Plan,
        listener: &ListenerCode,
        played: &str,
        random: &mut dyn RandomWords,
    ) -> Result<OpenTrial, Failure> {
        let standing = self.standing(plan, listener)?;
        if standing.closed {
            return Err(closed(plan));
        }
        if standing.through() {
            return Err(through(plan, listener, &standing));
        }
        if let Some(open) = self.current(&plan.test, listener) {
            return Err(refused("trial-open", format!("trial {} is open", open.number), "answer it first"));
        }
        let (done, kind) = (self.progressed(&plan.test, listener)?, self.kind_of(listener)?);
        let hidden = draw_trial(plan, done, random)?;
        let record = TrialRecord {
            id: TrialId::new(&random::code()?)?,
            test: plan.test.clone(),
            listener: listener.clone(),
            number: done.all() + 1,
            commitment: hidden.commitment(),
            opened_at: self.clock.now(),
            played: played.to_owned(),
            practice: kind == Kind::Practice,
            state: TrialState::Open,
        };
        let written = self.session.open_trial(&record, self.clock.now());
        self.wrote(written)?;
        self.known(&plan.test, |k| k.begins(listener, kind))?;
        let sitting = Sitting { seat: Seat::of(hidden.labels()), hidden, record };
        let open = shown(&sitting);
        self.open.insert(open.id.clone(), sitting);
        Ok(open)
    }

    /// Which clip sounds in a slot, and whether it is low-passed into an anchor. For the player alone.
    #[must_use]
    pub fn for_the_player(&self, trial: &TrialId, label: &str) -> Option<(ClipId, bool)> {
        let sitting = self.open.get(trial)?;
        sitting.hidden.for_the_player(label).map(|(clip, anchor)| (clip.clone(), anchor))
    }

    /// What sounds in a slot, and what is done to it. For the player alone.
    #[must_use]
    pub(crate) fn sound_for_the_player(&self, trial: &TrialId, label: &str) -> Option<(ClipId, Treatment)> {
        let hidden = &self.open.get(trial)?.hidden;
        let (clip, anchor) = hidden.for_the_player(label)?;
        let treatment = match (anchor, hidden.raised_for_the_player(label)) {
            (true, _) => Treatment::Anchor,
            (_, true) => Treatment::Raised,
            _ => Treatment::Plain,
        };
        Some((clip.clone(), treatment))
    }

    /// Takes note that a slot has reached the listener whole.
    pub fn fetched(&mut self, trial: &TrialId, label: &str) {
        if let Some(sitting) = self.open.get_mut(trial) {
            sitting.seat.fetched(label);
        }
    }

    /// Takes a pick. When this returns it is on disk together with the order and the nonce. The same pick again is fine; another one for the
    /// same trial is refused, and so is one before every slot was heard: `heard` holds what the client measured, nothing where it does not.
    ///
    /// # Errors
    /// Not one of the choices; a slot was not heard; the trial is void, or was answered otherwise.
    pub fn pick(&mut self, plan: &Plan, trial: &TrialId, answer: &Answer, heard: Vec<SlotHeard>) -> Result<Receipt, Failure> {
        let Some(sitting) = self.open.get(trial) else { return self.pick_again(trial, answer) };
        sitting.hidden.check(answer)?;
        sitting.seat.allow(&heard)?;
        // Read before the pick is written, so that it is counted once.
        self.known(&plan.test, |_| ())?;
        let Some(Sitting { hidden, mut record, .. }) = self.open.remove(trial) else { return self.pick_again(trial, answer) };
        let opened = hidden.open(answer);
        let at = self.clock.now();
        record.state = TrialState::Answered {
            answer: answer.clone(),
            order: opened.order,
            nonce: opened.nonce,
            right: opened.right,
            at,
            heard,
        };
        // Should the disk fail here, the trial stays open in the store and is void after the next start: an order that was opened is never
        // played again.
        let written = self.session.end_trial(&record, at);
        self.wrote(written)?;
        let kind = self.kind_of(&record.listener)?;
        self.known(&plan.test, |k| k.answered(&record, kind))?;
        let receipt = Receipt::of(&self.session, &record)?;
        if let TrialState::Answered { order, .. } = &mut record.state {
            wipe(order);
        }
        self.close_when_through(plan)?;
        Ok(receipt)
    }

    fn pick_again(&self, trial: &TrialId, answer: &Answer) -> Result<Receipt, Failure> {
        let record = self.session.trial(trial)?;
        match &record.state {
            TrialState::Answered { answer: kept, .. } if kept == answer => {
                // Said again only when it is on the disk, should the sync of the first time have failed.
                self.session.sync()?;
                Receipt::of(&self.session, &record)
            }
            TrialState::Answered { .. } => {
                Err(refused("answered-already", "this trial was answered, and an answer stays", "go on with the next trial"))
            }
            TrialState::Void { reason, .. } => {
                Err(refused("trial-void", format!("this trial is void: {reason}"), "go on with a fresh one"))
            }
            TrialState::Open => Err(refused(
                "trial-lost",
                "this trial's order was lost with the program that opened it",
                "go on with a fresh one",
            )),
        }
    }

    /// Voids an open trial: device lost, under-run, session left. It is drawn anew, never guessed.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn void(&mut self, trial: &TrialId, reason: &str) -> Result<(), Failure> {
        let Some(Sitting { mut record, .. }) = self.open.remove(trial) else { return Ok(()) };
        record.state = TrialState::Void { reason: reason.to_owned(), at: self.clock.now() };
        Ok(self.session.end_trial(&record, self.clock.now())?)
    }

    /// A test closes by itself when its planned listeners are through.
    fn close_when_through(&mut self, plan: &Plan) -> Result<(), Failure> {
        let ended = self.known(&plan.test, |k| !k.closed && k.ended(plan))?;
        if ended { self.close(&plan.test) } else { Ok(()) }
    }

    /// The method's question for a plan.
    #[must_use]
    pub fn question(plan: &Plan) -> String {
        methods::question(plan)
    }
}

fn shown(sitting: &Sitting) -> OpenTrial {
    let Sitting { hidden, record, .. } = sitting;
    OpenTrial {
        id: record.id.clone(),
        number: record.number,
        commitment: record.commitment.to_string(),
        labels: hidden.labels(),
        choices: hidden.choices().to_vec(),
    }
}
