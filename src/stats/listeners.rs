//! Who heard it? How unequal the listeners are, who is named, and how likely a lone hearer among guessers would be.

use super::binomial::{critical, pmf, upper_tail};
use super::missing::Answers;
use super::panel::{Count, answered, heterogeneity, holm};
use crate::model::random::RandomWords;
use std::collections::BTreeMap;

/// Level of the test of equal listeners that `heard-some` and `heard-small` ask for.
pub const UNEQUAL_LEVEL: f64 = 0.05;

/// So many shuffles where the tables are too many.
pub const DRAWN: u64 = 9_999;

/// Most states of the exact recursion.
const STATES: usize = 5_000;

/// With more trials than this, chi-square stands for the permutations: both agree to three digits there.
const MOST_SHUFFLED: u64 = 20_000;

/// How a p of equal listeners was had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// Over all tables with these margins.
    Exact,
    /// By [`DRAWN`] shuffles of the answers over the listeners.
    Drawn,
    /// By chi-square: more than 20 000 trials.
    ChiSquare,
}

/// Test of equal listeners.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unequal {
    /// sum (x_i - n_i p)^2 / n_i, with p the share of all.
    pub statistic: f64,
    /// Share of permutations whose statistic is not below it.
    pub p: f64,
    /// How it was had.
    pub how: How,
}

/// sum (x_i - n_i p)^2/n_i = sum x_i^2/n_i - X^2/N: with X and N fixed the first sum decides.
fn statistic(counts: &[Count], x: &[u64]) -> f64 {
    counts.iter().zip(x).map(|(c, x)| (*x as f64).powi(2) / c.0 as f64).sum()
}

/// Permutation test of equal listeners over the answered scored trials (trials, right): every way to deal the right answers over the trials.
/// p = 1 with fewer than two listeners, or where all or none are right. `random` is asked only where the tables are too many.
#[must_use]
pub fn unequal(counts: &[Count], random: &mut dyn RandomWords) -> Unequal {
    let counts = answered(counts);
    let (n, right) = counts.iter().fold((0, 0), |(n, x), c| (n + c.0, x + c.1));
    let own: Vec<u64> = counts.iter().map(|c| c.1).collect();
    let squares = statistic(&counts, &own);
    let shown = if n == 0 { 0.0 } else { (squares - (right as f64).powi(2) / n as f64).max(0.0) };
    if counts.len() < 2 || right == 0 || right == n {
        return Unequal { statistic: shown, p: 1.0, how: How::Exact };
    }
    if let Some(p) = exact(&counts, right, squares) {
        return Unequal { statistic: shown, p, how: How::Exact };
    }
    if n > MOST_SHUFFLED {
        let p = heterogeneity(&counts).map_or(1.0, |h| h.p);
        return Unequal { statistic: shown, p, how: How::ChiSquare };
    }
    let limit = squares * (1.0 - 1e-12);
    let far = (0..DRAWN).filter(|_| statistic(&counts, &dealt(&counts, right, n, random)) >= limit).count();
    Unequal { statistic: shown, p: (far + 1) as f64 / (DRAWN + 1) as f64, how: How::Drawn }
}

/// The right answers dealt over the trials, every deal as likely: each trial in turn is right with the share that is left.
fn dealt(counts: &[Count], right: u64, all: u64, random: &mut dyn RandomWords) -> Vec<u64> {
    let (mut right, mut left) = (right, all);
    let mut one = || {
        let hit = random.below(left) < right;
        left -= 1;
        right -= u64::from(hit);
        u64::from(hit)
    };
    counts.iter().map(|c| (0..c.0).map(|_| one()).sum()).collect()
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// By recursion over listeners: the weight of every (right so far, sum of squares so far). Squares are made whole by the common multiple of
/// the trials, so that equal ones meet. `None` where they are too many.
fn exact(counts: &[Count], right: u64, squares: f64) -> Option<f64> {
    let common = counts.iter().try_fold(1u64, |l, c| Some(l / gcd(l, c.0) * c.0).filter(|l| *l <= 1_000_000))?;
    let mut states: BTreeMap<(u64, u64), f64> = BTreeMap::from([((0, 0), 1.0)]);
    let mut left: u64 = counts.iter().map(|c| c.0).sum();
    for (n, _) in counts {
        let mut next: BTreeMap<(u64, u64), f64> = BTreeMap::new();
        for ((dealt, sum), weight) in &states {
            let wanted = right - dealt;
            for x in wanted.saturating_sub(left - n)..=wanted.min(*n) {
                let share = hypergeometric(x, *n, wanted, left);
                *next.entry((dealt + x, sum + x * x * (common / n))).or_insert(0.0) += weight * share;
            }
            if next.len() > STATES {
                return None;
            }
        }
        left -= n;
        states = next;
    }
    let limit = squares * common as f64 * (1.0 - 1e-12);
    let mut parts: Vec<f64> = states.iter().filter(|((_, sum), _)| *sum as f64 >= limit).map(|(_, w)| *w).collect();
    parts.sort_by(f64::total_cmp);
    Some(parts.iter().sum::<f64>().min(1.0))
}

/// P that `x` of `right` among `all` fall to the first `n`: Bin(x; n) Bin(right - x; all - n) / Bin(right; all) at one common chance, which
/// keeps its digits where factorials are large.
fn hypergeometric(x: u64, n: u64, right: u64, all: u64) -> f64 {
    if right == 0 || right == all {
        return 1.0;
    }
    let p = right as f64 / all as f64;
    pmf(x, n, p) * pmf(right - x, all - n, p) / pmf(right, all, p)
}

/// Who is named.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// Each listener's p: P(X >= S | N), unanswered trials against them.
    pub p: Vec<f64>,
    /// After Holm.
    pub p_holm: Vec<f64>,
    /// The listeners whose p after Holm is at most the level.
    pub named: Vec<usize>,
    /// True: pooled p at most the level, two listeners or more, unequal, some named and some not.
    pub heard_some: bool,
}

