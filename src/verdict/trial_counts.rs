//! A test's trials, taken up one after another: tallies by listener and counts, so that nobody has to hold a million records at once.

use crate::model::glance::{Glance, GlanceState};
use crate::model::ids::{ListenerCode, NameError};
use crate::model::session::Listener;
use crate::model::trial::{OrderRecord, Plan, TrialCount, TrialKind, TrialRecord, TrialState};
use crate::store::{Session, StoreError};
use crate::trial::canonical_order;
use crate::verdict::promises;
use crate::verdict::tally::Tally;
use jiff::Timestamp;
use std::collections::{HashMap, HashSet};

/// Tallies by listener, in the order in which they began.
pub(crate) type Tallies = Vec<(ListenerCode, Tally)>;

/// Whose answers they are. The three are never added together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Who {
    /// People who heard sound.
    People,
    /// Simulated listeners.
    Simulated,
    /// People on the silent device.
    Practice,
}

impl Who {
    const ALL: [Self; 3] = [Self::People, Self::Simulated, Self::Practice];
}

/// What the trials of one test come to.
#[derive(Debug, Default)]
pub struct Gathered {
    simulated_codes: HashSet<ListenerCode>,
    tallies: [Tallies; 3],
    places: HashMap<(Who, ListenerCode), usize>,
    /// Outcomes of scored trials in the order of the log; gathered for open-ended tests alone.
    outcomes: [Vec<(i64, bool)>; 3],
    /// Void trials.
    pub(crate) void: u64,
    /// The first trial whose commitment does not open, in words. Only [`gather`] looks.
    pub(crate) problem: Option<String>,
}

/// What is looked at in a trial.
enum Seen<'a> {
    Open,
    Void,
    Answered { choice: &'a str, order: &'a OrderRecord, right: Option<bool>, seconds: Option<f64>, confidence: Option<u8> },
}

impl Gathered {
    /// Nothing yet; `listeners` tell who is simulated.
    #[must_use]
    pub fn new(listeners: &[Listener]) -> Self {
        let simulated_codes = listeners.iter().filter(|l| l.simulated).map(|l| l.code.clone()).collect();
        Self { simulated_codes, ..Self::default() }
    }

    /// All of these trials, given in the order of the log.
    #[must_use]
    pub fn of(plan: &Plan, listeners: &[Listener], trials: &[TrialRecord]) -> Self {
        let mut all = Self::new(listeners);
        (0i64..).zip(trials).for_each(|(seq, trial)| all.add(plan, trial, seq));
        all
    }

    /// Takes one more, whose pick has this place in the log.
    pub fn add(&mut self, plan: &Plan, trial: &TrialRecord, seq: i64) {
        let seen = match &trial.state {
            TrialState::Open => Seen::Open,
            TrialState::Void { .. } => Seen::Void,
            TrialState::Answered { answer, order, right, at, .. } => Seen::Answered {
                choice: &answer.choice,
                order,
                right: *right,
                seconds: pace(trial.opened_at, *at),
                confidence: answer.confidence,
            },
        };
        let at = self.place(&trial.listener, trial.practice);
        self.count(plan, at, &seen, seq);
    }

    /// Who began is who has a trial.
    fn place(&mut self, listener: &ListenerCode, practice: bool) -> (Who, usize) {
        let who = if self.simulated_codes.contains(listener) {
            Who::Simulated
        } else if practice {
            Who::Practice
        } else {
            Who::People
        };
        if let Some(at) = self.places.get(&(who, listener.clone())) {
            return (who, *at);
        }
        let tallies = &mut self.tallies[who as usize];
        tallies.push((listener.clone(), Tally::default()));
        let at = tallies.len() - 1;
        self.places.insert((who, listener.clone()), at);
        (who, at)
    }

    fn count(&mut self, plan: &Plan, (who, at): (Who, usize), seen: &Seen<'_>, seq: i64) {
        match *seen {
            Seen::Open => {}
            Seen::Void => self.void += 1,
            Seen::Answered { choice, order, right, seconds, confidence } => {
                let (listener, tally) = &mut self.tallies[who as usize][at];
                // Nobody answers more trials than the plan gives them: where one did, records were copied.
                if let (TrialCount::Fixed(planned), TrialKind::Scored) = (plan.trials, order.kind)
                    && tally.answered() >= u64::from(planned)
                {
                    let what = format!("{listener} has more answers than the {planned} planned trials");
                    self.problem.get_or_insert(what);
                    return;
                }
                let before = tally.scored.len();
                tally.add(plan, order, choice, right);
                let scored = tally.scored.len() > before;
                tally.add_confidence(scored && right.is_some(), confidence);
                if order.kind == TrialKind::Scored && who != Who::Simulated {
                    // Simulated listeners have no pace.
                    tally.seconds.extend(seconds);
                }
                if in_order(plan)
                    && let Some((hit, _)) = tally.scored.last().filter(|_| scored)
                {
                    self.outcomes[who as usize].push((seq, *hit));
                }
            }
        }
    }

