//! All numbers that a count of right answers carries, and the gates of the verdict in their order.

use super::binomial::{critical, critical_two_sided, lower_tail, mid_p, mid_p_two_sided, two_sided, upper_tail};
use super::dprime::{Model, estimate};
use super::intervals::{
    clopper_pearson, clopper_pearson_lower, clopper_pearson_upper, distinguishers, distinguishers_raw, similarity_p, wilson,
};
use super::panel::{fisher_exact_greater, holm};
use super::{evidence, power};
use crate::model::trial::Method;
use crate::model::verdict::VerdictKind;

/// Level of the same-file gate.
pub const CUE_LEVEL: f64 = 0.01;

/// What is counted, and against what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// The method; not `graded`.
    pub method: Method,
    /// Trials that count.
    pub trials: u64,
    /// Right ones (`preference`: how often the first named was preferred).
    pub correct: u64,
    /// Level of the test.
    pub alpha: f64,
    /// Smallest share of distinguishers worth finding.
    pub bound: f64,
    /// For an open-ended test: the smallest anytime p so far. Limits then come from the confidence sequence.
    pub anytime: Option<f64>,
}

/// Share of distinguishers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// Estimate, clipped to 0..1.
    pub estimate: f64,
    /// Estimate before clipping.
    pub raw: f64,
    /// Lower end of the two-sided 95 % interval, clipped.
    pub low: f64,
    /// Upper end of the two-sided 95 % interval, clipped.
    pub high: f64,
    /// One-sided upper 95 % limit, clipped.
    pub upper95: f64,
}

/// Everything that a count says. `None`: it does not exist for this method or mode.
#[derive(Debug, Clone, PartialEq)]
pub struct Numbers {
    /// Probability of guessing right.
    pub chance: f64,
    /// Exact p: one-sided, for `preference` two-sided; open-ended tests have none.
    pub p_value: Option<f64>,
    /// Probability of so few right by chance, for the wrong way round. Open-ended: the mirrored anytime p of this look.
    pub reversed_p: f64,
    /// Fewest right that the test calls heard.
    pub critical: Option<u64>,
    /// The exact size at that count.
    pub true_size: Option<f64>,
    /// Mid-p, shown beside the exact p, never used to decide.
    pub mid_p: Option<f64>,
    /// Two-sided 95 % interval of P(right).
    pub interval95: [f64; 2],
    /// One-sided lower 95 % limit.
    pub lower95: Option<f64>,
    /// Wilson's interval, for plots.
    pub wilson95: [f64; 2],
    /// Share of distinguishers.
    pub distinguishers: Option<Share>,
    /// d' with its model and its likelihood interval; ends may be infinite.
    pub dprime: Option<(Model, f64, [f64; 2])>,
    /// P(so few right) if a share `bound` were truly heard.
    pub similarity: Option<f64>,
    /// Evidence at this look.
    pub evidence: f64,
    /// 1/E, or the smallest so far.
    pub anytime_p: f64,
    /// Power at probabilities of a right answer.
    pub power: Vec<(f64, f64)>,
}

/// The probabilities of a right answer at which power is given.
#[must_use]
pub fn power_steps(method: Method) -> Vec<f64> {
    let first = if method == Method::Triangle { 8 } else { 11 };
    (first..=19).map(|i| f64::from(i) * 0.05).collect()
}

/// Power of the sealed test at one probability of a right answer.
#[must_use]
pub fn power_at(method: Method, trials: u64, alpha: f64, p: f64) -> f64 {
    match method.chance() {
        _ if method == Method::Preference => power::two_sided(trials, alpha, p),
        Some((a, b)) => power::one_sided(trials, f64::from(a) / f64::from(b), alpha, p),
        None => 0.0,
    }
}

/// The model of a method's d'; `None` where there is none.
#[must_use]
pub fn model(method: Method) -> Option<Model> {
    match method {
        Method::Abx => Some(Model::AbxDifferencing),
        Method::DuoTrio => Some(Model::DuoTrio),
        Method::Triangle => Some(Model::Triangle),
        Method::Attribute => Some(Model::TwoAfc),
        Method::Preference | Method::Graded => None,
    }
}

fn share(c: &Counted, g: f64, interval: [f64; 2]) -> Share {
    let n = c.trials;
    let p = if n == 0 { g } else { c.correct as f64 / n as f64 };
    let upper = match c.anytime {
        Some(_) => evidence::sequence_upper(c.correct, n, 0.05),
        None => clopper_pearson_upper(c.correct, n, 0.05),
    };
    Share {
        estimate: distinguishers(p, g),
        raw: distinguishers_raw(p, g),
        low: distinguishers(interval[0], g),
        high: distinguishers(interval[1], g),
        upper95: distinguishers(upper, g),
    }
}

