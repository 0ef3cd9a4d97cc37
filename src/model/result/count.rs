//! What a count of picks says, as documents hold it: the part that `chance`, `plan` and `score` share.

use super::super::trial::Method;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A number that may be infinite: documents have `"inf"` and `"-inf"` for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Endless(pub f64);

impl Serialize for Endless {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0 == f64::INFINITY {
            serializer.serialize_str("inf")
        } else if self.0 == f64::NEG_INFINITY {
            serializer.serialize_str("-inf")
        } else {
            serializer.serialize_f64(self.0)
        }
    }
}

impl<'de> Deserialize<'de> for Endless {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Either {
            Number(f64),
            Word(String),
        }
        match Either::deserialize(deserializer)? {
            Either::Number(value) => Ok(Self(value)),
            Either::Word(word) if word == "inf" => Ok(Self(f64::INFINITY)),
            Either::Word(word) if word == "-inf" => Ok(Self(f64::NEG_INFINITY)),
            Either::Word(word) => Err(serde::de::Error::custom(format!("{word:?} is not a number, inf or -inf"))),
        }
    }
}

/// Share of distinguishers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
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

/// d'.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DprimeDoc {
    /// The model's name: a d' means nothing without it.
    pub model: String,
    /// Estimate.
    pub estimate: Endless,
    /// Lower end of the 95 % likelihood interval.
    pub low: Endless,
    /// Upper end.
    pub high: Endless,
}

/// Similarity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SimilarityDoc {
    /// The smallest share worth finding.
    pub bound: f64,
    /// P(so few right) if so many were truly heard.
    pub p_value: f64,
}

/// Power at one probability of a right answer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PowerDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// Probability that the test finds it.
    pub power: f64,
}

/// Trials needed for a power of 80 %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NeededDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// The smallest number that reaches it.
    pub first: Option<u64>,
    /// The smallest from which on every larger number reaches it.
    pub stable: Option<u64>,
}

/// Everything that a count says. What does not exist for a method is null.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CountDoc {
    /// The method.
    pub method: Method,
    /// Trials that count.
    pub trials: u64,
    /// Right ones (`preference` of two setups: the first named was preferred).
    pub correct: Option<u64>,
    /// Probability of guessing right.
    pub chance: Option<f64>,
    /// The p that decides.
    pub p_value: Option<f64>,
    /// Fewest right that the test calls heard.
    pub critical: Option<u64>,
    /// Exact size at that count.
    pub true_size: Option<f64>,
    /// Mid-p, never used to decide.
    pub mid_p: Option<f64>,
    /// 95 % interval of P(right), Clopper-Pearson.
    pub interval95: Option<[f64; 2]>,
    /// One-sided lower 95 % limit.
    pub lower95: Option<f64>,
    /// Wilson's interval.
    pub wilson95: Option<[f64; 2]>,
    /// Share of distinguishers.
    pub distinguishers: Option<DistinguishersDoc>,
    /// d'.
    pub dprime: Option<DprimeDoc>,
    /// Similarity.
    pub similarity: Option<SimilarityDoc>,
    /// Evidence E at this look.
    pub evidence: Option<Endless>,
    /// Anytime p.
    pub anytime_p: Option<f64>,
    /// Power.
    pub power: Vec<PowerDoc>,
}
