//! Counting a test's picks: what one listener did, and all of them pooled. People's trials, rehearsals and the audit go through this.

use crate::model::ids::{ClipId, SetupName};
use crate::model::trial::{Method, OrderRecord, Plan, TrialCount, TrialKind};
use crate::stats::binomial::{two_sided, upper_tail};
use crate::stats::evidence;
use crate::stats::graded;
use crate::stats::panel::holm;
use crate::stats::verdict::{ControlCount, Counted, Numbers, Surroundings, numbers, only_p};
use crate::trial::hidden::ratings;

/// What one listener did in a test.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Scored picks in order: right (`preference`: the first-named setup was preferred), and whether the first choice was picked.
    pub scored: Vec<(bool, bool)>,
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
    /// Some hidden sample was its reference's own file.
    pub own_file: bool,
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
            // Counted where the verdict asks for them.
            TrialKind::Known => {}
            TrialKind::Scored => {
                let first_choice = matches!(choice, "A" | "1");
                let hit =
                    if plan.method == Method::Preference { prefers_first(plan, order, choice) } else { right == Some(true) };
                self.scored.push((hit, first_choice));
                if plan.method == Method::Graded {
                    self.ratings.extend(ratings_of(plan, order, choice));
                }
                if plan.method == Method::Preference
                    && let Some(pair) = pair_of(plan, order)
                {
                    self.pairs.push((pair, hit));
                }
                self.own_file |= own_file(plan.method, order);
            }
        }
    }

    /// Right answers.
    #[must_use]
    pub fn correct(&self) -> u64 {
        self.scored.iter().filter(|s| s.0).count() as u64
    }
}

fn add(sum: &mut ControlCount, one: ControlCount) {
    sum.trials += one.trials;
    sum.correct += one.correct;
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

/// The ratings of all trials of these listeners by ranks.
#[must_use]
pub fn ranked(tallies: &[&Tally]) -> Ranked {
    let rows: Vec<&Vec<f64>> = tallies.iter().flat_map(|t| t.ratings.iter().map(|r| &r.0)).collect();
    if rows.first().is_some_and(|r| r.len() == 2) {
        return Ranked::Signed(graded::signed_ranks(&rows.iter().map(|r| r[0] - r[1]).collect::<Vec<_>>()));
    }
    let rows: Vec<Vec<f64>> = rows.into_iter().cloned().collect();
    Ranked::Friedman(graded::friedman(&rows))
}

/// The two setups of a preference trial, by their places in the plan, the lower first.
fn pair_of(plan: &Plan, order: &OrderRecord) -> Option<(usize, usize)> {
    let mut places = order.slots.iter().filter_map(|s| plan.setups.iter().position(|p| Some(p) == setup_of(plan, &s.clip)));
    let (a, b) = (places.next()?, places.next()?);
    Some((a.min(b), a.max(b)))
}

/// What the picks say of one pair of setups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairCount {
    /// Places of both in the plan, the lower first.
    pub pair: (usize, usize),
    /// How often the lower was preferred.
    pub first: u64,
    /// Picks of this pair.
    pub picks: u64,
    /// Two-sided p; open-ended: anytime p.
    pub p: f64,
    /// After Holm over the pairs.
    pub p_holm: f64,
}

