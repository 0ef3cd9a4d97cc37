//! Preference with the listener as the unit: picks of one listener are not independent opinions.
//!
//! * one listener: exact two-sided test of their own picks, p = min(1, 2 P(X >= ahead | N))
//! * several: d_i = (ahead - behind - unanswered)/planned of listener i, *ahead* the setup that leads over the panel; the statistic is
//!   |sum d_i|, over all 2^K sign patterns (Fisher's randomisation of signs). Unanswered trials go against the lead; if that turns it, p = 1
//! * bound: two one-sided tests (Schuirmann 1987; from memory) put the mean share of picks within 1/2 -+ bound/2, by pooled binomials, which
//!   are conservative for unequal listeners (Hoeffding 1956; from memory)

use super::binomial::{lower_tail, upper_tail};
use super::graded::{quartiles, signed_ranks};
use super::listeners::unequal;
use super::panel::holm;
use crate::model::random::RandomWords;

/// Up to so many listeners every sign pattern is looked at.
pub const EXACT_LISTENERS: usize = 20;

/// Beyond, so many patterns are drawn, and the true one is added.
pub const DRAWN: u64 = 19_999;

/// Level of each of the two one-sided tests behind a bound.
pub const BOUND_LEVEL: f64 = 0.05;

/// Picks of a listener, or of a panel, over a pair of setups.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Picks {
    /// Picks of the first setup.
    pub first: u64,
    /// Picks of the second setup.
    pub second: u64,
    /// Planned and not answered.
    pub unanswered: u64,
}

/// Which of a pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ahead {
    /// The first setup.
    First,
    /// The second setup.
    Second,
}

impl Picks {
    /// Answered ones.
    #[must_use]
    pub fn answered(self) -> u64 {
        self.first + self.second
    }

    /// N: answered and unanswered.
    #[must_use]
    pub fn trials(self) -> u64 {
        self.answered() + self.unanswered
    }

    /// The setup that was picked oftener; `None` where both were as often.
    #[must_use]
    pub fn ahead(self) -> Option<Ahead> {
        match self.first.cmp(&self.second) {
            std::cmp::Ordering::Greater => Some(Ahead::First),
            std::cmp::Ordering::Less => Some(Ahead::Second),
            std::cmp::Ordering::Equal => None,
        }
    }

    /// Exact two-sided p by picks: min(1, 2 P(X >= picks of the one ahead | N)), unanswered trials with the one behind.
    #[must_use]
    pub fn p_value(self) -> f64 {
        (2.0 * upper_tail(self.first.max(self.second), self.trials(), 0.5)).min(1.0)
    }

    /// The same over the answered ones alone.
    #[must_use]
    pub fn p_value_answered(self) -> f64 {
        Self { unanswered: 0, ..self }.p_value()
    }

    /// All picks of these listeners.
    #[must_use]
    pub fn pooled(of: &[Self]) -> Self {
        of.iter().fold(Self::default(), |sum, p| Self {
            first: sum.first + p.first,
            second: sum.second + p.second,
            unanswered: sum.unanswered + p.unanswered,
        })
    }

    /// Two one-sided tests that the mean share of picks lies within 1/2 -+ bound/2, unanswered trials with the one ahead.
    #[must_use]
    pub fn bounded(self, bound: f64, level: f64) -> Bounded {
        let (x, n) = (self.first.max(self.second) + self.unanswered, self.trials());
        let p_not_below = upper_tail(x, n, 0.5 - bound / 2.0);
        let p_not_above = lower_tail(x, n, 0.5 + bound / 2.0);
        Bounded { p_not_below, p_not_above, bounded: n > 0 && p_not_below <= level && p_not_above <= level }
    }
}

/// Two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounded {
    /// P of so many picks or more at 1/2 - bound/2.
    pub p_not_below: f64,
    /// P of so many picks or fewer at 1/2 + bound/2.
    pub p_not_above: f64,
    /// Both at most the level.
    pub bounded: bool,
}

/// The test over sign patterns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signs {
    /// |sum d|.
    pub sum: f64,
    /// The setup that leads over the panel.
    pub ahead: Option<Ahead>,
    /// Patterns that were looked at.
    pub patterns: u64,
    /// Share of patterns whose |sum| is not below.
    pub p: f64,
}