    /// Takes one more by a glance at it, and looks whether its commitment opens.
    fn glance(&mut self, plan: &Plan, trial: &Glance<'_>, orders: &mut Orders) -> Result<(), Unread> {
        let at = match self.known_place(trial.listener, trial.practice) {
            Some(at) => at,
            None => self.place(&ListenerCode::new(trial.listener)?, trial.practice),
        };
        let seen = match trial.state {
            GlanceState::Open => Seen::Open,
            GlanceState::Void => Seen::Void,
            GlanceState::Answered { choice, order, nonce, right, at: when } => {
                let (order, canonical) = orders.known(order)?;
                if self.problem.is_none() {
                    let opened = promises::Opening { commitment: trial.commitment, nonce, canonical, order, choice, right };
                    self.problem = promises::opening_told(&plan.test, trial.number, &opened);
                }
                // The times of simulated listeners need not be read.
                let seconds = if at.0 == Who::Simulated { None } else { pace(trial.opened_at.parse()?, when.parse()?) };
                Seen::Answered { choice, order, right, seconds, confidence: None }
            }
        };
        self.count(plan, at, &seen, 0);
        Ok(())
    }

    /// The place of somebody who is known, by the name as it stands in a record. Trials of one listener mostly follow one another.
    fn known_place(&self, listener: &str, practice: bool) -> Option<(Who, usize)> {
        let simulated = self.simulated_codes.contains(listener);
        let who = match (simulated, practice) {
            (true, _) => Who::Simulated,
            (false, true) => Who::Practice,
            (false, false) => Who::People,
        };
        let tallies = &self.tallies[who as usize];
        tallies.iter().rposition(|t| t.0.as_str() == listener).map(|at| (who, at))
    }

    /// Who is scored: people if any person answered, else simulated listeners, else practice.
    #[must_use]
    pub fn who(&self) -> Who {
        let any = |who: &Who| self.tallies[*who as usize].iter().any(|t| t.1.took_part());
        Who::ALL.into_iter().find(any).unwrap_or(Who::People)
    }

    /// The tallies of those who are scored and answered anything at all.
    pub(crate) fn panel(&self) -> Vec<(&ListenerCode, &Tally)> {
        self.tallies[self.who() as usize].iter().filter(|t| t.1.took_part()).map(|(code, tally)| (code, tally)).collect()
    }

    /// Everybody who began, with all that they answered, practice left out where there is anything else.
    pub(crate) fn progress(&self) -> Vec<(ListenerCode, bool, u64)> {
        let all = |t: &Tally| t.answered() + t.same_file.trials + t.repeat.trials + t.known.trials;
        let of = |who: Who| self.tallies[who as usize].iter().map(move |(code, t)| (code.clone(), who == Who::Simulated, all(t)));
        let heard: Vec<_> = of(Who::People).chain(of(Who::Simulated)).collect();
        if heard.is_empty() { of(Who::Practice).collect() } else { heard }
    }

    /// Open-ended: the outcomes of who is scored, in the order in which they were given.
    pub(crate) fn outcomes(&self) -> Vec<bool> {
        let mut given = self.outcomes[self.who() as usize].clone();
        given.sort_by_key(|(seq, _)| *seq);
        given.into_iter().map(|(_, hit)| hit).collect()
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

/// The place of every pick in the log, by its trial.
///
/// # Errors
/// The log cannot be read.
pub(crate) fn pick_order(session: &Session) -> Result<HashMap<String, i64>, StoreError> {
    let mut places = HashMap::new();
    session.each_entry(&mut |entry| {
        if entry.what == "pick" {
            places.insert(entry.subject.to_owned(), entry.seq);
        }
    })?;
    Ok(places)
}

/// The order of the answers matters: no end was set, or there are looks before it.
pub(crate) fn in_order(plan: &Plan) -> bool {
    plan.trials == TrialCount::OpenEnded || !plan.looks.is_empty()
}

/// What a glance does not see is needed: the order of the picks, or confidence.
fn needs_whole(plan: &Plan) -> bool {
    in_order(plan) || plan.ask_confidence
}

/// Reads all trials of a session in one pass and takes them up: for each of these plans what its trials come to.
///
/// # Errors
/// The records cannot be read.
pub(crate) fn gather(session: &Session, plans: &[&Plan], listeners: &[Listener]) -> Result<Vec<Gathered>, StoreError> {
    let mut all: Vec<Gathered> = plans.iter().map(|_| Gathered::new(listeners)).collect();
    let ordered = plans.iter().any(|p| in_order(p));
    let places = if ordered { pick_order(session)? } else { HashMap::new() };
    let mut orders = Orders::default();
    let mut at = 0;
    session.each_trial_text(&mut |test, text| {
        // Trials of one test mostly follow one another.
        if plans.get(at).is_none_or(|p| p.test.as_str() != test) {
            let Some(found) = plans.iter().position(|p| p.test.as_str() == test) else { return Ok(()) };
            at = found;
        }
        let plan = plans[at];
        match Glance::read(text).filter(|_| !needs_whole(plan)) {
            Some(trial) => all[at].glance(plan, &trial, &mut orders).map_err(|e| e.to_string()),
            None => {
                let trial: TrialRecord = serde_json::from_str(text).map_err(|e| e.to_string())?;
                if all[at].problem.is_none() {
                    all[at].problem = promises::commitment_told(&trial);
                }
                let seq = places.get(trial.id.as_str()).copied().unwrap_or(i64::MAX);
                all[at].add(plan, &trial, seq);
                Ok(())
            }
        }
    })?;
    Ok(all)
}
