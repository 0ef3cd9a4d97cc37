//! What a count of picks says, as documents hold it: the part that `chance`, `plan` and `score` share.

use crate::stats::verdict::{Counted, Numbers};
use serde::Serialize;
use serde_json::{Value, json};

/// A number that may be infinite: `"inf"`, `"-inf"`, or the number.
#[must_use]
pub fn finite_or_text(value: f64) -> Value {
    if value == f64::INFINITY {
        json!("inf")
    } else if value == f64::NEG_INFINITY {
        json!("-inf")
    } else if value.is_nan() {
        Value::Null
    } else {
        json!(value)
    }
}

/// Share of distinguishers as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct DistinguishersDoc {
    /// Clipped to 0..1.
    pub estimate: f64,
    /// Before clipping.
    pub raw: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
    /// One-sided upper 95 % limit.
    pub upper95: f64,
}

/// d' as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct DprimeDoc {
    /// The model's name: a d' means nothing without it.
    pub model: &'static str,
    /// Estimate; `"inf"` at n of n.
    pub estimate: Value,
    /// Lower end of the 95 % likelihood interval.
    pub low: Value,
    /// Upper end.
    pub high: Value,
}

/// Similarity as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct SimilarityDoc {
    /// The smallest share worth finding.
    pub bound: f64,
    /// P(so few right) if so many were truly heard.
    pub p_value: f64,
}

/// Power at one probability of a right answer.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct PowerDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// Probability that the test finds it.
    pub power: f64,
}

/// Everything that a count says: the part that `chance` and `score` share.
#[derive(Debug, Clone, Serialize)]
pub struct CountDoc {
    /// The method.
    pub method: &'static str,
    /// Trials that count.
    pub trials: u64,
    /// Right ones (`preference`: the first named was preferred).
    pub correct: u64,
    /// Probability of guessing right.
    pub chance: f64,
    /// Exact p.
    pub p_value: Option<f64>,
    /// Fewest right that the test calls heard.
    pub critical: Option<u64>,
    /// Exact size at that count.
    pub true_size: Option<f64>,
    /// Mid-p, never used to decide.
    pub mid_p: Option<f64>,
    /// 95 % interval of P(right), Clopper-Pearson.
    pub interval95: [f64; 2],
    /// One-sided lower 95 % limit.
    pub lower95: Option<f64>,
    /// Wilson's interval.
    pub wilson95: [f64; 2],
    /// Share of distinguishers.
    pub distinguishers: Option<DistinguishersDoc>,
    /// d'.
    pub dprime: Option<DprimeDoc>,
    /// Similarity.
    pub similarity: Option<SimilarityDoc>,
    /// Evidence E at this look.
    pub evidence: Value,
    /// Anytime p.
    pub anytime_p: f64,
    /// Power.
    pub power: Vec<PowerDoc>,
}

impl CountDoc {
    /// Puts a count and its numbers into a document.
    #[must_use]
    pub fn new(c: &Counted, n: &Numbers) -> Self {
        Self {
            method: c.method.name(),
            trials: c.trials,
            correct: c.correct,
            chance: n.chance,
            p_value: n.p_value,
            critical: n.critical,
            true_size: n.true_size,
            mid_p: n.mid_p,
            interval95: n.interval95,
            lower95: n.lower95,
            wilson95: n.wilson95,
            distinguishers: n.distinguishers.map(|d| DistinguishersDoc {
                estimate: d.estimate,
                raw: d.raw,
                low: d.low,
                high: d.high,
                upper95: d.upper95,
            }),
            dprime: n.dprime.map(|(model, estimate, [low, high])| DprimeDoc {
                model: model.name(),
                estimate: finite_or_text(estimate),
                low: finite_or_text(low),
                high: finite_or_text(high),
            }),
            similarity: n.similarity.map(|p_value| SimilarityDoc { bound: c.bound, p_value }),
            evidence: finite_or_text(n.evidence),
            anytime_p: n.anytime_p,
            power: n
                .power
                .iter()
                .map(|(p_correct, power)| PowerDoc { p_correct: two_digits(*p_correct), power: *power })
                .collect(),
        }
    }
}

/// Steps of 0.05 without the noise of their binary form.
#[must_use]
pub fn two_digits(p: f64) -> f64 {
    (p * 100.0).round() / 100.0
}

/// Trials needed for a power of 80 %.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct NeededDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// The smallest number that reaches it.
    pub first: Option<u64>,
    /// The smallest from which on every larger number reaches it.
    pub stable: Option<u64>,
}
