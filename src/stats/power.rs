//! Power and planning. Power is a saw-tooth in n, because the true size jumps; two numbers are therefore given.

use super::binomial::{critical, critical_two_sided, lower_tail, upper_tail};

/// Power of the one-sided exact test of size alpha when P(right) is `p1`; 0 when no count reaches alpha.
#[must_use]
pub fn one_sided(n: u64, g: f64, alpha: f64, p1: f64) -> f64 {
    critical(n, g, alpha).map_or(0.0, |c| upper_tail(c, n, p1))
}

/// Power of the two-sided exact test at 1/2 when the first is preferred with probability `p1`.
#[must_use]
pub fn two_sided(n: u64, alpha: f64, p1: f64) -> f64 {
    critical_two_sided(n, alpha).map_or(0.0, |c| upper_tail(c, n, p1) + lower_tail(n - c, n, p1))
}

/// Numbers of trials that reach a power.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Needed {
    /// The smallest n that reaches it.
    pub first: Option<u64>,
    /// The smallest n from which on every larger one (up to the limit of the search) reaches it too.
    pub stable: Option<u64>,
}

/// Searches n = 1..=limit.
#[must_use]
pub fn trials_for(target: f64, limit: u64, power: impl Fn(u64) -> f64) -> Needed {
    let (mut first, mut last_miss) = (None, 0);
    for n in 1..=limit {
        if power(n) >= target {
            first = first.or(Some(n));
        } else {
            last_miss = n;
        }
        // Far beyond the first the saw-tooth cannot fall back: its teeth shrink like 1/sqrt(n) while the curve rises.
        if first.is_some_and(|f| n > 2 * f + 50) {
            break;
        }
    }
    Needed { first, stable: first.filter(|_| last_miss < limit).map(|_| last_miss + 1) }
}

/// The largest number right that still allows "heard in fewer than `bound` of trials" at level beta; `None` when not even 0 does.
#[must_use]
pub fn most_correct_for_similarity(n: u64, g: f64, bound: f64, beta: f64) -> Option<u64> {
    let p = g + (1.0 - g) * bound;
    if lower_tail(0, n, p) > beta {
        return None;
    }
    let (mut low, mut high) = (0, n + 1);
    while high - low > 1 {
        let middle = low.midpoint(high);
        if lower_tail(middle, n, p) <= beta { low = middle } else { high = middle }
    }
    Some(low)
}
