//! Thurstonian d': from the probability of a right answer under a stated model.
//!
//! Formulas: Frijters, Kooistra & Vereijken 1980, Ennis 1993, Bi 2006 (from memory; each was
//! verified by simulating its decision rule before it came here). A d' without its model's name is meaningless.

use super::special::{density, integrate, phi, quantile, root};
use std::f64::consts::SQRT_2;

/// A model of how a listener decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Two samples, one has more of a named attribute.
    TwoAfc,
    /// Three samples, which is the odd one.
    Triangle,
    /// A reference and two samples: which is nearer.
    DuoTrio,
    /// ABX by the nearer of A and B; the same function as duo-trio.
    AbxDifferencing,
}

impl Model {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::TwoAfc => "2-afc",
            Self::Triangle => "triangle",
            Self::DuoTrio => "duo-trio",
            Self::AbxDifferencing => "abx-differencing",
        }
    }

    /// The chance of guessing right.
    #[must_use]
    pub fn chance(self) -> f64 {
        match self {
            Self::Triangle => 1.0 / 3.0,
            _ => 0.5,
        }
    }

    /// P(right) at d' = `d`, 0 or more.
    #[must_use]
    pub fn p_correct(self, d: f64) -> f64 {
        let (r2, r6) = (SQRT_2, 6f64.sqrt());
        match self {
            Self::TwoAfc => phi(d / r2),
            Self::Triangle => {
                let (r3, r23) = (3f64.sqrt(), (2f64 / 3.0).sqrt());
                2.0 * integrate(0.0, 12.0, 12, |z| (phi(-z * r3 + d * r23) + phi(-z * r3 - d * r23)) * density(z))
            }
            Self::DuoTrio | Self::AbxDifferencing => {
                let (a, b) = (phi(d / r2), phi(d / r6));
                1.0 - a - b + 2.0 * a * b
            }
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