/// The smallest p that so many listeners can reach: 2^(1 - K).
#[must_use]
pub fn least_p_listeners(listeners: u64) -> f64 {
    0.5f64.powf(listeners as f64 - 1.0).min(1.0).max(1.0 / (1.0 + DRAWN as f64))
}

/// `p_listeners`. Listeners without a lean stay in. `random` is asked only above twenty listeners; seed it from the seal.
#[must_use]
pub fn sign_patterns(listeners: &[Picks], random: &mut dyn RandomWords) -> Signs {
    let lean = |p: &Picks| if p.trials() == 0 { 0.0 } else { (p.first as f64 - p.second as f64) / p.trials() as f64 };
    let led: f64 = listeners.iter().map(lean).sum();
    // Ties by rounding are ties.
    let ahead = if led > 1e-12 {
        Some(Ahead::First)
    } else if led < -1e-12 {
        Some(Ahead::Second)
    } else {
        None
    };
    let way = if ahead == Some(Ahead::Second) { -1.0 } else { 1.0 };
    let missing = |p: &Picks| if p.trials() == 0 { 0.0 } else { p.unanswered as f64 / p.trials() as f64 };
    let d: Vec<f64> = listeners.iter().map(|p| way * lean(p) - missing(p)).collect();
    let sum: f64 = d.iter().sum();
    if ahead.is_none() || sum <= 1e-12 {
        return Signs { sum: sum.max(0.0), ahead, patterns: patterns(d.len()), p: 1.0 };
    }
    let (patterns, p) = flipped(&d, sum, random);
    Signs { sum, ahead, patterns, p }
}

fn patterns(listeners: usize) -> u64 {
    if listeners > EXACT_LISTENERS { DRAWN + 1 } else { 1 << listeners }
}

fn flipped(d: &[f64], sum: f64, random: &mut dyn RandomWords) -> (u64, f64) {
    let limit = sum.abs() - 1e-12 * (1.0 + sum.abs());
    if d.len() <= EXACT_LISTENERS {
        // Sums of all patterns, one listener after another; half of them, for the other half mirrors them.
        let mut sums = vec![d.first().copied().unwrap_or(0.0)];
        for value in &d[1.min(d.len())..] {
            let flipped: Vec<f64> = sums.iter().map(|s| s - value).collect();
            sums.iter_mut().for_each(|s| *s += value);
            sums.extend(flipped);
        }
        let far = sums.iter().filter(|s| s.abs() >= limit).count();
        return (patterns(d.len()), far as f64 / sums.len() as f64);
    }
    let far = (0..DRAWN)
        .filter(|_| {
            let mut word = 0;
            let drawn: f64 = d
                .iter()
                .enumerate()
                .map(|(i, value)| {
                    if i % 64 == 0 {
                        word = random.next_word();
                    }
                    if word >> (i % 64) & 1 == 1 { *value } else { -value }
                })
                .sum();
            drawn.abs() >= limit
        })
        .count() as u64;
    (DRAWN + 1, (far + 1) as f64 / (DRAWN + 1) as f64)
}

/// Of whom a preference is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// The one listener there is.
    One,
    /// Each of the listeners, by an own test.
    Each,
    /// The listeners together, each as one opinion.
    Listeners,
}

impl Scope {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::One => "one",
            Self::Each => "each",
            Self::Listeners => "listeners",
        }
    }
}

/// What a pair of setups gets.
#[derive(Debug, Clone, PartialEq)]
pub struct Taste {
    /// The p that decides: of one listener by picks, of several [`Taste::p_listeners`].
    pub p_value: f64,
    /// Over sign patterns; `None` with one listener.
    pub p_listeners: Option<f64>,
    /// By picks, pooled: decides only where there is one listener.
    pub p_by_picks: f64,
    /// The setup that leads.
    pub ahead: Option<Ahead>,
    /// Each listener's own two-sided p.
    pub p_own: Vec<f64>,
    /// After Holm.
    pub p_own_holm: Vec<f64>,
    /// Each listener's leading setup.
    pub own_ahead: Vec<Option<Ahead>>,
    /// p of equal listeners.
    pub p_unequal: f64,
    /// Of whom a preference may be said, if of anybody.
    pub scope: Option<Scope>,
    /// Opinions differ: unequal at the level, no preference, and someone each way after Holm.
    pub divided: bool,
    /// The bound on the mean share.
    pub bounded: Bounded,
}

