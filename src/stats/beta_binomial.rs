//! How unequal the members of a panel are: each listener's chance of a right answer is drawn from a beta distribution (Skellam 1948; from
//! memory). The correlation rho = 1/(a + b + 1) is 0 when all are alike.

use super::panel::{Count, answered, chi_square_tail};
use statrs::function::factorial::ln_factorial;
use statrs::function::gamma::{digamma, ln_gamma};

/// A fit by maximum likelihood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BetaBinomial {
    /// Mean chance of a right answer, a/(a + b).
    pub mean: f64,
    /// First shape.
    pub a: f64,
    /// Second shape.
    pub b: f64,
    /// Correlation of two answers of one listener.
    pub rho: f64,
    /// Log-likelihood, binomial coefficients included.
    pub log_likelihood: f64,
    /// Likelihood ratio against one common chance.
    pub ratio: f64,
    /// Its p: half a chi-square of 1 degree of freedom, for rho lies on the border under the hypothesis.
    pub p: f64,
}

fn ln_choose(n: u64, x: u64) -> f64 {
    ln_factorial(n) - ln_factorial(x) - ln_factorial(n - x)
}

fn log_likelihood(counts: &[Count], a: f64, b: f64) -> f64 {
    let ln_beta = |p: f64, q: f64| ln_gamma(p) + ln_gamma(q) - ln_gamma(p + q);
    let term = |&(n, x): &Count| ln_choose(n, x) + ln_beta(x as f64 + a, (n - x) as f64 + b) - ln_beta(a, b);
    counts.iter().map(term).sum()
}

/// The score in (ln a, ln b).
fn score(counts: &[Count], ln: [f64; 2]) -> [f64; 2] {
    let (a, b) = (ln[0].exp(), ln[1].exp());
    counts.iter().fold([0.0, 0.0], |sum, &(n, x)| {
        let common = digamma(a + b) - digamma(n as f64 + a + b);
        [
            sum[0] + a * (digamma(x as f64 + a) - digamma(a) + common),
            sum[1] + b * (digamma((n - x) as f64 + b) - digamma(b) + common),
        ]
    })
}

/// Fits by Newton on the score, from the moments. `None` with fewer than two listeners, when all or none are right, or when the counts
/// scatter no more than one common chance explains (then rho is 0 and there is no finite fit).
#[must_use]
pub fn fit(counts: &[Count]) -> Option<BetaBinomial> {
    let counts = answered(counts);
    let n: f64 = counts.iter().map(|c| c.0 as f64).sum();
    let mean = counts.iter().map(|c| c.1 as f64).sum::<f64>() / n;
    if counts.len() < 2 || mean <= 0.0 || mean >= 1.0 {
        return None;
    }
    let spread: f64 = counts.iter().map(|c| (c.1 as f64 - c.0 as f64 * mean).powi(2)).sum::<f64>() / (mean * (1.0 - mean));
    let extra: f64 = counts.iter().map(|c| c.0 as f64 * (c.0 as f64 - 1.0)).sum();
    let rho = (spread - n) / extra;
    if rho <= 0.0 {
        return None;
    }
    let size = (1.0 / rho.min(0.9) - 1.0).max(0.05);
    let mut ln = [(mean * size).ln(), ((1.0 - mean) * size).ln()];
    let mut found = false;
    for _ in 0..200 {
        let g = score(&counts, ln);
        let h = 1e-5;
        let column = |i: usize| {
            let (mut up, mut down) = (ln, ln);
            up[i] += h;
            down[i] -= h;
            let (up, down) = (score(&counts, up), score(&counts, down));
            [(up[0] - down[0]) / (2.0 * h), (up[1] - down[1]) / (2.0 * h)]
        };
        let (c0, c1) = (column(0), column(1));
        let det = c0[0] * c1[1] - c1[0] * c0[1];
        let step = [(g[0] * c1[1] - c1[0] * g[1]) / det, (c0[0] * g[1] - g[0] * c0[1]) / det];
        // Far from the top Newton may leap: never by more than a factor of e.
        let longest = step[0].abs().max(step[1].abs());
        if !longest.is_finite() {
            return None;
        }
        let damp = (1.0 / longest).min(1.0);
        ln[0] -= damp * step[0];
        ln[1] -= damp * step[1];
        if longest < 1e-11 {
            found = true;
            break;
        }
    }
    if !found || ln[0].max(ln[1]) > 20.0 {
        return None;
    }
    let (a, b) = (ln[0].exp(), ln[1].exp());
    let log_likelihood = log_likelihood(&counts, a, b);
    let alike: f64 =
        counts.iter().map(|&(n, x)| ln_choose(n, x) + x as f64 * mean.ln() + (n - x) as f64 * (1.0 - mean).ln()).sum();
    let ratio = (2.0 * (log_likelihood - alike)).max(0.0);
    Some(BetaBinomial {
        mean: a / (a + b),
        a,
        b,
        rho: 1.0 / (a + b + 1.0),
        log_likelihood,
        ratio,
        p: 0.5 * chi_square_tail(ratio, 1.0),
    })
}

/// The share below which the part `u` of a beta distribution with this mean and correlation lies: how a panel of unequal listeners is drawn.
/// With `rho` 0 all are alike.
#[must_use]
pub fn share_at(u: f64, mean: f64, rho: f64) -> f64 {
    if rho <= 0.0 || mean <= 0.0 || mean >= 1.0 {
        return mean.clamp(0.0, 1.0);
    }
    if rho >= 1.0 {
        return f64::from(u >= 1.0 - mean);
    }
    let sum = 1.0 / rho - 1.0;
    let (a, b) = (mean * sum, (1.0 - mean) * sum);
    super::special::root(0.0, 1.0, true, |p| statrs::function::beta::beta_reg(a, b, p) - u)
}
