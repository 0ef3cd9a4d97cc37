//! `plan --what-if`: what a test could find, what its negative result could claim, and how long it takes. Nothing is sealed.

use super::chance;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::trial::{Method, Plan, TrialCount};
use crate::report::count::{NeededDoc, PowerDoc};
use crate::stats::binomial::lower_tail;
use crate::stats::evidence;
use crate::stats::power::most_correct_for_similarity;
use crate::stats::verdict::power_at;
use crate::store::Session;
use crate::testing::plan::{PlanDoc, Request, build, document};
use crate::testing::plan_doc::level;
use serde::Serialize;
use std::path::Path;

/// How an open-ended test goes for a listener who is right so often.
#[derive(Debug, Clone, Serialize)]
pub struct ReachDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// Chance that it is found within 100 trials.
    pub found_by_100: f64,
    /// Mean number of trials until then, or 100.
    pub mean_trials: f64,
}

/// What a negative result could claim.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct NotHeardDoc {
    /// "Heard in fewer than this share of trials" could be said, at level 0.05 ...
    pub bound: f64,
    /// ... with so many right or fewer; nothing where no number allows it.
    pub at_most: Option<u64>,
    /// The chance of that when nothing is audible.
    pub chance: f64,
    /// The smallest share that could be excluded with a chance of 80 % when nothing is audible.
    pub bound_for_80: Option<f64>,
}

impl NotHeardDoc {
    /// The same as a sentence.
    #[must_use]
    pub fn text(&self) -> String {
        let share = 100.0 * self.bound;
        let said = match self.at_most {
            Some(most) => format!(
                "If {most} or fewer are right, the report may say that it was heard in fewer than {share:.0} % of trials; when nothing is \
                 audible, {:.0} of 100 such tests end so",
                100.0 * self.chance
            ),
            None => format!("No result could say that it was heard in fewer than {share:.0} % of trials"),
        };
        let smallest = self.bound_for_80.map_or_else(
            || "; so few trials can exclude no share".to_owned(),
            |b| format!("; 80 of 100 would exclude a share of {:.0} %", 100.0 * b),
        );
        said + &smallest
    }
}

/// Power by the number of trials: a saw-tooth, for the fewest right that count jump.
#[derive(Debug, Clone, Serialize)]
pub struct SawToothDoc {
    /// Probability of a right answer.
    pub p_correct: f64,
    /// All listeners' trials together, with the power of each number.
    pub points: Vec<(u64, f64)>,
}

/// The document of `plan --what-if`.
#[derive(Debug, Clone, Serialize)]
pub struct WhatIfPlanDoc {
    /// The plan as it would be sealed.
    #[serde(flatten)]
    pub plan: PlanDoc,
    /// What a negative result could claim.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_heard: Option<NotHeardDoc>,
    /// Power by the number of trials.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub saw_tooth: Option<SawToothDoc>,
    /// Trials needed for a power of 80 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trials_for_80: Option<Vec<NeededDoc>>,
    /// Open-ended: how soon evidence would be found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_ended: Option<Vec<ReachDoc>>,
    /// What more takes, trials and listeners would find, by simulation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curves: Option<super::power::CurvesDoc>,
    /// About how long a listener will need, in minutes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
}

/// What the test could find; seals nothing.
///
/// # Errors
/// As [`mod@crate::testing::plan`].
pub fn what_if(folder: &Path, request: &Request) -> Result<WhatIfPlanDoc, Failure> {
    let session = Session::open_read(folder)?;
    let plan = build(&session, request, TestId::new("test-0")?)?;
    let mut doc = WhatIfPlanDoc {
        plan: document(&plan, None),
        not_heard: None,
        saw_tooth: None,
        trials_for_80: None,
        open_ended: None,
        curves: super::power::curves(&plan)?,
        minutes: None,
    };
    if let (TrialCount::OpenEnded, Some((a, b))) =
        (plan.trials, plan.method.chance().filter(|_| plan.method != Method::Preference))
    {
        let g = f64::from(a) / f64::from(b);
        let reach = |p: &PowerDoc| {
            let (found_by_100, mean_trials) = evidence::reaching(g, p.p_correct, level(&plan), 100);
            ReachDoc { p_correct: p.p_correct, found_by_100, mean_trials }
        };
        let shares = chance::what_if(plan.method, 1, level(&plan))?.power;
        doc.open_ended = Some(shares.iter().map(reach).collect());
    }
    if plan.method != Method::Graded {
        doc.trials_for_80 = Some(needed(&plan)?);
    }
    if let (TrialCount::Fixed(n), Some((a, b))) = (plan.trials, plan.method.chance()) {
        let all = document(&plan, None).scored_expected.map_or(u64::from(n) * u64::from(plan.listeners), |s| s.round() as u64);
        if plan.setups.len() == 2 {
            doc.saw_tooth = Some(saw_tooth(&plan, all));
        }
        if plan.method != Method::Preference {
            doc.not_heard = Some(not_heard(all, f64::from(a) / f64::from(b), plan.bound.value()));
        }
    }
    if let TrialCount::Fixed(n) = plan.trials {
        let clip = session.clips()?.into_iter().find(|c| plan.clips.iter().any(|p| p.clip == c.id));
        let seconds = clip.map_or(10.0, |c| c.frames as f64 / c.rate.as_f64());
        let slots = crate::trial::methods::labels(plan.method, plan.setups.len() + 1).len() as f64;
        let trials = f64::from(n + plan.controls.same_file + plan.controls.repeat + plan.controls.known);
        // Each slot about twice, but seldom longer than 20 s at a time, and a moment to answer.
        doc.minutes = Some(trials * (2.0 * slots * seconds.min(20.0) + 5.0) / 60.0);
    }
    Ok(doc)
}

/// Trials for a power of 80 %. Several setups share the trials over their pairs, and Holm's first step asks each pair for alpha over their
/// number: so many trials of every pair are needed.
fn needed(plan: &Plan) -> Result<Vec<NeededDoc>, Failure> {
    let k = plan.setups.len() as u64;
    let pairs = if plan.method == Method::Preference { k * (k - 1) / 2 } else { 1 };
    let mut each = chance::what_if(plan.method, 1, level(plan) / pairs as f64)?.trials_for_80;
    for needed in &mut each {
        needed.first = needed.first.map(|n| n * pairs);
        needed.stable = needed.stable.map(|n| n * pairs);
    }
    Ok(each)
}

/// Power at three right in four (a triangle: two in three), up to about twice the planned trials.
fn saw_tooth(plan: &Plan, all: u64) -> SawToothDoc {
    let p_correct = if plan.method == Method::Triangle { 2.0 / 3.0 } else { 0.75 };
    // As many columns as a narrow terminal has.
    let step = (2 * all).div_ceil(64).max(1);
    let points = (1..=64).map(|i| i * step).map(|n| (n, power_at(plan.method, n, level(plan), p_correct))).collect();
    SawToothDoc { p_correct, points }
}

fn not_heard(n: u64, g: f64, bound: f64) -> NotHeardDoc {
    let of = |bound: f64| {
        let most = most_correct_for_similarity(n, g, bound, 0.05);
        (most, most.map_or(0.0, |most| lower_tail(most, n, g)))
    };
    let (at_most, chance) = of(bound);
    let bound_for_80 = (1..=100).map(|i| f64::from(i) / 100.0).find(|b| of(*b).1 >= 0.8);
    NotHeardDoc { bound, at_most, chance, bound_for_80 }
}