/// The condition of `heard-some`; `pooled` is the test's p, `unequal` that of equal listeners.
#[must_use]
pub fn heard_some(listeners: &[Answers], g: f64, level: f64, pooled: f64, unequal: f64) -> Named {
    let p: Vec<f64> = listeners.iter().map(|a| upper_tail(a.right, a.trials(), g)).collect();
    let p_holm = holm(&p);
    let named: Vec<usize> = (0..p.len()).filter(|i| p_holm[*i] <= level).collect();
    let some = !named.is_empty() && named.len() < p.len();
    let heard_some = pooled <= level && p.len() > 1 && unequal <= UNEQUAL_LEVEL && some;
    Named { p, p_holm, named, heard_some }
}

/// The condition of `heard-small` beside "the upper limit of distinguishers is below the bound": listeners alike, and no single listener
/// whose lower 95 % limit of distinguishers is above the bound.
#[must_use]
pub fn small_for_all(listeners: &[Answers], g: f64, bound: f64, unequal: f64) -> bool {
    let lower = |a: &Answers| {
        let p = super::intervals::clopper_pearson_lower(a.right, a.trials(), 0.05);
        super::intervals::distinguishers(p, g)
    };
    unequal > UNEQUAL_LEVEL && listeners.iter().all(|a| lower(a) <= bound)
}

/// A panel that is planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    /// Trials of each listener.
    pub trials: u64,
    /// Listeners.
    pub listeners: u64,
    /// Chance.
    pub g: f64,
    /// Level of the test.
    pub level: f64,
}

impl Planned {
    /// `power_one_hearer`: one listener who is right with `p` among guessers is named by an own test at Holm's first step, level / listeners.
    #[must_use]
    pub fn one_hearer(self, p: f64) -> f64 {
        super::power::one_sided(self.trials, self.g, self.level / self.listeners.max(1) as f64, p)
    }

    /// The same with all of Holm's steps: guessers with a small p of their own open the way. Beyond the first step this adds little, and
    /// never takes anything away.
    #[must_use]
    pub fn one_hearer_holm(self, p: f64) -> f64 {
        let k = self.listeners.max(1);
        // steps[i]: P(p of a guesser <= level/(k - i)), and the count from which a p is that small.
        let steps: Vec<(u64, f64)> = (0..k)
            .map(|i| {
                let least = critical(self.trials, self.g, self.level / (k - i) as f64).unwrap_or(self.trials + 1);
                (least, upper_tail(least, self.trials, self.g))
            })
            .collect();
        (0..=self.trials)
            .filter_map(|x| {
                let step = steps.iter().position(|(least, _)| x >= *least)?;
                Some(pmf(x, self.trials, p) * opened(&steps[..step], k - 1))
            })
            .sum()
    }
}

/// P that of so many guessers at least one has a p within the first step, at least two within the second, and so on.
fn opened(steps: &[(u64, f64)], guessers: u64) -> f64 {
    // within[c]: probability that c guessers lie within the steps so far, and that every step so far was open.
    let mut within = vec![0.0; guessers as usize + 1];
    within[0] = 1.0;
    let mut before = 0.0;
    for (i, (_, share)) in steps.iter().enumerate() {
        // Of those outside the last step each lies within this one with this chance.
        let more = if before < 1.0 { ((share - before) / (1.0 - before)).clamp(0.0, 1.0) } else { 0.0 };
        let mut next = vec![0.0; within.len()];
        for (c, weight) in within.iter().enumerate().filter(|(_, w)| **w > 0.0) {
            let left = guessers - c as u64;
            for more_of in 0..=left {
                next[c + more_of as usize] += weight * pmf(more_of, left, more);
            }
        }
        next.iter_mut().take(i + 1).for_each(|w| *w = 0.0);
        (within, before) = (next, *share);
    }
    within.iter().sum()
}
