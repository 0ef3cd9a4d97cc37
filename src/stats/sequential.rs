//! Looking before the end, in the ways that a plan can allow for: spending functions, exact looks at given counts, and a capped
//! test that may be looked at after every trial. What a sealed test uses is the fixed number or [`super::evidence`]; these are for
//! recomputing other people's tests, and the price of a look.

use super::evidence::{ln_most, ln_one_sided, one_more};
use super::special::{phi, quantile};

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
