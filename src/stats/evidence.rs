//! Evidence that allows stopping at any time: a beta-binomial mixture e-process (Robbins 1970; Ville 1939; Howard, Ramdas, McAuliffe & Sekhon
//! 2021). Under P(right) <= p0, P(E ever reaches 1/alpha) <= alpha.

use super::binomial::{lower_tail, pmf};
use super::special::root;

/// ln of the one-sided evidence with a uniform prior on (p0, 1):
/// E = P(Bin(n+1, p0) <= S) / ((1-p0) (n+1) C(n,S) p0^S q0^F).
#[must_use]
pub fn ln_one_sided(correct: u64, n: u64, p0: f64) -> f64 {
    let numerator = lower_tail(correct, n + 1, p0);
    numerator.ln() - (1.0 - p0).ln() - ((n + 1) as f64).ln() - pmf(correct, n, p0).ln()
}

/// ln of the two-sided evidence at p0: E = 1/((n+1) P(Bin(n,p0) = S)).
#[must_use]
pub fn ln_two_sided(correct: u64, n: u64, p0: f64) -> f64 {
    -((n + 1) as f64).ln() - pmf(correct, n, p0).ln()
}

/// The most evidence at any look, as its logarithm, and the look (from 1) at which it was; (0, nothing) where it never rose above 1.
#[must_use]
pub fn ln_most(outcomes: impl IntoIterator<Item = bool>, p0: f64, two_sided: bool) -> (f64, Option<u64>) {
    let (mut n, mut s, mut most) = (0, 0, (0.0, None));
    for right in outcomes {
        n += 1;
        s += u64::from(right);
        let here = if two_sided { ln_two_sided(s, n, p0) } else { ln_one_sided(s, n, p0) };
        if here > most.0 {
            most = (here, Some(n));
        }
    }
    most
}

/// The smallest anytime p so far: min over looks of 1/E, never above 1.
#[must_use]
pub fn anytime_p(outcomes: impl IntoIterator<Item = bool>, p0: f64, two_sided: bool) -> f64 {
    (-ln_most(outcomes, p0, two_sided).0).exp()
}

/// The distribution of the number right after one more trial that is right with probability `p`.
pub(super) fn one_more(still: &[f64], p: f64) -> Vec<f64> {
    let mut next = vec![0.0; still.len() + 1];
    for (s, share) in still.iter().enumerate() {
        next[s] += share * (1.0 - p);
        next[s + 1] += share * p;
    }
    next
}

/// Fewest right of `n` at which the one-sided evidence reaches 1/alpha; `n + 1` when none does.
#[must_use]
pub fn least_to_reach(n: u64, p0: f64, alpha: f64) -> u64 {
    // E rises with the number right above its mean and is below 1 under it.
    let from = (n as f64 * p0).ceil() as u64;
    (from..=n).find(|s| ln_one_sided(*s, n, p0) >= -alpha.ln() * (1.0 - 1e-12)).unwrap_or(n + 1)
}

/// How an open-ended test goes for a listener who is right with probability `p`: the probability that the evidence reaches 1/alpha within
/// `n` trials, and the mean number of trials used, stopping there or at `n`. By exact recursion.
#[must_use]
pub fn reaching(p0: f64, p: f64, alpha: f64, n: u64) -> (f64, f64) {
    // still[s]: probability that s are right and the evidence has not reached yet.
    let mut still = vec![1.0f64];
    let (mut reached, mut mean) = (0.0, 0.0);
    for trial in 1..=n {
        mean += still.iter().sum::<f64>();
        let least = least_to_reach(trial, p0, alpha) as usize;
        let mut next = one_more(&still, p);
        reached += next.iter().skip(least).sum::<f64>();
        next.truncate(least.min(next.len()));
        still = next;
    }
    (reached, mean)
}

/// The two-sided confidence sequence at level `1 - alpha`: {p : (n+1) P(Bin(n,p) = S) > alpha}.
#[must_use]
pub fn sequence_two_sided(correct: u64, n: u64, alpha: f64) -> [f64; 2] {
    if n == 0 {
        return [0.0, 1.0];
    }
    let at = correct as f64 / n as f64;
    let inside = |p: f64| ((n + 1) as f64).ln() + pmf(correct, n, p).ln() - alpha.ln();
    let low = if correct == 0 { 0.0 } else { root(0.0, at, true, inside) };
    let high = if correct == n { 1.0 } else { root(at, 1.0, false, inside) };
    [low, high]
}

/// The one-sided lower limit at level `1 - alpha`: the largest p0 whose evidence reaches 1/alpha.
#[must_use]
pub fn sequence_lower(correct: u64, n: u64, alpha: f64) -> f64 {
    if correct == 0 {
        return 0.0;
    }
    let at = correct as f64 / n as f64;
    // E at p0 falls as p0 rises towards S/n.
    let excess = |p0: f64| ln_one_sided(correct, n, p0) + alpha.ln();
    if excess(1e-12) < 0.0 { 0.0 } else { root(1e-12, at.min(1.0 - 1e-12), false, excess) }
}

/// The one-sided upper limit: the mirrored lower limit of the wrong answers.
#[must_use]
pub fn sequence_upper(correct: u64, n: u64, alpha: f64) -> f64 {
    1.0 - sequence_lower(n - correct, n, alpha)
}
