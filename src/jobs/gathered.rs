//! A test's trials, taken up one after another: tallies by listener and counts, so that nobody has to hold a million records at once.

use super::tally::Tally;
use crate::model::ids::ListenerCode;
use crate::model::session::Listener;
use crate::model::trial::{Plan, TrialKind, TrialRecord, TrialState};
use std::collections::{HashMap, HashSet};

/// Tallies by listener, in the order in which they began.
pub(super) type Tallies = Vec<(ListenerCode, Tally)>;

/// What the trials of one test come to.
#[derive(Debug, Default)]
pub struct Gathered {
    simulated_codes: HashSet<ListenerCode>,
    people: Tallies,
    simulated: Tallies,
    places: HashMap<ListenerCode, usize>,
    any_person_answered: bool,
    /// Answered scored trials.
    pub(super) scored: u64,
    /// Answered trials, controls included.
    pub(super) answered: u64,
    /// Void trials.
    pub(super) void: u64,
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
        let simulated = self.simulated_codes.contains(&trial.listener);
        let tallies = if simulated { &mut self.simulated } else { &mut self.people };
        // Who began is who has a trial: a listener whose only trial is void began as well, and what is unanswered counts as wrong.
        let at = match self.places.get(&trial.listener) {
            Some(at) => *at,
            None => {
                tallies.push((trial.listener.clone(), Tally::default()));
                self.places.insert(trial.listener.clone(), tallies.len() - 1);
                tallies.len() - 1
            }
        };
        match &trial.state {
            TrialState::Open => {}
            TrialState::Void { .. } => self.void += 1,
            TrialState::Answered { answer, order, right, at: when, .. } => {
                let tally = &mut tallies[at].1;
                tally.add(plan, order, &answer.choice, *right);
                self.answered += 1;
                self.any_person_answered |= !simulated;
                if order.kind == TrialKind::Scored {
                    self.scored += 1;
                    let seconds = when.duration_since(trial.opened_at).as_secs_f64();
                    // Simulated listeners have no pace; a clock that was set back in between says nothing of anybody's.
                    if !simulated && seconds >= 0.0 {
                        tally.seconds.push(seconds);
                    }
                }
            }
        }
    }

    /// People's tallies if any person answered, else those of simulated listeners; and which of the two they are.
    pub(super) fn panel(&self) -> (&Tallies, bool) {
        if self.any_person_answered { (&self.people, false) } else { (&self.simulated, true) }
    }
}
