//! What the takes test looked at, for its plots.

use serde::Serialize;

/// A take (or the takes of one rewiring together) in the trials that count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TakeShare {
    /// `t003`.
    pub take: String,
    /// Its setup.
    pub setup: String,
    /// Scored trials in which it sounded.
    pub trials: u64,
    /// Right ones among them; of a preference those in which it was picked.
    pub right: u64,
}

/// Takes with their shares, and every split with its z.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TakesHeard {
    /// In the plan's order.
    pub takes: Vec<TakeShare>,
    /// z of each split that was looked at.
    pub splits: Vec<f64>,
    /// z of the true one.
    pub truth: f64,
    /// Every split was looked at; else they were drawn, and the true one counts as one more.
    pub every_split: bool,
}
