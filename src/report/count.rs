//! A count of picks, put into the shape in which `chance`, `plan` and `score` share it.

pub use crate::model::result::{CountDoc, DistinguishersDoc, DprimeDoc, Endless, NeededDoc, PowerDoc, SimilarityDoc};
use crate::stats::verdict::{Counted, Numbers, Share};

/// Share of distinguishers as documents hold it.
#[must_use]
pub fn distinguishers(share: Share) -> DistinguishersDoc {
    DistinguishersDoc { estimate: share.estimate, raw: share.raw, low: share.low, high: share.high, upper95: share.upper95 }
}

impl CountDoc {
    /// Puts a count and its numbers into a document.
    #[must_use]
    pub fn new(c: &Counted, n: &Numbers) -> Self {
        Self {
            method: c.method,
            trials: c.trials,
            correct: Some(c.correct),
            chance: Some(n.chance),
            p_value: n.p_value,
            critical: n.critical,
            true_size: n.true_size,
            mid_p: n.mid_p,
            interval95: Some(n.interval95),
            lower95: n.lower95,
            wilson95: Some(n.wilson95),
            distinguishers: n.distinguishers.map(distinguishers),
            dprime: n.dprime.map(|(model, estimate, [low, high])| DprimeDoc {
                model: model.name().to_owned(),
                estimate: Endless(estimate),
                low: Endless(low),
                high: Endless(high),
            }),
            similarity: n.similarity.map(|p_value| SimilarityDoc { bound: c.bound, p_value }),
            evidence: Some(Endless(n.evidence)),
            anytime_p: Some(n.anytime_p),
            power: n
                .power
                .iter()
                .map(|(p_correct, power)| PowerDoc { p_correct: two_digits(*p_correct), power: *power })
                .collect(),
        }
    }

    /// Ratings: no count, nothing that would follow from one.
    #[must_use]
    pub fn of_ratings(trials: u64, p_value: f64) -> Self {
        Self {
            method: crate::model::trial::Method::Graded,
            trials,
            correct: None,
            chance: None,
            p_value: Some(p_value),
            critical: None,
            true_size: None,
            mid_p: None,
            interval95: None,
            lower95: None,
            wilson95: None,
            distinguishers: None,
            dprime: None,
            similarity: None,
            evidence: None,
            anytime_p: None,
            power: Vec::new(),
        }
    }
}

/// Steps of 0.05 without the noise of their binary form.
#[must_use]
pub fn two_digits(p: f64) -> f64 {
    (p * 100.0).round() / 100.0
}
