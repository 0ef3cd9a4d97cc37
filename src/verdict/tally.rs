//! Counting a test's picks: what one listener did. People's trials, rehearsals and the audit go through this.

use crate::model::ids::{ClipId, SetupName};
use crate::model::trial::{Design, Method, OrderRecord, Plan, TrialCount, TrialKind};
use crate::stats::graded;
use crate::stats::verdict::ControlCount;
use crate::trial::hidden::ratings;
use crate::trial::methods;

/// What one listener did in a test.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Scored picks in order: right (`preference`: the first-named setup was preferred), and whether the first choice was picked.
    pub scored: Vec<(bool, bool)>,
    /// Crossed design: answered trials whose samples turned out to be of one setup.
    pub unscored: u64,
    /// Crossed design: every answered trial as the takes test sees it, scored or not.
    pub crossed: Vec<Crossing>,
    /// `preference`: of each scored pick the pair of setups, by their places in the plan, the lower first, and whether that one was
    /// preferred.
    pub pairs: Vec<((usize, usize), bool)>,
    /// `graded`: each trial's ratings of the setups in the plan's order (the reference's is that of the hidden one), then the anchor's.
    pub ratings: Vec<(Vec<f64>, f64)>,
    /// Seconds from opening to pick of each scored trial; empty of simulated listeners.
    pub seconds: Vec<f64>,
    /// Same-file controls.
    pub same_file: ControlCount,
    /// Repeat controls.
    pub repeat: ControlCount,
    /// Known-difference controls.
    pub known: ControlCount,
    /// Confidence, where it was asked for: of each scored answer that was right or wrong.
    pub confidence: Vec<(bool, u8)>,
    /// Some hidden sample was its reference's own file.
    pub own_file: bool,
}

/// A trial of the crossed design: the samples by their clips' places in the plan, in the order of the method's columns, and the place of the
/// one that was picked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Crossing {
    /// Places in the plan's list of clips. Pairs use two.
    pub clips: [u16; 3],
    /// The picked one's place among them.
    pub pick: u8,
}

/// Which setup stands in a slot of a finished trial.
pub(crate) fn setup_of<'a>(plan: &'a Plan, clip: &ClipId) -> Option<&'a SetupName> {
    plan.clips.iter().find(|c| &c.clip == clip).map(|c| &c.setup)
}

impl Tally {
    /// Adds an answered trial.
    pub fn add(&mut self, plan: &Plan, order: &OrderRecord, choice: &str, right: Option<bool>) {
        let control = ControlCount { trials: 1, correct: u64::from(right == Some(true)) };
        match order.kind {
            TrialKind::SameFile => add(&mut self.same_file, control),
            TrialKind::Repeat => add(&mut self.repeat, control),
            TrialKind::Known => add(&mut self.known, control),
            TrialKind::Scored => self.add_scored(plan, order, choice, right),
        }
    }

    fn add_scored(&mut self, plan: &Plan, order: &OrderRecord, choice: &str, right: Option<bool>) {
        let preference = plan.method == Method::Preference;
        let pair = if preference { pair_of(plan, order) } else { None };
        if plan.design == Design::Crossed {
            self.crossed.extend(crossing(plan, order, choice));
            let scored = if preference { pair.is_some_and(|(a, b)| a != b) } else { right.is_some() };
            if !scored {
                self.unscored += 1;
                return;
            }
        }
        let hit = if preference { prefers_first(plan, order, choice) } else { right == Some(true) };
        self.scored.push((hit, matches!(choice, "A" | "1")));
        if plan.method == Method::Graded {
            self.ratings.extend(ratings_of(plan, order, choice));
        }
        self.pairs.extend(pair.map(|pair| (pair, hit)));
        self.own_file |= own_file(plan.method, order);
    }

    /// Adds what was said of the trial that was added last.
    pub fn add_confidence(&mut self, scored: bool, confidence: Option<u8>) {
        if let (true, Some((right, _)), Some(confidence)) = (scored, self.scored.last(), confidence) {
            self.confidence.push((*right, confidence));
        }
    }

    /// Answered trials without controls.
    #[must_use]
    pub fn answered(&self) -> u64 {
        self.scored.len() as u64 + self.unscored
    }

