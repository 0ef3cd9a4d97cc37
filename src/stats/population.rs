//! Listeners like these: the mean share truly heard in the population that the listeners stand for.
//!
//! Each listener's share theta is drawn from a beta distribution with mean mu and correlation rho = 1/(a + b + 1); P(right) = g + (1 - g)
//! theta (corrected beta-binomial, Brockhoff 2003; from memory). With t = rho/(1 - rho) the chance that h of n trials are truly heard is
//! C(n,h) prod_{i<h} (mu + i t) prod_{i<n-h} (1 - mu + i t) / prod_{i<n} (1 + i t): the same as by Beta functions, and good at rho = 0 and
//! mu = 0, which are the usual case.

use super::binomial::pmf;
use super::panel::{Count, answered};
use statrs::function::factorial::ln_factorial;
use std::collections::BTreeMap;

/// Fewer listeners stand for nobody.
pub const LEAST_LISTENERS: usize = 10;

/// Chi-square of one degree of freedom that a one-sided limit at 95 % reaches: 1.6449 squared.
const REACH: f64 = 2.705_543_454_095_404;

/// Beyond this the spread counts as run to its end: listeners hear all or nothing.
const END: f64 = 0.999;

/// Mean share truly heard among listeners like these.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Population {
    /// The likeliest mean.
    pub mean: f64,
    /// The likeliest correlation: 0 where all are alike.
    pub rho: f64,
    /// Approximate one-sided upper 95 % limit of the mean, by profile likelihood.
    pub upper95: f64,
}

/// One kind of listener: so many trials, so many right, and how many such listeners.
struct Kind {
    n: usize,
    /// ln of C(n,h) P(x - h of n - h guessed right), h = 0..=x.
    ways: Vec<f64>,
    listeners: f64,
}

fn kinds(counts: &[Count], g: f64) -> Vec<Kind> {
    let mut same: BTreeMap<Count, f64> = BTreeMap::new();
    for count in counts {
        *same.entry(*count).or_insert(0.0) += 1.0;
    }
    let ln_choose = |n: u64, h: u64| ln_factorial(n) - ln_factorial(h) - ln_factorial(n - h);
    same.into_iter()
        .map(|((n, x), listeners)| Kind {
            n: n as usize,
            ways: (0..=x).map(|h| ln_choose(n, h) + pmf(x - h, n - h, g).ln()).collect(),
            listeners,
        })
        .collect()
}

/// Sums of logarithms: `out[k]` = sum over i < k of ln(start + i t).
fn rising(start: f64, t: f64, n: usize) -> Vec<f64> {
    std::iter::once(0.0)
        .chain((0..n).scan(0.0, |sum, i| {
            *sum += (start + i as f64 * t).ln();
            Some(*sum)
        }))
        .collect()
}

fn log_likelihood(kinds: &[Kind], mu: f64, rho: f64) -> f64 {
    let t = rho / (1.0 - rho);
    let most = kinds.iter().map(|k| k.n).max().unwrap_or(0);
    let (heard, missed, all) = (rising(mu, t, most), rising(1.0 - mu, t, most), rising(1.0, t, most));
    kinds
        .iter()
        .map(|kind| {
            let terms = kind.ways.iter().enumerate().map(|(h, w)| (w + heard[h] + missed[kind.n - h] - all[kind.n]).exp());
            kind.listeners * terms.sum::<f64>().ln()
        })
        .sum()
}

/// The largest of a function over low..high: a grid, then golden section around its best point. Place and value.
fn largest(low: f64, high: f64, steps: u32, f: impl Fn(f64) -> f64) -> (f64, f64) {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let at = |i: u32| low + (high - low) * f64::from(i) / f64::from(steps);
    let values: Vec<f64> = (0..=steps).map(|i| f(at(i))).collect();
    let best = (0..=steps).max_by(|a, b| values[*a as usize].total_cmp(&values[*b as usize])).unwrap_or(0);
    let (mut a, mut b) = (at(best.saturating_sub(1)), at((best + 1).min(steps)));
    for _ in 0..40 {
        let (c, d) = (b - GOLDEN * (b - a), a + GOLDEN * (b - a));
        if f(c) >= f(d) { b = d } else { a = c }
    }
    let middle = 0.5 * (a + b);
    // The border itself may be the top.
    [(middle, f(middle)), (at(best), values[best as usize])]
        .into_iter()
        .fold((low, f64::NEG_INFINITY), |m, p| if p.1 > m.1 { p } else { m })
}

/// Profile: the best rho for a mean. Small ones are looked at closely.
fn best_spread(kinds: &[Kind], mu: f64) -> (f64, f64) {
    let (root_rho, value) = largest(0.0, 1.0 - 1e-9, 24, |r| log_likelihood(kinds, mu, (r * r).min(1.0 - 1e-9)));
    (root_rho * root_rho, value)
}

/// The mean share heard and its limit: the mean above the likeliest at which 2 (l max - l) = 2.7055. Counts are (trials, right) of who
/// answered; `None` below ten listeners, or where the likeliest spread runs to its end.
#[must_use]
pub fn population(counts: &[Count], g: f64) -> Option<Population> {
    let counts = answered(counts);
    if counts.len() < LEAST_LISTENERS {
        return None;
    }
    let kinds = kinds(&counts, g);
    let profile = |mu: f64| best_spread(&kinds, mu).1;
    let (mean, top) = largest(0.0, 1.0 - 1e-9, 40, profile);
    let rho = best_spread(&kinds, mean).0;
    // With a mean of nothing or of all there is no spread to speak of.
    if mean > 0.0 && mean < 1.0 - 1e-6 && rho > END {
        return None;
    }
    let short = |mu: f64| 2.0 * (top - profile(mu)) - REACH;
    let upper95 = if short(1.0 - 1e-9) <= 0.0 { 1.0 } else { limit(mean, short) };
    Some(Population { mean, rho, upper95 })
}

/// To six digits: the limit itself is approximate.
fn limit(mean: f64, short: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (mean, 1.0 - 1e-9);
    while high - low > 1e-7 {
        let middle = 0.5 * (low + high);
        if short(middle) > 0.0 { high = middle } else { low = middle }
    }
    0.5 * (low + high)
}