/// Every pair of a preference test, with Holm over them.
#[must_use]
pub fn pair_counts(plan: &Plan, tallies: &[&Tally]) -> Vec<PairCount> {
    let mut out = Vec::new();
    for a in 0..plan.setups.len() {
        for b in a + 1..plan.setups.len() {
            let picks = || tallies.iter().flat_map(|t| t.pairs.iter()).filter(move |p| p.0 == (a, b)).map(|p| p.1);
            let (n, x) = (picks().count() as u64, picks().filter(|hit| *hit).count() as u64);
            let p = match plan.trials {
                TrialCount::Fixed(_) => two_sided(x, n, 0.5),
                TrialCount::OpenEnded => evidence::anytime_p(picks(), 0.5, true),
            };
            out.push(PairCount { pair: (a, b), first: x, picks: n, p, p_holm: p });
        }
    }
    let adjusted = holm(&out.iter().map(|p| p.p).collect::<Vec<_>>());
    for (pair, p) in out.iter_mut().zip(adjusted) {
        pair.p_holm = p;
    }
    out
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

/// Trials of one listener that count: all planned ones, or for an open-ended test those answered.
pub(crate) fn counting(plan: &Plan, tally: &Tally) -> u64 {
    match plan.trials {
        TrialCount::Fixed(n) => u64::from(n),
        TrialCount::OpenEnded => tally.scored.len() as u64,
    }
}

/// Counts of a test, pooled.
#[derive(Debug, Clone)]
pub struct Pooled {
    /// What is judged.
    pub counted: Counted,
    /// Its numbers.
    pub numbers: Numbers,
    /// The gates' input, Holm over tests not yet in.
    pub around: Surroundings,
    /// Answered scored trials.
    pub answered: u64,
}

/// Pools tallies of one test. `preference` with several pairs is judged pair by pair: its p is the smallest after Holm, and no count of it
/// all stands for a verdict.
#[must_use]
pub fn pool(plan: &Plan, tallies: &[&Tally]) -> Pooled {
    let trials: u64 = tallies.iter().map(|t| counting(plan, t)).sum();
    let correct: u64 = tallies.iter().map(|t| t.correct()).sum();
    let answered: u64 = tallies.iter().map(|t| t.scored.len() as u64).sum();
    let paired = plan.method == Method::Preference;
    let g = plan.method.chance().map_or(0.5, |(a, b)| f64::from(a) / f64::from(b));
    let anytime = (plan.trials == TrialCount::OpenEnded)
        .then(|| evidence::anytime_p(tallies.iter().flat_map(|t| t.scored.iter().map(|s| s.0)), g, paired));
    // An unanswered preference is no preference for the second: only answered picks are compared.
    let trials = if paired || plan.method == Method::Graded { answered } else { trials };
    let counted = Counted { method: plan.method, trials, correct, alpha: plan.alpha.value(), bound: plan.bound.value(), anytime };
    let mut numbers = numbers(&counted);
    if paired && plan.setups.len() > 2 {
        let least = pair_counts(plan, tallies).iter().map(|p| p.p_holm).fold(1.0, f64::min);
        match plan.trials {
            TrialCount::Fixed(_) => numbers.p_value = Some(least),
            TrialCount::OpenEnded => numbers.anytime_p = least,
        }
        (numbers.critical, numbers.true_size, numbers.mid_p, numbers.power) = (None, None, None, Vec::new());
    }
    let rated = plan.method == Method::Graded;
    if rated {
        numbers = only_p(&counted, ranked(tallies).p());
    }
    let p = numbers.p_value.unwrap_or(numbers.anytime_p);
    let of_one = |t: &&Tally| if rated { ranked(&[*t]).p() } else { listener_p(plan, t, g) };
    let listeners = tallies.iter().map(of_one).collect();
    let mut around = Surroundings { own_file: tallies.iter().any(|t| t.own_file), listeners, ..Surroundings::bare(p) };
    for t in tallies {
        add(&mut around.same_file, t.same_file);
        add(&mut around.repeat, t.repeat);
    }
    Pooled { counted, numbers, around, answered }
}

fn listener_p(plan: &Plan, tally: &Tally, g: f64) -> f64 {
    if plan.method == Method::Preference && plan.setups.len() > 2 {
        // As for all together: pair by pair, for to lean to whatever was named first is no preference.
        return pair_counts(plan, &[tally]).iter().map(|p| p.p_holm).fold(1.0, f64::min);
    }
    let (n, x) = (counting(plan, tally), tally.correct());
    match plan.trials {
        TrialCount::OpenEnded => evidence::anytime_p(tally.scored.iter().map(|s| s.0), g, plan.method == Method::Preference),
        TrialCount::Fixed(_) if plan.method == Method::Preference => two_sided(x, tally.scored.len() as u64, 0.5),
        TrialCount::Fixed(_) => upper_tail(x, n, g),
    }
}
