//! Parts of a result: controls, listeners, pairs, ratings, the scale.

use super::super::ids::{ListenerCode, SetupName};
use serde::{Deserialize, Serialize};

/// One listener's part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ListenerDoc {
    /// Their code.
    pub listener: ListenerCode,
    /// True for a simulated one.
    pub simulated: bool,
    /// Trials that count: scored answers and what is unanswered.
    pub trials: u64,
    /// Right ones (`preference` of two setups: the first named was preferred); null where no count stands for a listener.
    pub correct: Option<u64>,
    /// Planned and not answered.
    pub unanswered: u64,
    /// `graded`: medians and quartiles of what they gave, the anchor last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratings: Option<Vec<RatingDoc>>,
    /// Exact p.
    pub p_value: f64,
    /// After Holm over the listeners.
    pub p_holm: f64,
    /// `heard-some`: share of splits whose largest z over all listeners is at least this listener's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p_takes: Option<f64>,
    /// Second opinion: the share truly heard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share_heard: Option<EstimateDoc>,
    /// What stands out, in plain words. Nobody is left out for it.
    pub flags: Vec<String>,
}

/// Median and 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EstimateDoc {
    /// Median.
    pub median: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// The share truly heard by a hierarchical Bayesian estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SecondOpinionDoc {
    /// The prior, in words.
    pub prior: String,
    /// Mean share of the panel; null of one listener.
    pub panel: Option<EstimateDoc>,
}

/// Area under the type-2 curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ConfidenceDoc {
    /// 1/2 where confidence says nothing.
    pub area: f64,
    /// One-sided, over all assignments.
    pub p_value: f64,
}

/// Fewest right for a number of scored trials; null where no number reaches the level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct CriticalDoc {
    /// Trials that are scored.
    pub scored: u64,
    /// Fewest right.
    pub critical: Option<u64>,
}

/// Controls of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ControlDoc {
    /// Answered (`known`: planned of who took part, for unanswered ones count as wrong).
    pub trials: u64,
    /// Right (`preference`: the first-played was picked).
    pub correct: u64,
    /// They were enough to show something at all.
    pub tested: bool,
    /// `same_file`: upper 95 % limit of the share of trials that a cue of the player could give away unnoticed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper95: Option<f64>,
    /// `known`: told apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<bool>,
}

/// All kinds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ControlsDoc {
    /// All slots were one file.
    pub same_file: ControlDoc,
    /// Two takes of one setup.
    pub repeat: ControlDoc,
    /// One take against itself, raised.
    pub known: ControlDoc,
}

/// How unequal the listeners are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeterogeneityDoc {
    /// By permutation of the answers over the listeners.
    pub p_value: f64,
    /// Pearson's chi-square.
    pub chi_square: Option<f64>,
    /// Its degrees of freedom.
    pub df: Option<u64>,
    /// Tarone's Z.
    pub tarone_z: Option<f64>,
    /// Its one-sided p.
    pub tarone_p: Option<f64>,
    /// Correlation of two answers of one listener by the beta-binomial; null when the counts scatter no more than one chance explains.
    pub rho: Option<f64>,
    /// The p of that correlation, by likelihood ratio.
    pub rho_p: Option<f64>,
    /// Standard error of the share right over listeners.
    pub cluster_error: Option<f64>,
}

/// How often each setup of a preference test was preferred.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PreferenceDoc {
    /// The first of a pair.
    pub first: SetupName,
    /// The second of a pair.
    pub second: SetupName,
    /// How often the first was preferred.
    pub first_preferred: u64,
    /// Picks of this pair.
    pub picks: u64,
    /// Listeners who lean to the first, to the second.
    pub leaning: [u64; 2],
    /// The p that decides.
    pub p_value: f64,
    /// After Holm over the pairs.
    pub p_holm: f64,
    /// Of whom a preference is said, if of anybody.
    pub scope: Option<super::super::verdict::Scope>,
    /// Opinions differ.
    pub divided: bool,
    /// The mean share of picks lies within one half and half the bound.
    pub bounded: bool,
}

/// Which ranks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RankTest {
    /// Two setups.
    SignedRanks,
    /// More.
    Friedman,
}

/// What ratings come to by ranks: signed ranks of two setups (first minus second), Friedman of more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RanksDoc {
    /// Which.
    pub test: RankTest,
    /// Trials with ratings.
    pub trials: usize,
    /// What was ranked: listeners' medians, or trials.
    pub by_listeners: bool,
    /// Signed ranks: differences that are not 0; the others say nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nonzero: Option<usize>,
    /// Signed ranks: the sum of the ranks where the first was rated higher.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub w_plus: Option<f64>,
    /// Friedman: rank sums in the order of the setups; the higher, the better rated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rank_sums: Option<Vec<f64>>,
    /// Friedman: the statistic, corrected for ties.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chi_square: Option<f64>,
    /// Friedman: Kendall's coefficient of concordance, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub concordance: Option<f64>,
    /// Every order was counted; otherwise the p is that of chi-square.
    pub exact: bool,
    /// Two-sided p.
    pub p_value: f64,
}

/// Ratings of one setup over all trials of all listeners.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RatingDoc {
    /// The setup; null for the anchor.
    pub setup: Option<SetupName>,
    /// The hidden reference: another take of the setup that was shown openly.
    pub hidden_reference: bool,
    /// Ratings.
    pub count: usize,
    /// Lower quartile (linear interpolation).
    pub q1: f64,
    /// Median.
    pub median: f64,
    /// Upper quartile.
    pub q3: f64,
}

/// One setup on the scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ItemDoc {
    /// The setup.
    pub setup: SetupName,
    /// Log strength; the mean over the setups is 0.
    pub ability: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// The effect of sounding first: logit P(first chosen) = difference + gamma.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OrderDoc {
    /// The effect.
    pub gamma: f64,
    /// Likelihood ratio, 1 degree of freedom.
    pub chi_square: f64,
    /// Its p.
    pub p_value: f64,
}

/// The difference of two setups on the scale: what may be compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleDifferenceDoc {
    /// One setup.
    pub first: SetupName,
    /// The other.
    pub second: SetupName,
    /// First minus second.
    pub difference: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Two-sided, by the normal approximation.
    pub p_value: f64,
    /// After Holm over all pairs.
    pub p_holm: f64,
}

/// Circular triads of one listener who compared every pair once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TriadsDoc {
    /// Which listener, by their place in the list of listeners, from 1.
    pub listener: usize,
    /// Their number.
    pub count: u64,
    /// Coefficient of consistency: 1 for none.
    pub zeta: f64,
    /// Chance of so few by picking at random.
    pub p_value: Option<f64>,
}

/// The scale of a preference test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleDoc {
    /// Setups with their abilities; of a shrunk scale if none exists.
    pub items: Vec<ItemDoc>,
    /// No finite scale exists: one setup (or group) was never beaten by another. The abilities are then shrunk towards each other (one win
    /// and one loss of each against a phantom) and serve the plot alone.
    pub shrunk: bool,
    /// Groups, best first, when no scale exists.
    pub tiers: Option<Vec<Vec<SetupName>>>,
    /// Every setup was compared with every other one, through others if need be.
    pub connected: bool,
    /// The order effect, where a scale exists.
    pub order_effect: Option<OrderDoc>,
    /// Pairwise differences, where a scale exists.
    pub differences: Vec<ScaleDifferenceDoc>,
    /// Listeners who compared every pair exactly once, with three setups or more.
    pub circular_triads: Vec<TriadsDoc>,
    /// Kendall's coefficient of agreement, when all listeners compared every pair exactly once.
    pub agreement: Option<f64>,
}
