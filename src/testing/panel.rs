//! Who sits at a test, and how far they are: kept in memory, so that a pick in a large panel does not read all trials again.

use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::trial::{Plan, TrialKind, TrialRecord, TrialState};
use crate::store::Session;
use crate::trial::{Progressed, draw};
use std::collections::{BTreeMap, BTreeSet};

/// What a listener's trials are. They are never added to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A person who heard sound.
    Person,
    /// A simulated listener.
    Simulated,
    /// A person at a device without sound.
    Practice,
}

/// A test as it stands.
#[derive(Debug, Clone)]
pub(super) struct Known {
    pub(super) closed: bool,
    /// Who has begun, and how far they are.
    seats: BTreeMap<(ListenerCode, Kind), Progressed>,
    /// Right ones among people's and simulated listeners' scored answers: for looks alone, told to nobody.
    right: [u64; 2],
}

impl Known {
    pub(super) fn read(session: &Session, test: &TestId) -> Result<Self, Failure> {
        let simulated: BTreeSet<ListenerCode> =
            session.listeners()?.into_iter().filter(|l| l.simulated).map(|l| l.code).collect();
        let sealed = session.test(test)?;
        // Whoever sealed it: no trial is drawn from clips of two passages.
        let mut clips = session.clips()?;
        clips.retain(|c| sealed.plan.clips.iter().any(|p| p.clip == c.id));
        super::choose::one_passage(&clips)?;
        let mut known = Self {
            closed: sealed.closed_at.is_some() || session.given_up(test)?.is_some(),
            seats: BTreeMap::new(),
            right: [0; 2],
        };
        session.each_trial(test, &mut |trial| {
            let kind = match (simulated.contains(&trial.listener), trial.practice) {
                (true, _) => Kind::Simulated,
                (false, true) => Kind::Practice,
                (false, false) => Kind::Person,
            };
            known.begins(&trial.listener, kind);
            known.answered(&trial, kind);
        })?;
        Ok(known)
    }

    pub(super) fn began(&self, kind: Kind) -> Vec<ListenerCode> {
        self.seats.keys().filter(|(_, k)| *k == kind).map(|(code, _)| code.clone()).collect()
    }

    pub(super) fn begins(&mut self, listener: &ListenerCode, kind: Kind) {
        self.seats.entry((listener.clone(), kind)).or_default();
    }

    /// Counts a trial that was answered.
    pub(super) fn answered(&mut self, trial: &TrialRecord, kind: Kind) {
        if let TrialState::Answered { order, right, .. } = &trial.state {
            if order.kind == TrialKind::Scored && *right == Some(true) && kind != Kind::Practice {
                self.right[usize::from(kind == Kind::Simulated)] += 1;
            }
            self.seats.entry((trial.listener.clone(), kind)).or_default().add(order.kind);
        }
    }

    pub(super) fn progressed(&self, listener: &ListenerCode, kind: Kind) -> Progressed {
        self.seats.get(&(listener.clone(), kind)).copied().unwrap_or_default()
    }

    /// All planned listeners of a test are through, or a look ends it. Practice ends nothing.
    pub(super) fn ended(&self, plan: &Plan) -> bool {
        let Some(planned) = draw::planned(plan) else { return false };
        let of = |kind: Kind| self.seats.iter().filter(move |((_, k), _)| *k == kind).map(|(_, done)| done);
        let through = |kind: Kind| of(kind).filter(|done| done.all() >= planned).count();
        if through(Kind::Person).max(through(Kind::Simulated)) >= plan.listeners as usize {
            return true;
        }
        [Kind::Person, Kind::Simulated].into_iter().any(|kind| {
            let answers: u64 = of(kind).map(|done| u64::from(done.scored)).sum();
            let right = self.right[usize::from(kind == Kind::Simulated)];
            plan.looks.iter().any(|l| l.answers == answers && l.least_correct.is_some_and(|least| right >= least))
        })
    }
}
