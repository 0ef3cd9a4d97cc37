//! Thurstonian d': from the probability of a right answer under a stated model.
//!
//! Formulas: Frijters, Kooistra & Vereijken 1980, Ennis 1993, Bi 2006, Macmillan & Creelman 2005, Hautus & Meng 2002 (from memory; each was
//! verified by simulating its decision rule before it came here). A d' without its model's name is meaningless.

use super::special::{density, integrate, phi, quantile, root};
use std::f64::consts::SQRT_2;

/// A model of how a listener decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Two samples, one has more of a named attribute.
    TwoAfc,
    /// Three samples, one has more of a named attribute.
    ThreeAfc,
    /// Three samples, which is the odd one.
    Triangle,
    /// A reference and two samples: which is nearer.
    DuoTrio,
    /// ABX by the nearer of A and B; the same function as duo-trio.
    AbxDifferencing,
    /// ABX by independent observations: the best that can be done.
    AbxIndependent,
    /// Same or different, independent observations, unbiased.
    SameDifferent,
    /// One sample, A and B known perfectly, unbiased.
    OneInterval,
}

impl Model {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::TwoAfc => "2-afc",
            Self::ThreeAfc => "3-afc",
            Self::Triangle => "triangle",
            Self::DuoTrio => "duo-trio",
            Self::AbxDifferencing => "abx-differencing",
            Self::AbxIndependent => "abx-independent",
            Self::SameDifferent => "same-different",
            Self::OneInterval => "one-interval",
        }
    }

    /// The chance of guessing right.
    #[must_use]
    pub fn chance(self) -> f64 {
        match self {
            Self::ThreeAfc | Self::Triangle => 1.0 / 3.0,
            _ => 0.5,
        }
    }

    /// P(right) at d' = `d`, 0 or more.
    #[must_use]
    pub fn p_correct(self, d: f64) -> f64 {
        let (r2, r6) = (SQRT_2, 6f64.sqrt());
        match self {
            Self::TwoAfc => phi(d / r2),
            Self::ThreeAfc => integrate(-8.0, d + 8.0, 16, |x| density(x - d) * phi(x).powi(2)),
            Self::Triangle => {
                let (r3, r23) = (3f64.sqrt(), (2f64 / 3.0).sqrt());
                2.0 * integrate(0.0, 12.0, 12, |z| (phi(-z * r3 + d * r23) + phi(-z * r3 - d * r23)) * density(z))
            }
            Self::DuoTrio | Self::AbxDifferencing => {
                let (a, b) = (phi(d / r2), phi(d / r6));
                1.0 - a - b + 2.0 * a * b
            }
            Self::AbxIndependent => phi(d / r2) * phi(d / 2.0) + phi(-d / r2) * phi(-d / 2.0),
            Self::SameDifferent => phi(d / 2.0).powi(2) + phi(-d / 2.0).powi(2),
            Self::OneInterval => phi(d / 2.0),
        }
    }

    /// d' at which P(right) = `p`: 0 at or below chance, infinite at 1.
    #[must_use]
    pub fn d_prime(self, p: f64) -> f64 {
        if p <= self.chance() {
            return 0.0;
        }
        if p >= 1.0 {
            return f64::INFINITY;
        }
        match self {
            Self::TwoAfc => SQRT_2 * quantile(p),
            Self::OneInterval => 2.0 * quantile(p),
            Self::SameDifferent => 2.0 * quantile(0.5 * (1.0 + (2.0 * p - 1.0).sqrt())),
            _ => root(0.0, 40.0, true, |d| self.p_correct(d) - p),
        }
    }
}

/// The likelihood-ratio interval of P(right), restricted to chance and above: {p : 2 [l(max(S/n, g)) - l(p)] <= z^2}.
#[must_use]
pub fn likelihood_interval(correct: u64, n: u64, g: f64, a: f64) -> [f64; 2] {
    if n == 0 {
        return [g, 1.0];
    }
    let (s, f) = (correct as f64, (n - correct) as f64);
    let z = quantile(1.0 - a / 2.0);
    let log_likelihood = |p: f64| {
        let right = if s > 0.0 { s * p.ln() } else { 0.0 };
        let wrong = if f > 0.0 { f * (1.0 - p).ln() } else { 0.0 };
        right + wrong
    };
    let best = (s / n as f64).max(g);
    let excess = |p: f64| 2.0 * (log_likelihood(best) - log_likelihood(p)) - z * z;
    let low = if excess(g) <= 0.0 { g } else { root(g, best, false, excess) };
    let high = if f <= 0.0 { 1.0 } else { root(best, 1.0, true, excess) };
    [low, high]
}

/// d' by likelihood, and its likelihood-ratio interval at level `1 - a`. Infinite ends are infinite.
#[must_use]
pub fn estimate(model: Model, correct: u64, n: u64, a: f64) -> (f64, [f64; 2]) {
    let [low, high] = likelihood_interval(correct, n, model.chance(), a);
    let point = if n == 0 { 0.0 } else { model.d_prime(correct as f64 / n as f64) };
    (point, [model.d_prime(low), model.d_prime(high)])
}

/// The delta-method standard error; `None` at or below chance and at n of n, where it does not exist.
#[must_use]
pub fn delta_error(model: Model, correct: u64, n: u64) -> Option<f64> {
    let p = correct as f64 / n as f64;
    if n == 0 || p <= model.chance() || correct >= n {
        return None;
    }
    let d = model.d_prime(p);
    // Central difference: the functions are smooth, and h^2 against rounding is balanced near 1e-5.
    let h = 1e-5;
    let slope = (model.p_correct(d + h) - model.p_correct((d - h).max(0.0))) / (d + h - (d - h).max(0.0));
    Some((p * (1.0 - p) / n as f64).sqrt() / slope)
}

/// Same or different by how far two samples seem apart: rates, the criterion, and d'.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SameDifferent {
    /// Share of "different" where they were.
    pub hits: f64,
    /// Share of "different" where they were not.
    pub false_alarms: f64,
    /// How far apart two samples must seem to be called different.
    pub criterion: f64,
    /// d'; 0 where hits do not exceed false alarms, infinite where all were hits.
    pub d: f64,
}

/// The differencing model of same-different answers (Macmillan & Creelman 2005, chapter 9; from memory): the criterion is
/// t = -sqrt2 z(FA/2), and d' solves H = Phi((d-t)/sqrt2) + Phi((-d-t)/sqrt2). `corrected` adds a half to each count and one to each total
/// (Hautus 1995), so that no rate is 0 or 1. `hits` of `different` pairs, `false_alarms` of `same` pairs.
#[must_use]
pub fn same_different(hits: u64, different: u64, false_alarms: u64, same: u64, corrected: bool) -> SameDifferent {
    let rate = |x: u64, n: u64| {
        if corrected { (x as f64 + 0.5) / (n as f64 + 1.0) } else { x as f64 / n as f64 }
    };
    let (h, fa) = (rate(hits, different), rate(false_alarms, same));
    let criterion = -SQRT_2 * quantile(fa / 2.0);
    let at = |d: f64| phi((d - criterion) / SQRT_2) + phi((-d - criterion) / SQRT_2);
    let d = if h >= 1.0 {
        f64::INFINITY
    } else if h <= at(0.0) {
        0.0
    } else {
        root(0.0, 40.0, true, |d| at(d) - h)
    };
    SameDifferent { hits: h, false_alarms: fa, criterion, d }
}
