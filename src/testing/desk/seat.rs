//! What a listener may see and do from elsewhere: everything by the invitation's code, nothing that tells slots apart.

use super::clerk::{Floor, Playable};
use super::{Desk, Done};
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId, TrialId};
use crate::model::trial::{Answer, Design, Method, SlotHeard};
use crate::testing::receipt::Receipt;
use crate::testing::trials::{OpenTrial, Trials};
use crate::trial::methods;

/// Where a listener stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// The next trial may be opened.
    Ready,
    /// A trial is open.
    Trial,
    /// This listener is through; others may not be.
    Done,
    /// The test is closed.
    Closed,
}

impl Phase {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::Trial => "trial",
            Self::Done => "done",
            Self::Closed => "closed",
        }
    }
}

/// What a listening page shows.
#[derive(Debug, Clone)]
pub struct SeatView {
    /// The test.
    pub test: String,
    /// The method.
    pub method: Method,
    /// The method's question.
    pub question: String,
    /// What to do, in plain words.
    pub instructions: Vec<&'static str>,
    /// Samples are drawn from all takes: the instructions promise nothing about setups.
    pub crossed: bool,
    /// The word that is asked about.
    pub attribute: Option<String>,
    /// Trials of this listener, controls included; none when no end is set.
    pub planned: Option<u32>,
    /// Answered ones.
    pub done: u32,
    /// Where they stand.
    pub phase: Phase,
    /// The open trial.
    pub open: Option<OpenTrial>,
    /// Confidence and a remark are asked for.
    pub asks_confidence: bool,
    /// Length of every slot.
    pub seconds: f64,
    /// Frames per second of every slot.
    pub rate_hz: u32,
}

/// What came of asking for a trial.
#[derive(Debug, Clone)]
pub enum Opened {
    /// A fresh one, its commitment on disk.
    Fresh(OpenTrial),
    /// One was open already: go on with it.
    Already(SeatView),
    /// There is none any more.
    Over(SeatView),
}

/// What came of a pick.
#[derive(Debug, Clone)]
pub enum Picked {
    /// It is on disk (now, or it was already).
    Taken(SeatView, Receipt),
    /// It cannot be taken any more: answered otherwise, void, or the test is closed.
    Late(SeatView),
}

fn view(trials: &Trials<'_>, playable: &Playable, who: &ListenerCode) -> Result<SeatView, Failure> {
    let plan = &playable.plan;
    let standing = trials.standing(plan, who)?;
    let open = trials.current(&plan.test, who).filter(|_| !standing.closed);
    let phase = match &open {
        _ if standing.closed => Phase::Closed,
        Some(_) => Phase::Trial,
        None if standing.through() => Phase::Done,
        None => Phase::Ready,
    };
    Ok(SeatView {
        test: plan.test.to_string(),
        method: plan.method,
        question: methods::question(plan),
        instructions: methods::instructions_of(plan).to_vec(),
        crossed: plan.design == Design::Crossed,
        attribute: plan.attribute.clone(),
        planned: standing.planned,
        done: standing.done,
        phase,
        open,
        asks_confidence: plan.ask_confidence,
        seconds: playable.seconds,
        rate_hz: playable.rate_hz,
    })
}

fn look(floor: &mut Floor, code: &str) -> Result<SeatView, Failure> {
    let (playable, who) = floor.invited(code)?;
    floor.look(|trials| view(trials, &playable, &who))
}

fn open(floor: &mut Floor, code: &str, played: &str) -> Result<Opened, Failure> {
    let (playable, who) = floor.invited(code)?;
    let before = floor.look(|trials| view(trials, &playable, &who))?;
    match before.phase {
        Phase::Trial => return Ok(Opened::Already(before)),
        Phase::Done | Phase::Closed => return Ok(Opened::Over(before)),
        Phase::Ready => {}
    }
    let trials = floor.trials()?;
    // The seats may be taken by others since the invitation.
    trials.enter(&playable.plan, &who, false)?;
    trials.next(&playable.plan, &who, played).map(Opened::Fresh)
}

fn pick(floor: &mut Floor, code: &str, trial: &str, answer: &Answer, heard: Vec<SlotHeard>) -> Result<Picked, Failure> {
    let (playable, who) = floor.invited(code)?;
    let Ok(id) = TrialId::new(trial) else { return look(floor, code).map(Picked::Late) };
    let owner = floor.look(|t| Ok(t.session().trial(&id).ok().map(|r| (r.listener, r.test))))?;
    // Another listener's trial is as unknown as none at all.
    if owner.is_none_or(|(l, t)| l != who || t != playable.plan.test) {
        return Err(Failure::plain(
            "no-trial",
            crate::model::explain::Fate::Unfit,
            "there is no such trial of this invitation",
            "reload the page: it goes on with the trial that is open",
        ));
    }
    match floor.trials()?.pick(&playable.plan, &id, answer, heard) {
        Ok(receipt) => look(floor, code).map(|view| Picked::Taken(view, receipt)),
        Err(error) if matches!(error.explain().kind(), "answered-already" | "trial-void" | "trial-lost") => {
            look(floor, code).map(Picked::Late)
        }
        Err(error) => Err(error),
    }
}

impl Desk {
    /// Where a listener stands.
    pub fn seat(&self, code: String, done: Done<SeatView>) {
        self.ask(move |floor| look(floor, &code), done);
    }

    /// Whose invitation a code is, once the test is closed; none before.
    pub fn whose_closed(&self, code: String, done: Done<Option<(TestId, ListenerCode)>>) {
        let work = move |floor: &mut Floor| {
            let (playable, who) = floor.invited(&code)?;
            let closed = floor.look(|t| Ok(t.standing(&playable.plan, &who)?.closed))?;
            Ok(closed.then(|| (playable.plan.test.clone(), who)))
        };
        self.ask(work, done);
    }

    /// Opens the listener's next trial.
    pub fn open_trial(&self, code: String, played: String, done: Done<Opened>) {
        self.ask(move |floor| open(floor, &code, &played), done);
    }

    /// Takes a pick; the same one again is fine.
    pub fn pick(&self, code: String, trial: String, answer: Answer, heard: Vec<SlotHeard>, done: Done<Picked>) {
        self.ask(move |floor| pick(floor, &code, &trial, &answer, heard), done);
    }

    /// A slot of the open trial has reached the listener whole. Nobody waits for it: a pick that follows is behind it in the queue.
    pub fn fetched(&self, code: String, trial: TrialId, label: String) {
        let work = move |floor: &mut Floor| {
            let (playable, who) = floor.invited(&code)?;
            let own = floor.look(|t| Ok(t.current(&playable.plan.test, &who).is_some_and(|open| open.id == trial)))?;
            if own {
                floor.trials()?.fetched(&trial, &label);
            }
            Ok(())
        };
        self.ask(work, Box::new(drop));
    }

    /// Writes down that the listener has set the level.
    pub fn level_is_set(&self, code: String, done: Done<()>) {
        let work = move |floor: &mut Floor| {
            let (playable, who) = floor.invited(&code)?;
            floor.trials()?.log("level-set", who.as_str(), &serde_json::json!({ "test": playable.plan.test }))
        };
        self.ask(work, done);
    }
}