    /// Answered anything at all.
    #[must_use]
    pub fn took_part(&self) -> bool {
        self.answered() + self.same_file.trials + self.repeat.trials + self.known.trials > 0
    }

    /// Planned and not answered; an open-ended test has no such trials.
    #[must_use]
    pub fn unanswered(&self, plan: &Plan) -> u64 {
        match plan.trials {
            TrialCount::Fixed(n) => u64::from(n).saturating_sub(self.answered()),
            TrialCount::OpenEnded => 0,
        }
    }

    /// Right answers.
    #[must_use]
    pub fn correct(&self) -> u64 {
        self.scored.iter().filter(|s| s.0).count() as u64
    }
}

pub(super) fn add(sum: &mut ControlCount, one: ControlCount) {
    sum.trials += one.trials;
    sum.correct += one.correct;
}

/// The trial as the takes test sees it.
fn crossing(plan: &Plan, order: &OrderRecord, choice: &str) -> Option<Crossing> {
    let columns = methods::rules(plan.method).columns;
    let mut clips = [0; 3];
    for (place, label) in clips.iter_mut().zip(columns) {
        let slot = order.slots.iter().find(|s| s.label == *label)?;
        *place = u16::try_from(plan.clips.iter().position(|c| c.clip == slot.clip)?).ok()?;
    }
    let pick = u8::try_from(columns.iter().position(|c| *c == choice)?).ok()?;
    Some(Crossing { clips, pick })
}

/// The ratings of a graded trial by setup, and the anchor's.
fn ratings_of(plan: &Plan, order: &OrderRecord, choice: &str) -> Option<(Vec<f64>, f64)> {
    let given = ratings(choice)?;
    let rated = |anchor: bool, setup: Option<&SetupName>| {
        let slot = order.slots.iter().find(|s| {
            s.anchor == anchor && given.iter().any(|g| g.0 == s.label) && (anchor || setup_of(plan, &s.clip) == setup)
        })?;
        given.iter().find(|g| g.0 == slot.label).map(|g| f64::from(g.1))
    };
    let setups: Option<Vec<f64>> = plan.setups.iter().map(|s| rated(false, Some(s))).collect();
    Some((setups?, rated(true, None)?))
}

/// What ratings come to by ranks: do they depend on the setup? Under the hypothesis that they do not, the ratings of a trial could change
/// places, for the places were drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Ranked {
    /// Of two setups: the first's rating minus the second's.
    Signed(graded::SignedRanks),
    /// Of more; none with fewer than two trials, or where every trial is all ties.
    Friedman(Option<graded::Friedman>),
}

impl Ranked {
    /// Its p, exact where it can be.
    #[must_use]
    pub fn p(&self) -> f64 {
        match self {
            Self::Signed(s) => s.p_two_sided,
            Self::Friedman(f) => f.as_ref().map_or(1.0, |f| f.p_exact.unwrap_or(f.p)),
        }
    }
}

/// The two setups of a preference trial, by their places in the plan, the lower first.
fn pair_of(plan: &Plan, order: &OrderRecord) -> Option<(usize, usize)> {
    let mut places = order.slots.iter().filter_map(|s| plan.setups.iter().position(|p| Some(p) == setup_of(plan, &s.clip)));
    let (a, b) = (places.next()?, places.next()?);
    Some((a.min(b), a.max(b)))
}

/// The picked slot's setup is the one that the plan names first of the pair.
pub(crate) fn prefers_first(plan: &Plan, order: &OrderRecord, choice: &str) -> bool {
    let place = |label: &str| {
        let slot = order.slots.iter().find(|s| s.label == label)?;
        let setup = setup_of(plan, &slot.clip)?;
        plan.setups.iter().position(|s| s == setup)
    };
    let other = if choice == "1" { "2" } else { "1" };
    place(choice).zip(place(other)).is_some_and(|(picked, left)| picked < left)
}

/// The hidden sample's file sounds a second time in the trial: a listener could recognise the take.
fn own_file(method: Method, order: &OrderRecord) -> bool {
    let clips: Vec<_> = order.slots.iter().map(|s| &s.clip).collect();
    match method {
        Method::Preference | Method::Attribute => false,
        _ => clips.iter().enumerate().any(|(i, c)| clips[i + 1..].contains(c)),
    }
}