/// All numbers of a count.
#[must_use]
pub fn numbers(c: &Counted) -> Numbers {
    let (n, x) = (c.trials, c.correct);
    let g = c.method.chance().map_or(0.5, |(a, b)| f64::from(a) / f64::from(b));
    let paired = c.method == Method::Preference;
    let open = c.anytime.is_some();
    let interval95 = if open { evidence::sequence_two_sided(x, n, 0.05) } else { clopper_pearson(x, n, 0.05) };
    let count = if paired { critical_two_sided(n, c.alpha) } else { critical(n, g, c.alpha) };
    let size = count.map_or(0.0, |k| {
        let tail = upper_tail(k, n, g);
        if paired { 2.0 * tail } else { tail }
    });
    let ln_evidence = if paired { evidence::ln_two_sided(x, n, g) } else { evidence::ln_one_sided(x, n, g) };
    let exact = if paired { two_sided(x, n, g) } else { upper_tail(x, n, g) };
    let mirrored = (-evidence::ln_one_sided(n - x, n, 1.0 - g)).exp().min(1.0);
    Numbers {
        chance: g,
        p_value: (!open).then_some(exact),
        reversed_p: if open { mirrored } else { lower_tail(x, n, g) },
        critical: count.filter(|_| !open),
        true_size: (!open).then_some(size),
        mid_p: (!open).then(|| if paired { mid_p_two_sided(x, n, g) } else { mid_p(x, n, g) }),
        interval95,
        lower95: (!paired).then(|| if open { evidence::sequence_lower(x, n, 0.05) } else { clopper_pearson_lower(x, n, 0.05) }),
        wilson95: wilson(x, n, 0.05),
        distinguishers: (!paired).then(|| share(c, g, interval95)),
        dprime: model(c.method).map(|m| {
            let (point, interval) = estimate(m, x, n, 0.05);
            (m, point, interval)
        }),
        similarity: (!paired && !open).then(|| similarity_p(x, n, g, c.bound)),
        evidence: ln_evidence.exp(),
        anytime_p: c.anytime.unwrap_or_else(|| (-ln_evidence).exp().min(1.0)),
        power: power_steps(c.method).into_iter().map(|p| (p, power_at(c.method, n, c.alpha, p))).collect(),
    }
}

/// Control trials: how many, how many right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ControlCount {
    /// Answered.
    pub trials: u64,
    /// Right (`preference`: the first-played was picked).
    pub correct: u64,
}

/// What the gates look at besides the count.
#[derive(Debug, Clone, PartialEq)]
pub struct Surroundings {
    /// Something makes the data unfit for a verdict.
    pub data_void: bool,
    /// Same-file controls, people pooled.
    pub same_file: ControlCount,
    /// Repeat-take controls, people pooled.
    pub repeat: ControlCount,
    /// Some scored trial's hidden sample was its reference's own file.
    pub own_file: bool,
    /// The count's p after Holm over the tests of one question (equal to p when there is one).
    pub p_holm: f64,
    /// Each listener's p.
    pub listeners: Vec<f64>,
}

impl Surroundings {
    /// A single listener without controls.
    #[must_use]
    pub fn bare(p: f64) -> Self {
        let none = ControlCount::default();
        Self { data_void: false, same_file: none, repeat: none, own_file: false, p_holm: p, listeners: vec![p] }
    }
}

/// The decision, with what the sentence must say about the gates.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// The verdict.
    pub kind: VerdictKind,
    /// Same-file controls were enough to show a cue at all.
    pub cue_tested: bool,
    /// Repeat controls were enough to show a floor at all.
    pub floor_tested: bool,
    /// Takes could be told apart, but fresh takes stood behind every scored trial: a caution, no veto.
    pub floor_caution: bool,
    /// Each listener's p after Holm.
    pub listeners_holm: Vec<f64>,
}

fn control_p(method: Method, g: f64, c: ControlCount) -> f64 {
    if method == Method::Preference { two_sided(c.correct, c.trials, 0.5) } else { upper_tail(c.correct, c.trials, g) }
}

fn enough(method: Method, g: f64, c: ControlCount, level: f64) -> bool {
    if method == Method::Preference {
        critical_two_sided(c.trials, level).is_some()
    } else {
        critical(c.trials, g, level).is_some()
    }
}

/// Goes through the gates in their order.
#[must_use]
pub fn decide(c: &Counted, numbers: &Numbers, around: &Surroundings) -> Decision {
    let g = numbers.chance;
    let cue_tested = enough(c.method, g, around.same_file, CUE_LEVEL);
    let floor_tested = enough(c.method, g, around.repeat, c.alpha);
    let cue = cue_tested && control_p(c.method, g, around.same_file) <= CUE_LEVEL;
    let floor_told = floor_tested && control_p(c.method, g, around.repeat) <= c.alpha;
    let above_floor = fisher_exact_greater(c.correct, c.trials, around.repeat.correct, around.repeat.trials) <= c.alpha;
    let floor = floor_told && !above_floor;
    let veto = floor && around.own_file && c.method != Method::Preference;
    let listeners_holm = holm(&around.listeners);
    let p = numbers.p_value.unwrap_or(numbers.anytime_p);
    let significant = p <= c.alpha && around.p_holm <= c.alpha;
    let upper = numbers.distinguishers.map_or(1.0, |d| d.upper95);
    let kind = if around.data_void {
        VerdictKind::DataVoid
    } else if cue {
        VerdictKind::PlayerCue
    } else if veto {
        VerdictKind::RepeatFloor
    } else if c.method == Method::Preference {
        if significant { VerdictKind::Preferred } else { VerdictKind::NoPreferenceShown }
    } else if c.method == Method::Graded {
        if significant { VerdictKind::RatedApart } else { VerdictKind::NotRatedApart }
    } else if significant {
        if upper < c.bound { VerdictKind::HeardSmall } else { VerdictKind::Heard }
    } else if c.trials > 0 && numbers.reversed_p <= c.alpha {
        VerdictKind::Reversed
    } else if around.listeners.len() > 1 && listeners_holm.iter().any(|p| *p <= c.alpha) {
        VerdictKind::MixedPanel
    } else if upper <= c.bound {
        VerdictKind::NotShownBounded
    } else {
        VerdictKind::TooFew
    };
    Decision { kind, cue_tested, floor_tested, floor_caution: floor && !veto, listeners_holm }
}
