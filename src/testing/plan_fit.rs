//! How many trials are scored, and how many would fit what a test is to say.

use crate::model::trial::{Design, Method, Plan};
use crate::stats::binomial::{lower_tail, pmf};
use crate::stats::power::most_correct_for_similarity;
use crate::stats::takes::Rule;
use crate::stats::verdict::power_at;
use serde::Serialize;

/// Trials of a test in all, and the chance of each to be scored.
pub(super) struct Scored {
    pub(super) all: u64,
    pub(super) share: f64,
}

/// Numbers of scored trials beyond which nothing is listed: each has less weight than this.
const WEIGHT: f64 = 1e-4;
/// Most trials for which every number of scored ones is looked at.
const EACH: u64 = 4000;

impl Scored {
    pub(super) fn of(plan: &Plan, trials: u32) -> Self {
        let all = u64::from(trials) * u64::from(plan.listeners);
        let rule = Rule::of(plan.method).filter(|_| plan.design == Design::Crossed);
        let takes = |i: usize| plan.clips.iter().filter(|c| Some(&c.setup) == plan.setups.get(i)).count() as u64;
        Self { all, share: rule.map_or(1.0, |r| r.scored_share(takes(0), takes(1))) }
    }

    pub(super) fn expected(&self) -> f64 {
        self.all as f64 * self.share
    }

    /// Numbers that may be scored, each with its probability.
    pub(super) fn numbers(&self) -> Vec<(u64, f64)> {
        if self.share >= 1.0 || self.all > EACH {
            return vec![(self.expected().round() as u64, 1.0)];
        }
        let each: Vec<(u64, f64)> =
            (0..=self.all).map(|m| (m, pmf(m, self.all, self.share))).filter(|(_, w)| *w >= WEIGHT).collect();
        let sum: f64 = each.iter().map(|(_, w)| w).sum();
        each.into_iter().map(|(m, w)| (m, w / sum)).collect()
    }
}

/// The level at which a plan's test is judged.
#[must_use]
pub fn level(plan: &Plan) -> f64 {
    plan.family.map_or(plan.alpha.value(), |f| f.level)
}

/// A number of trials that fits a plan's bound and listeners.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FittingDoc {
    /// Trials of each listener.
    pub trials: u32,
    /// The chance, when nothing is audible, that the report may say "heard in fewer than the bound's share of trials".
    pub chance_bounded: f64,
    /// The chance that listeners who truly hear the bound's share of trials are found.
    pub power_at_bound: f64,
}

/// A test is worth its evening when it mostly ends in an answer, whichever way the truth lies: common practice, no source.
const MOSTLY: f64 = 0.8;
/// The level at which a share is excluded.
const BETA: f64 = 0.05;
/// Most trials of a listener that are proposed.
const MOST: u32 = 1000;

/// The fewest trials of each listener with which a test of this plan mostly ends in an answer: bounded when nothing is audible, heard when the
/// bound's share truly is.
pub(super) fn fitting(plan: &Plan) -> Option<FittingDoc> {
    let (a, b) = plan.method.chance().filter(|_| plan.method != Method::Preference && plan.setups.len() == 2)?;
    let (g, bound) = (f64::from(a) / f64::from(b), plan.bound.value());
    (1..=MOST).find_map(|trials| {
        let scored = Scored::of(plan, trials).expected().floor() as u64;
        let most = most_correct_for_similarity(scored, g, bound, BETA)?;
        let chance_bounded = lower_tail(most, scored, g);
        let power_at_bound = power_at(plan.method, scored, level(plan), g + (1.0 - g) * bound);
        let fits = chance_bounded >= MOSTLY && power_at_bound >= MOSTLY;
        fits.then_some(FittingDoc { trials, chance_bounded, power_at_bound })
    })
}
