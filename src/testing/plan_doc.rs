//! The document of `plan`: what is sealed, and what it can find.

use crate::model::trial::{Controls, Design, FamilyPlace, Look, Method, Plan, SealedTest, TrialCount};
use crate::report::count::PowerDoc;
use crate::stats::binomial::critical;
use crate::stats::listeners::Planned;
use crate::stats::takes::Rule;
use crate::stats::verdict::{Counted, numbers, power_at, power_steps};
use crate::testing::fingerprint::FingerprintDoc;
pub use crate::testing::plan_fit::level;
use crate::testing::plan_fit::{FittingDoc, Scored, fitting};
use crate::trial::Units;
use serde::Serialize;

/// Fewest right for a number of scored trials.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct CriticalDoc {
    /// Trials that are scored.
    pub scored: u64,
    /// Fewest right; null where no number reaches the level.
    pub critical: Option<u64>,
}

/// The document of `plan`.
#[derive(Debug, Clone, Serialize)]
pub struct PlanDoc {
    /// The test; null with `--what-if`.
    pub test: Option<String>,
    /// SHA-256 of the canonical plan; null with `--what-if`.
    pub seal_sha256: Option<String>,
    /// The canonical text.
    pub canonical: Option<String>,
    /// The method.
    pub method: &'static str,
    /// The setups.
    pub setups: Vec<String>,
    /// True when raw levels are compared.
    pub as_recorded: bool,
    /// The excerpt.
    pub excerpt: String,
    /// The mic or blend.
    pub mic: String,
    /// The first of two setups.
    pub first: Option<String>,
    /// The second of two setups.
    pub second: Option<String>,
    /// Everything that differs.
    pub differs: Vec<String>,
    /// How samples are drawn.
    pub design: Design,
    /// Trials per listener, controls left out; null when open-ended.
    pub trials: Option<u32>,
    /// Listeners planned.
    pub listeners: u32,
    /// A number that fits the bound and the listeners, with its reason; null where there is none, or no count of right answers.
    pub fitting: Option<FittingDoc>,
    /// Trials of all listeners that will be scored, on average; null when open-ended.
    pub scored_expected: Option<f64>,
    /// Fewest right of all listeners' trials together that the test calls heard; null where the number of scored trials is drawn.
    pub critical: Option<u64>,
    /// Exact size.
    pub true_size: Option<f64>,
    /// Crossed: fewest right for each number of scored trials that may come.
    pub critical_by_scored: Option<Vec<CriticalDoc>>,
    /// Power over all listeners' trials; in the crossed design the mean over the number scored.
    pub power: Vec<PowerDoc>,
    /// The chance that one listener who is right so often is named among guessers (Holm's first step).
    pub power_one_hearer: Vec<PowerDoc>,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Level of all of the session's tests together.
    pub alpha: f64,
    /// The place among the session's tests.
    pub family: Option<FamilyPlace>,
    /// Beyond the tests that the first seal declared.
    pub exploratory: bool,
    /// For simulated listeners alone.
    pub simulated: bool,
    /// For an audience that visits.
    pub audience: bool,
    /// Controls per listener.
    pub controls: Controls,
    /// By how much known-difference controls are raised.
    pub known_db: Option<f64>,
    /// Looks before the end.
    pub looks: Vec<Look>,
    /// Takes per setup.
    pub takes: std::collections::BTreeMap<String, usize>,
    /// Rewirings per setup: what the takes test counts.
    pub rewirings: std::collections::BTreeMap<String, usize>,
    /// The least p that the takes test can reach with so many rewirings; null where there is no takes test.
    pub least_p_takes: Option<f64>,
    /// Takes (rewirings) of each setup that it needs at this level.
    pub takes_needed: Option<u64>,
    /// What the engineer should know before the first trial.
    pub warnings: Vec<String>,
    /// What to publish before the first trial; null with `--what-if`.
    pub fingerprint: Option<FingerprintDoc>,
}

/// Units (rewirings) of the first and the second setup of a plan.
fn sizes(plan: &Plan) -> (u64, u64) {
    Units::of(plan).sizes()
}

/// The least p of the takes test, where there is one for these setups and this method.
pub(super) fn least_p_takes(plan: &Plan) -> Option<f64> {
    let rule = Rule::of(plan.method).filter(|_| plan.setups.len() == 2)?;
    let (first, second) = sizes(plan);
    Some(rule.least_p(first, second))
}

fn rewirings(plan: &Plan) -> std::collections::BTreeMap<String, usize> {
    let of = |setup: &crate::model::ids::SetupName| {
        let units: std::collections::BTreeSet<_> =
            plan.clips.iter().filter(|c| &c.setup == setup).map(|c| plan.units.get(&c.take).unwrap_or(&c.take)).collect();
        units.len()
    };
    plan.setups.iter().map(|s| (s.to_string(), of(s))).collect()
}

