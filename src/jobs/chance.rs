//! `chance`: everything that a number of right answers says; without one, what so many trials can find.

use super::error::JobError;
use crate::model::explain::Fate;
use crate::model::trial::Method;
use crate::report::sentence::{self, Facts};
use crate::stats::power::trials_for;
use crate::stats::verdict::{Counted, Numbers, Surroundings, decide, numbers, power_at, power_steps};
use serde::Serialize;
use serde_json::{Value, json};

/// Most trials that `chance` and `plan` look at.
pub const MOST_TRIALS: u64 = 1_000_000;

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
            power: n.power.iter().map(|(p_correct, power)| PowerDoc { p_correct: round(*p_correct), power: *power }).collect(),
        }
    }
}

/// Steps of 0.05 without the noise of their binary form.
fn round(p: f64) -> f64 {
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

/// The document of `chance` with `--correct`.
#[derive(Debug, Clone, Serialize)]
pub struct ChanceDoc {
    /// All numbers.
    #[serde(flatten)]
    pub count: CountDoc,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The verdict as a sentence.
    pub sentence: String,
}

/// The document of `chance` without `--correct`.
#[derive(Debug, Clone, Serialize)]
pub struct WhatIfDoc {
    /// The method.
    pub method: &'static str,
    /// Trials.
    pub trials: u64,
    /// Probability of guessing right.
    pub chance: f64,
    /// Fewest right that the test calls heard.
    pub critical: Option<u64>,
    /// Exact size at that count.
    pub true_size: f64,
    /// Power.
    pub power: Vec<PowerDoc>,
    /// Trials needed for a power of 80 %.
    pub trials_for_80: Vec<NeededDoc>,
}

/// Checks what was asked for.
fn counted(method: Method, trials: u64, correct: u64, alpha: f64, bound: f64) -> Result<Counted, JobError> {
    let wrong = |message: String, next: &str| Err(JobError::plain("wrong-use", Fate::WrongUse, message, next));
    if method == Method::Graded {
        return wrong(
            "graded ratings have no number of right answers".to_owned(),
            "chance is for abx, duo-trio, triangle, preference, attribute",
        );
    }
    if !(1..=MOST_TRIALS).contains(&trials) {
        return wrong(format!("{trials} trials; 1 to {MOST_TRIALS} are wanted"), "give --trials N");
    }
    if correct > trials {
        return wrong(format!("{correct} right of {trials} cannot be"), "check the two numbers");
    }
    if !(alpha > 0.0 && alpha < 1.0) {
        return wrong(format!("a level of {alpha}; a number above 0 and below 1 is wanted"), "0.05 is usual");
    }
    if !(bound > 0.0 && bound <= 1.0) {
        return wrong(format!("a smallest share of {bound}; a number above 0, at most 1, is wanted"), "0.3 is the default");
    }
    Ok(Counted { method, trials, correct, alpha, bound, anytime: None })
}

/// Everything that `correct` of `trials` says.
///
/// # Errors
/// Numbers that cannot be.
pub fn chance(method: Method, trials: u64, correct: u64, alpha: f64, bound: f64) -> Result<ChanceDoc, JobError> {
    let c = counted(method, trials, correct, alpha, bound)?;
    let found = numbers(&c);
    let decision = decide(&c, &found, &Surroundings::bare(found.p_value.unwrap_or(1.0)));
    let sentence = sentence::verdict(&Facts::bare(&c, &found, decision.kind));
    Ok(ChanceDoc { count: CountDoc::new(&c, &found), verdict: decision.kind.name(), sentence })
}

/// What `trials` can find.
///
/// # Errors
/// Numbers that cannot be.
pub fn what_if(method: Method, trials: u64, alpha: f64) -> Result<WhatIfDoc, JobError> {
    let c = counted(method, trials, 0, alpha, 0.3)?;
    let found = numbers(&c);
    let trials_for_80 = power_steps(method)
        .into_iter()
        .map(|p| {
            // The farthest that anybody would plan; beyond it the answer is "too many".
            let needed = trials_for(0.8, 2000, |n| power_at(method, n, alpha, p));
            NeededDoc { p_correct: round(p), first: needed.first, stable: needed.stable }
        })
        .collect();
    Ok(WhatIfDoc {
        method: method.name(),
        trials,
        chance: found.chance,
        critical: found.critical,
        true_size: found.true_size.unwrap_or(0.0),
        power: CountDoc::new(&c, &found).power,
        trials_for_80,
    })
}
