//! A test's trials, taken up one after another: tallies by listener and counts, so that nobody has to hold a million records at once.

use crate::model::glance::{Glance, GlanceState};
use crate::model::ids::{ListenerCode, NameError};
use crate::model::session::Listener;
use crate::model::trial::{OrderRecord, Plan, TrialCount, TrialKind, TrialRecord, TrialState};
use crate::store::{Session, StoreError};
use crate::trial::canonical_order;
use crate::verdict::audit;
use crate::verdict::tally::Tally;
use jiff::Timestamp;
use std::collections::{HashMap, HashSet};

/// Tallies by listener, in the order in which they began.
pub(crate) type Tallies = Vec<(ListenerCode, Tally)>;

/// What the trials of one test come to.
#[derive(Debug, Default)]
pub struct Gathered {
    simulated_codes: HashSet<ListenerCode>,
    people: Tallies,
    simulated: Tallies,
    places: HashMap<ListenerCode, usize>,
    any_person_answered: bool,
    /// Answered scored trials.
    pub(crate) scored: u64,
    /// Answered trials, controls included.
    pub(crate) answered: u64,
    /// Void trials.
    pub(crate) void: u64,
    /// The first trial whose commitment does not open, in words. Only [`gather`] looks.
    pub(crate) problem: Option<String>,
}

/// What is looked at in a trial.
enum Seen<'a> {
    Open,
    Void,
    Answered { choice: &'a str, order: &'a OrderRecord, right: Option<bool>, seconds: Option<f64> },
}

impl Gathered {
    /// Nothing yet; `listeners` tell who is simulated.
    #[must_use]
    pub fn new(listeners: &[Listener]) -> Self {
        let simulated_codes = listeners.iter().filter(|l| l.simulated).map(|l| l.code.clone()).collect();
        Self { simulated_codes, ..Self::default() }
    }

    /// All of these trials.
    #[must_use]
    pub fn of(plan: &Plan, listeners: &[Listener], trials: &[TrialRecord]) -> Self {
        let mut all = Self::new(listeners);
        trials.iter().for_each(|trial| all.add(plan, trial));
        all
    }

    /// Takes one more.
    pub fn add(&mut self, plan: &Plan, trial: &TrialRecord) {
        let seen = match &trial.state {
            TrialState::Open => Seen::Open,
            TrialState::Void { .. } => Seen::Void,
            TrialState::Answered { answer, order, right, at, .. } => {
                Seen::Answered { choice: &answer.choice, order, right: *right, seconds: pace(trial.opened_at, *at) }
            }
        };
        let at = self.place(trial.listener.as_str()).unwrap_or_else(|| self.new_place(trial.listener.clone()));
        self.count(plan, at, &seen);
    }

    fn place(&self, listener: &str) -> Option<(bool, usize)> {
        let at = self.places.get(listener)?;
        Some((self.simulated_codes.contains(listener), *at))
    }

    /// Who began is who has a trial: a listener whose only trial is void began as well, and what is unanswered counts as wrong.
    fn new_place(&mut self, listener: ListenerCode) -> (bool, usize) {
        let simulated = self.simulated_codes.contains(&listener);
        let tallies = if simulated { &mut self.simulated } else { &mut self.people };
        let at = tallies.len();
        tallies.push((listener.clone(), Tally::default()));
        self.places.insert(listener, at);
        (simulated, at)
    }

    fn count(&mut self, plan: &Plan, (simulated, at): (bool, usize), seen: &Seen<'_>) {
        match *seen {
            Seen::Open => {}
            Seen::Void => self.void += 1,
            Seen::Answered { choice, order, right, seconds } => {
                let tally = if simulated { &mut self.simulated[at].1 } else { &mut self.people[at].1 };
                // Nobody answers more trials than the plan gives them: where one did, records were copied.
                if let (TrialCount::Fixed(planned), TrialKind::Scored) = (plan.trials, order.kind)
                    && tally.scored.len() >= planned as usize
                {
                    let listener = if simulated { &self.simulated[at].0 } else { &self.people[at].0 };
                    let what = format!("{listener} has more answers than the {planned} planned trials");
                    self.problem.get_or_insert(what);
                    return;
                }
                tally.add(plan, order, choice, right);
                self.answered += 1;
                self.any_person_answered |= !simulated;
                if order.kind == TrialKind::Scored {
                    self.scored += 1;
                    // Simulated listeners have no pace.
                    tally.seconds.extend(seconds.filter(|_| !simulated));
                }
            }
        }
    }

