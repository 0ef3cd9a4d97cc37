//! The document of `score`: what the documented interface names, and beside it what a page or a sceptic wants.

use crate::report::count::CountDoc;
use crate::verdict::scale::ScaleDoc;
use crate::verdict::tally::Ranked;
use serde::Serialize;
use std::collections::BTreeMap;

/// One listener's part.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerDoc {
    /// Their code.
    pub listener: String,
    /// True for a simulated one.
    pub simulated: bool,
    /// Trials that count.
    pub trials: u64,
    /// Right ones.
    pub correct: u64,
    /// `graded`: medians and quartiles of what they gave, the anchor last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ratings: Option<Vec<RatingDoc>>,
    /// Exact p.
    pub p_value: f64,
    /// After Holm over the listeners.
    pub p_holm: f64,
    /// What stands out, in plain words. Nobody is left out for it.
    pub flags: Vec<String>,
}

/// Controls of one kind.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct ControlDoc {
    /// Answered.
    pub trials: u64,
    /// Right.
    pub correct: u64,
}

/// Both kinds.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct ControlsDoc {
    /// All slots were one file.
    pub same_file: ControlDoc,
    /// Two takes of one setup.
    pub repeat: ControlDoc,
}

/// How unequal the listeners are.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct HeterogeneityDoc {
    /// Pearson's chi-square.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub df: u64,
    /// Its p.
    pub p_value: f64,
    /// Tarone's Z.
    pub tarone_z: f64,
    /// Its one-sided p.
    pub tarone_p: f64,
    /// Correlation of two answers of one listener by the beta-binomial; null when the counts scatter no more than one chance explains.
    pub rho: Option<f64>,
    /// The p of that correlation, by likelihood ratio.
    pub rho_p: Option<f64>,
    /// Standard error of the share right over listeners.
    pub cluster_error: Option<f64>,
}

/// How often each setup of a preference test was preferred.
#[derive(Debug, Clone, Serialize)]
pub struct PreferenceDoc {
    /// The first of a pair.
    pub first: String,
    /// The second of a pair.
    pub second: String,
    /// How often the first was preferred.
    pub first_preferred: u64,
    /// Picks of this pair.
    pub picks: u64,
    /// Two-sided exact p.
    pub p_value: f64,
    /// After Holm over the pairs.
    pub p_holm: f64,
}

/// What ratings come to by ranks: signed ranks of two setups (first minus second), Friedman of more.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RanksDoc {
    /// `signed-ranks` or `friedman`.
    pub test: &'static str,
    /// Trials with ratings.
    pub trials: usize,
    /// Signed ranks: trials whose two ratings differ; the others say nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nonzero: Option<usize>,
    /// Signed ranks: the sum of the ranks where the first was rated higher.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub w_plus: Option<f64>,
    /// Friedman: rank sums in the order of the setups; the higher, the better rated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rank_sums: Option<Vec<f64>>,
    /// Friedman: the statistic, corrected for ties.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chi_square: Option<f64>,
    /// Friedman: Kendall's coefficient of concordance, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub concordance: Option<f64>,
    /// Every order was counted; otherwise the p is that of chi-square.
    pub exact: bool,
    /// Two-sided p.
    pub p_value: f64,
}

impl RanksDoc {
    pub(crate) fn new(ranked: &Ranked, trials: usize) -> Self {
        let bare = Self {
            test: "",
            trials,
            nonzero: None,
            w_plus: None,
            rank_sums: None,
            chi_square: None,
            concordance: None,
            exact: true,
            p_value: ranked.p(),
        };
        match ranked {
            Ranked::Signed(s) => Self { test: "signed-ranks", nonzero: Some(s.nonzero), w_plus: Some(s.w_plus), ..bare },
            Ranked::Friedman(f) => Self {
                test: "friedman",
                rank_sums: f.as_ref().map(|f| f.rank_sums.clone()),
                chi_square: f.as_ref().map(|f| f.chi_square),
                concordance: f.as_ref().map(|f| f.w),
                exact: f.as_ref().is_none_or(|f| f.p_exact.is_some()),
                ..bare
            },
        }
    }
}

/// Ratings of one setup over all trials of all listeners.
#[derive(Debug, Clone, Serialize)]
pub struct RatingDoc {
    /// The setup; null for the anchor.
    pub setup: Option<String>,
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

/// One test.
#[derive(Debug, Clone, Serialize)]
pub struct TestDoc {
    /// Its number.
    pub test: String,
    /// True when it is closed; otherwise only how far it is.
    pub closed: bool,
    /// The first of two setups.
    pub first: Option<String>,
    /// The second of two setups.
    pub second: Option<String>,
    /// All setups.
    pub setups: Vec<String>,
    /// Everything that differs.
    pub differs: Vec<String>,
    /// Takes per setup.
    pub takes: BTreeMap<String, usize>,
    /// The mic or blend.
    pub mic: String,
    /// The excerpt.
    pub excerpt: String,
    /// True when raw levels are compared.
    pub as_recorded: bool,
    /// Scored trials planned for all listeners; null when open-ended.
    pub planned: Option<u64>,
    /// Scored trials answered.
    pub done: u64,
    /// Void trials.
    pub void: u64,
    /// Everything below is there for closed tests only.
    #[serde(flatten)]
    pub result: Option<ResultDoc>,
}

/// The result of a closed test.
#[derive(Debug, Clone, Serialize)]
pub struct ResultDoc {
    /// All numbers.
    #[serde(flatten)]
    pub count: CountDoc,
    /// The exact p of the answered trials alone: valid only if nobody saw the score before stopping.
    pub p_value_answered: Option<f64>,
    /// The p after Holm over the tests of one question.
    pub p_holm: f64,
    /// Level of the test.
    pub alpha: f64,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls.
    pub controls: ControlsDoc,
    /// Listeners.
    pub listeners: Vec<ListenerDoc>,
    /// Listeners planned.
    pub listeners_planned: u32,
    /// True when only simulated listeners answered.
    pub simulated_only: bool,
    /// How unequal they are.
    pub heterogeneity: Option<HeterogeneityDoc>,
    /// Pairs of a preference test.
    pub preference: Option<Vec<PreferenceDoc>>,
    /// The same pairs on a scale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale: Option<ScaleDoc>,
    /// `graded`: medians and quartiles, the anchor last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ratings: Option<Vec<RatingDoc>>,
    /// `graded`: the same by ranks, which the verdict goes by.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ranks: Option<RanksDoc>,
    /// Some scored trial's hidden sample was its reference's own file.
    pub own_file: bool,
    /// What the engineer was warned about when sealing.
    pub warnings: Vec<String>,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The verdict as a sentence.
    pub sentence: String,
}

/// The document of `score`.
#[derive(Debug, Clone, Serialize)]
pub struct ScoreDoc {
    /// The session's folder.
    pub session: String,
    /// Its tests, all of them, whatever became of them.
    pub tests: Vec<TestDoc>,
}
