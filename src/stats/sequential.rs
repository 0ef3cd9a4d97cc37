//! Looking before the end, in the ways that a plan can allow for: spending functions, exact looks at given counts, Wald's lines, and a capped
//! test that may be looked at after every trial. What a sealed test uses is the fixed number or [`super::evidence`]; these are for
//! recomputing other people's tests, and the price of a look.

use super::evidence::{ln_most, ln_one_sided, one_more};
use super::special::{density, nodes, phi, quantile, root};

/// How much of the level may be used up by the share `t` of the trials (Lan & DeMets 1983; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spending {
    /// After O'Brien and Fleming: 2 - 2 Phi(z(1 - alpha/2) / sqrt t). Almost nothing early.
    Late,
    /// After Pocock: alpha ln(1 + (e - 1) t). About the same at every look.
    Even,
}

impl Spending {
    /// What may be spent by the share `t` (0 to 1) at the one-sided level `alpha`.
    #[must_use]
    pub fn spent(self, t: f64, alpha: f64) -> f64 {
        if t <= 0.0 {
            return 0.0;
        }
        match self {
            Self::Late => 2.0 * phi(-quantile(1.0 - alpha / 2.0) / t.sqrt()),
            Self::Even => alpha * (1.0 + (std::f64::consts::E - 1.0) * t).ln(),
        }
    }
}

/// z at each look (shares `t` of the information, rising) at which a test of a drifting mean stops, one-sided, for large numbers: the density
/// of what has not stopped is carried from look to look by Gauss-Legendre quadrature (Armitage, McPherson & Rowe 1969; from memory).
#[must_use]
pub fn boundaries(t: &[f64], alpha: f64, spending: Spending) -> Vec<f64> {
    // So far below its mean no score has weight left.
    const LOWEST: f64 = -9.0;
    const PANELS: u32 = 24;
    let mut found: Vec<f64> = Vec::new();
    // The score's nodes at the last look, each with its weight times the density of what went on.
    let mut going_on: Vec<(f64, f64)> = vec![(0.0, 1.0)];
    let mut before = (0.0, 0.0);
    for at in t.iter().copied() {
        let step = (at - before.0).sqrt();
        let (spent, scale) = (spending.spent(at, alpha), at.sqrt());
        let crossing = |z: f64| going_on.iter().map(|(x, w)| w * phi((x - z * scale) / step)).sum::<f64>();
        let z = root(-8.0, 12.0, false, |z| crossing(z) - (spent - before.1));
        let arriving = |x: f64| going_on.iter().map(|(y, w)| w * density((x - y) / step) / step).sum::<f64>();
        going_on = nodes(LOWEST * scale, z * scale, PANELS).into_iter().map(|(x, w)| (x, w * arriving(x))).collect();
        found.push(z);
        before = (at, spent);
    }
    found
}

/// Looks at given numbers of trials: the fewest right at each that stop the test, so that the exact probability of ever stopping by chance
/// stays within what is spent; one more than the trials where no number does. Beside each the exact probability used up by then.
#[must_use]
pub fn looks(at: &[u64], p0: f64, alpha: f64, spending: Spending) -> Vec<(u64, f64)> {
    let Some(last) = at.last().copied() else { return Vec::new() };
    let (mut still, mut used, mut trials) = (vec![1.0f64], 0.0, 0);
    let mut out = Vec::new();
    for look in at {
        while trials < *look {
            still = one_more(&still, p0);
            trials += 1;
        }
        let allowed = spending.spent(*look as f64 / last as f64, alpha);
        // From the top down: as many counts as still fit.
        let (mut least, mut here) = (still.len(), 0.0);
        while least > 0 && used + here + still[least - 1] <= allowed {
            least -= 1;
            here += still[least];
        }
        // Counts that were cut off at an earlier look weigh nothing: the number named is the lowest that can still be reached, or n + 1.
        let named = if here > 0.0 { least as u64 } else { look + 1 };
        used += here;
        if here > 0.0 {
            still.truncate(least);
        }
        out.push((named, used));
    }
    out
}

/// Wald's two lines: stop as different at S >= slope n + upper, as alike at S <= slope n - lower.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lines {
    /// Rise per trial.
    pub slope: f64,
    /// Above the line.
    pub upper: f64,
    /// Below the line.
    pub lower: f64,
}

/// What Wald's lines say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WaldSays {
    /// More than chance.
    Different,
    /// Less than the share looked for.
    Alike,
    /// Not yet anything.
    GoOn,
}

/// The lines for chance `p0` against `p1`, errors `alpha` and `beta` (Wald 1945; ISO 16820). With g = ln(p1/p0) + ln(q0/q1):
/// slope = ln(q0/q1)/g, upper = ln((1-beta)/alpha)/g, lower = ln((1-alpha)/beta)/g.
#[must_use]
pub fn wald(p0: f64, p1: f64, alpha: f64, beta: f64) -> Lines {
    let wrong = ((1.0 - p0) / (1.0 - p1)).ln();
    let g = (p1 / p0).ln() + wrong;
    Lines { slope: wrong / g, upper: ((1.0 - beta) / alpha).ln() / g, lower: ((1.0 - alpha) / beta).ln() / g }
}

impl Lines {
    /// Where the picks first meet a line: what is said, after how many trials, with how many right.
    #[must_use]
    pub fn walk(&self, picks: &[bool]) -> (WaldSays, u64, u64) {
        let mut right = 0;
        for (i, pick) in picks.iter().enumerate() {
            let n = i as u64 + 1;
            right += u64::from(*pick);
            let line = self.slope * n as f64;
            if right as f64 >= line + self.upper {
                return (WaldSays::Different, n, right);
            }
            if right as f64 <= line - self.lower {
                return (WaldSays::Alike, n, right);
            }
        }
        (WaldSays::GoOn, picks.len() as u64, right)
    }
}

/// Most evidence at any look, and the exact probability that guessing reaches as much within `cap` trials:
/// a p that holds whenever one stops, for a test that ends at `cap`. 1 when the evidence was never above 1.
#[must_use]
pub fn capped_p(picks: &[bool], cap: u64, p0: f64) -> (f64, f64) {
    // With no more right than chance the evidence is below 1 and no most.
    let (most, at) = ln_most(picks.iter().copied(), p0, false);
    if at.is_none() {
        return (most.exp(), 1.0);
    }
    // Equal evidence must count as equal in floating point.
    let wanted = most - 1e-12 * most.abs().max(1.0);
    let (mut still, mut reached) = (vec![1.0f64], 0.0);
    for n in 1..=cap {
        still = one_more(&still, p0);
        // Above the mean the evidence rises with the number right: what reaches is an upper end.
        let from = (n as f64 * p0).floor() as usize + 1;
        let least = (from..still.len()).find(|s| ln_one_sided(*s as u64, n, p0) >= wanted);
        if let Some(least) = least {
            reached += still.drain(least..).sum::<f64>();
        }
    }
    (most.exp(), reached)
}