    /// Takes one more by a glance at it, and looks whether its commitment opens.
    fn glance(&mut self, plan: &Plan, trial: &Glance<'_>, orders: &mut Orders) -> Result<(), Unread> {
        let at = match self.place(trial.listener) {
            Some(at) => at,
            None => self.new_place(ListenerCode::new(trial.listener)?),
        };
        let seen = match trial.state {
            GlanceState::Open => Seen::Open,
            GlanceState::Void => Seen::Void,
            GlanceState::Answered { choice, order, nonce, right, at: when } => {
                let (order, canonical) = orders.known(order)?;
                if self.problem.is_none() {
                    let opened = audit::Opening { commitment: trial.commitment, nonce, canonical, order, choice, right };
                    self.problem = audit::opening_told(&plan.test, trial.number, &opened);
                }
                // The times of simulated listeners need not be read.
                let seconds = if at.0 { None } else { pace(trial.opened_at.parse()?, when.parse()?) };
                Seen::Answered { choice, order, right, seconds }
            }
        };
        self.count(plan, at, &seen);
        Ok(())
    }

    /// People's tallies if any person answered, else those of simulated listeners; and which of the two they are.
    pub(crate) fn panel(&self) -> (&Tallies, bool) {
        if self.any_person_answered { (&self.people, false) } else { (&self.simulated, true) }
    }
}

/// Seconds from opening to pick. A clock that was set back in between says nothing of anybody's pace.
fn pace(opened_at: Timestamp, at: Timestamp) -> Option<f64> {
    Some(at.duration_since(opened_at).as_secs_f64()).filter(|seconds| *seconds >= 0.0)
}

/// A record that cannot be taken up.
#[derive(Debug, thiserror::Error)]
enum Unread {
    #[error(transparent)]
    Name(#[from] NameError),
    #[error(transparent)]
    Time(#[from] jiff::Error),
    #[error(transparent)]
    Json(#[from] serde_json::Error),
}

/// Orders by the text in which they stand. A test has a handful of them however many trials it has: each is read once.
#[derive(Default)]
struct Orders {
    places: HashMap<String, usize>,
    read: Vec<(OrderRecord, String)>,
}

impl Orders {
    /// Most orders that are kept; a test with more begins anew.
    const MOST: usize = 4096;

    /// The order of that text, and its canonical text.
    fn known(&mut self, text: &str) -> Result<(&OrderRecord, &str), serde_json::Error> {
        let at = match self.places.get(text) {
            Some(at) => *at,
            None => {
                let order: OrderRecord = serde_json::from_str(text)?;
                if self.read.len() == Self::MOST {
                    self.places.clear();
                    self.read.clear();
                }
                let canonical = canonical_order(&order);
                self.read.push((order, canonical));
                self.places.insert(text.to_owned(), self.read.len() - 1);
                self.read.len() - 1
            }
        };
        let (order, canonical) = &self.read[at];
        Ok((order, canonical))
    }
}

/// Reads all trials of a session in one pass and takes them up: for each of these plans what its trials come to.
///
/// # Errors
/// The records cannot be read.
pub(crate) fn gather(session: &Session, plans: &[&Plan], listeners: &[Listener]) -> Result<Vec<Gathered>, StoreError> {
    let mut all: Vec<Gathered> = plans.iter().map(|_| Gathered::new(listeners)).collect();
    let mut orders = Orders::default();
    let mut at = 0;
    session.each_trial_text(&mut |test, text| {
        // Trials of one test mostly follow one another.
        if plans.get(at).is_none_or(|p| p.test.as_str() != test) {
            let Some(found) = plans.iter().position(|p| p.test.as_str() == test) else { return Ok(()) };
            at = found;
        }
        match Glance::read(text) {
            Some(trial) => all[at].glance(plans[at], &trial, &mut orders).map_err(|e| e.to_string()),
            None => {
                let trial: TrialRecord = serde_json::from_str(text).map_err(|e| e.to_string())?;
                if all[at].problem.is_none() {
                    all[at].problem = audit::commitment_told(&trial);
                }
                all[at].add(plans[at], &trial);
                Ok(())
            }
        }
    })?;
    Ok(all)
}
