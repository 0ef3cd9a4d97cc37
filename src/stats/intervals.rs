//! Intervals for a proportion, and the proportion of distinguishers.

use super::binomial::{lower_tail, upper_tail};
use super::special::{quantile, root};

/// Lower end of the one-sided Clopper-Pearson interval at level `1 - a`: the p at which P(X >= x) = a; 0 at x = 0.
#[must_use]
pub fn clopper_pearson_lower(x: u64, n: u64, a: f64) -> f64 {
    if x == 0 { 0.0 } else { root(0.0, 1.0, true, |p| upper_tail(x, n, p) - a) }
}

/// Upper end of the one-sided Clopper-Pearson interval at level `1 - a`: the p at which P(X <= x) = a; 1 at x = n.
#[must_use]
pub fn clopper_pearson_upper(x: u64, n: u64, a: f64) -> f64 {
    if x >= n { 1.0 } else { root(0.0, 1.0, false, |p| lower_tail(x, n, p) - a) }
}

/// The two-sided Clopper-Pearson interval at level `1 - a`. It agrees with the exact test.
#[must_use]
pub fn clopper_pearson(x: u64, n: u64, a: f64) -> [f64; 2] {
    [clopper_pearson_lower(x, n, a / 2.0), clopper_pearson_upper(x, n, a / 2.0)]
}

/// Wilson's interval at level `1 - a`, without continuity correction: for plots.
#[must_use]
pub fn wilson(x: u64, n: u64, a: f64) -> [f64; 2] {
    if n == 0 {
        return [0.0, 1.0];
    }
    let (nf, p, z) = (n as f64, x as f64 / n as f64, quantile(1.0 - a / 2.0));
    let scale = 1.0 + z * z / nf;
    let middle = (p + z * z / (2.0 * nf)) / scale;
    let half = z * (p * (1.0 - p) / nf + z * z / (4.0 * nf * nf)).sqrt() / scale;
    [(middle - half).max(0.0), (middle + half).min(1.0)]
}

/// Proportion of distinguishers: (p - g)/(1 - g), the share of trials that were truly heard if the rest was guessed (ISO 4120, ISO 10399,
/// Abbott's formula). Raw: it may be negative.
#[must_use]
pub fn distinguishers_raw(p_correct: f64, g: f64) -> f64 {
    (p_correct - g) / (1.0 - g)
}

/// The same, clipped to 0..1.
#[must_use]
pub fn distinguishers(p_correct: f64, g: f64) -> f64 {
    distinguishers_raw(p_correct, g).clamp(0.0, 1.0)
}

/// Similarity: P(X <= x) if a share `bound` of trials were truly heard (ISO 4120, ISO 5495, ISO 10399).
#[must_use]
pub fn similarity_p(x: u64, n: u64, g: f64, bound: f64) -> f64 {
    lower_tail(x, n, g + (1.0 - g) * bound)
}