/// What a count of right answers, or of one listener's picks, can find.
#[derive(Default)]
struct Found {
    critical: Option<u64>,
    true_size: Option<f64>,
    by_scored: Option<Vec<CriticalDoc>>,
    power: Vec<PowerDoc>,
    one_hearer: Vec<PowerDoc>,
}

fn found(plan: &Plan, trials: u32) -> Found {
    let (method, level) = (plan.method, level(plan));
    let paired_picks = method == Method::Preference;
    let Some((a, b)) = method.chance().filter(|_| plan.setups.len() == 2) else { return Found::default() };
    // Of several listeners a preference is decided by the listeners, and no count of picks calls one preferred.
    if paired_picks && plan.listeners > 1 {
        return Found::default();
    }
    let g = f64::from(a) / f64::from(b);
    let scored = Scored::of(plan, trials);
    let numbers_scored = scored.numbers();
    let mean = |p: f64, of: &dyn Fn(u64) -> f64| PowerDoc {
        p_correct: p,
        power: numbers_scored.iter().map(|(m, w)| w * of(*m)).sum::<f64>().clamp(0.0, 1.0),
    };
    let power = power_steps(method).into_iter().map(|p| mean(p, &|m| power_at(method, m, level, p))).collect();
    let own = Scored { all: u64::from(trials), share: scored.share };
    let own_numbers = own.numbers();
    let one_hearer = power_steps(method)
        .into_iter()
        .filter(|_| !paired_picks)
        .map(|p| {
            let one = |m: u64| Planned { trials: m, listeners: u64::from(plan.listeners), g, level }.one_hearer(p);
            PowerDoc { p_correct: p, power: own_numbers.iter().map(|(m, w)| w * one(*m)).sum::<f64>().clamp(0.0, 1.0) }
        })
        .collect();
    let mut out = Found { power, one_hearer, ..Found::default() };
    if plan.design == Design::Crossed {
        let least = |m: u64| {
            if paired_picks { crate::stats::binomial::critical_two_sided(m, level) } else { critical(m, g, level) }
        };
        out.by_scored = Some(numbers_scored.iter().map(|(m, _)| CriticalDoc { scored: *m, critical: least(*m) }).collect());
    } else {
        let c = Counted { method, trials: scored.all, correct: 0, alpha: level, bound: plan.bound.value(), anytime: None };
        let n = numbers(&c);
        (out.critical, out.true_size) = (n.critical, n.true_size);
    }
    out
}

/// The document of a plan; with its seal once there is one.
pub(crate) fn document(plan: &Plan, sealed: Option<&SealedTest>) -> PlanDoc {
    let trials = match plan.trials {
        TrialCount::Fixed(n) => Some(n),
        TrialCount::OpenEnded => None,
    };
    let two = plan.setups.len() == 2;
    let found = trials.map(|n| found(plan, n)).unwrap_or_default();
    let takes = plan.setups.iter().map(|s| (s.to_string(), plan.clips.iter().filter(|c| &c.setup == s).count())).collect();
    PlanDoc {
        test: sealed.map(|s| s.plan.test.to_string()),
        seal_sha256: sealed.map(|s| s.seal.to_string()),
        canonical: sealed.map(|s| s.canonical.clone()),
        method: plan.method.name(),
        setups: plan.setups.iter().map(ToString::to_string).collect(),
        as_recorded: plan.as_recorded,
        excerpt: plan.excerpt.to_string(),
        mic: plan.mic.to_string(),
        first: two.then(|| plan.setups[0].to_string()),
        second: two.then(|| plan.setups[1].to_string()),
        differs: plan.differs.clone(),
        design: plan.design,
        trials,
        listeners: plan.listeners,
        fitting: fitting(plan),
        scored_expected: trials.map(|n| Scored::of(plan, n).expected()),
        critical: found.critical,
        true_size: found.true_size,
        critical_by_scored: found.by_scored,
        power: found.power,
        power_one_hearer: found.one_hearer,
        bound: plan.bound.value(),
        alpha: plan.alpha.value(),
        family: plan.family,
        exploratory: plan.family.is_some_and(|f| f.number.is_none()) && plan.for_a_panel(),
        simulated: plan.simulated,
        audience: plan.audience,
        controls: plan.controls,
        known_db: plan.known_db.map(|d| d.value()),
        looks: plan.looks.clone(),
        takes,
        rewirings: rewirings(plan),
        least_p_takes: least_p_takes(plan),
        takes_needed: Rule::of(plan.method).filter(|_| two).and_then(|r| r.takes_needed(level(plan))),
        warnings: plan.warnings.clone(),
        fingerprint: None,
    }
}
