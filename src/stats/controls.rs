//! Controls: could they have heard anything, and does the player give a cue?

use super::binomial::{critical, upper_tail};
use super::intervals::{clopper_pearson_upper, distinguishers};
use super::power;
use super::verdict::{CUE_LEVEL, ControlCount};

/// Level at which a known difference must be told apart.
pub const KNOWN_LEVEL: f64 = 0.05;

/// Known-difference controls of all listeners together; unanswered ones count as wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Least number right that passes; `None` where not even all right do.
    pub critical: Option<u64>,
    /// P(X >= right).
    pub p: f64,
    /// Told apart.
    pub passed: bool,
}

/// Judges known-difference controls, one-sided exact at 0.05. `trials` are planned ones of who took part.
#[must_use]
pub fn known(c: ControlCount, g: f64) -> Known {
    let critical = critical(c.trials, g, KNOWN_LEVEL);
    Known { critical, p: upper_tail(c.correct, c.trials, g), passed: critical.is_some_and(|k| c.correct >= k) }
}

/// Probability that so many same-file controls find a player's cue that gives away a share of the trials (level 0.01).
#[must_use]
pub fn cue_power(trials: u64, g: f64, share: f64) -> f64 {
    power::one_sided(trials, g, CUE_LEVEL, g + (1.0 - g) * share)
}

/// How large a cue could have been missed: one-sided upper 95 % limit of the share of trials that it gives away.
#[must_use]
pub fn cue_upper95(c: ControlCount, g: f64) -> f64 {
    if c.trials == 0 { 1.0 } else { distinguishers(clopper_pearson_upper(c.correct, c.trials, 0.05), g) }
}
