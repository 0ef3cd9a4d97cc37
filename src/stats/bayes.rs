//! A second opinion, never a gate: a hierarchical Bayesian estimate of the share of trials truly heard.
//!
//! Listener i truly hears a share theta_i of the trials and guesses the rest: right ~ Bin(n_i, g + (1 - g) theta_i). theta_i ~ Beta with mean
//! mu and correlation rho = 1/(a + b + 1). Prior, stated in the report: mu uniform on 0..1, rho uniform on 0..1, independent. Everything is
//! added up on a fixed grid, so that the same counts give the same digits: 50 cells of mu, 10 Gauss-Legendre-like midpoints of rho, 200 cells
//! of theta whose prior weight is the exact beta probability. Form: Gelman and others, Bayesian Data Analysis, chapter 5 (from memory).

use super::panel::Count;
use statrs::function::beta::beta_reg;
use std::sync::LazyLock;

const MEANS: usize = 50;
const SPREADS: usize = 10;
const SHARES: usize = 200;

/// Median and 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Posterior median.
    pub median: f64,
    /// Lower end, posterior 2.5 %.
    pub low: f64,
    /// Upper end, posterior 97.5 %.
    pub high: f64,
}

/// Shares truly heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Each listener's own, drawn towards the panel's mean.
    pub listeners: Vec<Estimate>,
    /// The mean of listeners like these; `None` with one listener, who says nothing of others.
    pub panel: Option<Estimate>,
}

/// Prior weights of theta's cells for every mu and rho.
static PRIOR: LazyLock<Vec<Vec<f64>>> = LazyLock::new(|| {
    let cells = |mean: usize, spread: usize| {
        let (mu, rho) = (middle(mean, MEANS), middle(spread, SPREADS));
        let size = 1.0 / rho - 1.0;
        let below = |edge: usize| match edge {
            0 => 0.0,
            SHARES => 1.0,
            inner => beta_reg(mu * size, (1.0 - mu) * size, inner as f64 / SHARES as f64),
        };
        let edges: Vec<f64> = (0..=SHARES).map(below).collect();
        edges.windows(2).map(|w| w[1] - w[0]).collect()
    };
    (0..MEANS).flat_map(|m| (0..SPREADS).map(move |s| cells(m, s))).collect()
});

fn middle(cell: usize, of: usize) -> f64 {
    (cell as f64 + 0.5) / of as f64
}

/// ln of the likelihood of a count in every cell of theta, its largest 0.
fn likelihood((n, x): Count, g: f64) -> Vec<f64> {
    let ln: Vec<f64> = (0..SHARES)
        .map(|cell| {
            let p = g + (1.0 - g) * middle(cell, SHARES);
            x as f64 * p.ln() + (n - x.min(n)) as f64 * (1.0 - p).ln()
        })
        .collect();
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    ln.into_iter().map(|l| (l - top).exp()).collect()
}

/// Where a distribution over equal cells of 0..1 reaches a share, evenly spread within a cell.
fn reached(cells: &[f64], share: f64) -> f64 {
    let wanted = share * cells.iter().sum::<f64>();
    let mut below = 0.0;
    for (i, weight) in cells.iter().enumerate() {
        if below + weight >= wanted && *weight > 0.0 {
            return (i as f64 + (wanted - below) / weight) / cells.len() as f64;
        }
        below += weight;
    }
    1.0
}

fn estimate(cells: &[f64]) -> Estimate {
    Estimate { median: reached(cells, 0.5), low: reached(cells, 0.025), high: reached(cells, 0.975) }
}

/// The estimate out of each listener's answered scored trials (trials, right) at chance `g`. `None` where nobody answered.
#[must_use]
pub fn heard(counts: &[Count], g: f64) -> Option<Heard> {
    if counts.iter().all(|c| c.0 == 0) {
        return None;
    }
    let mut kinds: Vec<Count> = counts.to_vec();
    kinds.sort_unstable();
    kinds.dedup();
    let likelihoods: Vec<Vec<f64>> = kinds.iter().map(|c| likelihood(*c, g)).collect();
    let many: Vec<f64> = kinds.iter().map(|k| counts.iter().filter(|c| *c == k).count() as f64).collect();
    let dot = |prior: &[f64], of: &[f64]| prior.iter().zip(of).map(|(p, l)| p * l).sum::<f64>();
    // Posterior of (mu, rho): the product of the listeners' marginal likelihoods.
    let marginal: Vec<Vec<f64>> = PRIOR.iter().map(|prior| likelihoods.iter().map(|l| dot(prior, l)).collect()).collect();
    let ln: Vec<f64> = marginal.iter().map(|m| m.iter().zip(&many).map(|(v, k)| k * v.ln()).sum()).collect();
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weight: Vec<f64> = ln.into_iter().map(|l| (l - top).exp()).collect();
    let own: Vec<Estimate> = likelihoods
        .iter()
        .enumerate()
        .map(|(k, of)| {
            let mut cells = vec![0.0; SHARES];
            for ((prior, weight), marginal) in PRIOR.iter().zip(&weight).zip(&marginal) {
                // Beyond a millionth of the weight nothing moves the fourth digit.
                if *weight > 1e-9 && marginal[k] > 0.0 {
                    let scale = weight / marginal[k];
                    cells.iter_mut().zip(prior.iter().zip(of)).for_each(|(c, (p, l))| *c += scale * p * l);
                }
            }
            estimate(&cells)
        })
        .collect();
    let means: Vec<f64> = weight.chunks(SPREADS).map(|of_mean| of_mean.iter().sum()).collect();
    let listeners = counts.iter().filter_map(|c| kinds.binary_search(c).ok().map(|i| own[i])).collect();
    Some(Heard { listeners, panel: (counts.len() > 1).then(|| estimate(&means)) })
}