/// Judges a pair. `listeners` are those who took part, the crossed design's unscored trials left out.
#[must_use]
pub fn taste(listeners: &[Picks], level: f64, bound: f64, random: &mut dyn RandomWords) -> Taste {
    let pooled = Picks::pooled(listeners);
    let several = listeners.len() > 1;
    let signs = sign_patterns(listeners, random);
    let counts: Vec<(u64, u64)> = listeners.iter().map(|p| (p.answered(), p.first)).collect();
    let p_unequal = unequal(&counts, random).p;
    let p_own: Vec<f64> = listeners.iter().map(|p| p.p_value()).collect();
    let own_ahead: Vec<Option<Ahead>> = listeners.iter().map(|p| p.ahead()).collect();
    let p_own_holm = holm(&p_own);
    let p_value = if several { signs.p } else { pooled.p_value() };
    let one_way = own_ahead.windows(2).all(|w| w[0] == w[1]) && own_ahead.first().is_some_and(Option::is_some);
    let each = several && one_way && p_own.iter().all(|p| *p <= level);
    let scope = if listeners.is_empty() {
        None
    } else if p_value <= level {
        Some(if several { Scope::Listeners } else { Scope::One })
    } else {
        each.then_some(Scope::Each)
    };
    let someone = |way| own_ahead.iter().zip(&p_own_holm).any(|(a, p)| *a == Some(way) && *p <= level);
    let divided = scope.is_none() && p_unequal <= level && someone(Ahead::First) && someone(Ahead::Second);
    Taste {
        p_value,
        p_listeners: several.then_some(signs.p),
        p_by_picks: pooled.p_value(),
        ahead: if several { signs.ahead } else { pooled.ahead() },
        p_own,
        p_own_holm,
        own_ahead,
        p_unequal,
        scope,
        divided,
        bounded: pooled.bounded(bound, BOUND_LEVEL),
    }
}

/// Three setups or more: every pair judged, its p after Holm over the pairs. The level of a pair's own claims is its share of the level at
/// which Holm stops.
#[must_use]
pub fn pairs(of: &[Vec<Picks>], level: f64, bound: f64, random: &mut dyn RandomWords) -> Vec<(Taste, f64)> {
    let first: Vec<Taste> = of.iter().map(|listeners| taste(listeners, level, bound, random)).collect();
    let adjusted = holm(&first.iter().map(|t| t.p_value).collect::<Vec<_>>());
    // What several listeners claim by own tests is not stepped down: it is asked for at the strictest level.
    let strict = level / of.len().max(1) as f64;
    first
        .into_iter()
        .zip(adjusted)
        .map(|(mut t, p)| {
            let by_p = matches!(t.scope, Some(Scope::One | Scope::Listeners));
            let each =
                t.p_own.len() > 1 && t.p_own.iter().all(|own| *own <= strict) && t.own_ahead.windows(2).all(|w| w[0] == w[1]);
            t.scope = if by_p && p <= level { t.scope } else { each.then_some(Scope::Each) };
            let someone = |way| t.own_ahead.iter().zip(&t.p_own_holm).any(|(a, own)| *a == Some(way) && *own <= strict);
            t.divided = t.scope.is_none() && t.p_unequal <= strict && someone(Ahead::First) && someone(Ahead::Second);
            (t, p)
        })
        .collect()
}

/// Ratings over listeners: each listener's median difference (first minus second); one listener: their own trials' differences.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rated {
    /// Median of the differences that were tested.
    pub median: f64,
    /// Two-sided p of signed ranks.
    pub p: f64,
    /// Differences that were tested: listeners, or one listener's trials.
    pub units: usize,
    /// True where listeners are the units.
    pub by_listeners: bool,
}

/// Signed ranks over listeners (Wilcoxon 1945); below six listeners .05 cannot be reached. `None` without a difference.
#[must_use]
pub fn rated(listeners: &[Vec<f64>]) -> Option<Rated> {
    let there: Vec<&Vec<f64>> = listeners.iter().filter(|d| !d.is_empty()).collect();
    let by_listeners = there.len() > 1;
    let units: Vec<f64> =
        if by_listeners { there.iter().filter_map(|d| quartiles(d)).map(|q| q[1]).collect() } else { there.first()?.to_vec() };
    let median = quartiles(&units)?[1];
    Some(Rated { median, p: signed_ranks(&units).p_two_sided, units: units.len(), by_listeners })
}
