//! From a test and its trials to the one shape of a result.

use crate::model::audio::Sha256Hex;
use crate::model::ids::{ListenerCode, SetupName};
use crate::model::result::{
    ConfidenceDoc, ControlDoc, ControlsDoc, DprimeDoc, Endless, EstimateDoc, HeterogeneityDoc, ListenerDoc, ListenerProgress,
    OpenTest, PowerDoc, RULES, RatingDoc, SecondOpinionDoc, TestEntry, TestHead, TestResult,
};
use crate::model::trial::{Design, Method, Plan, SealedTest, TrialCount};
use crate::report::count::two_digits;
use crate::report::sentence;
use crate::stats::bayes::{self, Estimate};
use crate::stats::beta_binomial;
use crate::stats::binomial::pmf;
use crate::stats::confidence::type2;
use crate::stats::family::Family;
use crate::stats::graded::quartiles;
use crate::stats::missing::{Answers, d_prime};
use crate::stats::panel::{cluster_error, heterogeneity};
use crate::stats::population::population;
use crate::stats::takes::Rule;
use crate::stats::verdict::{ControlCount, model, power_at, power_steps};
use crate::verdict::flags::{flags, rating_flags};
use crate::verdict::tally::Tally;
use crate::verdict::trial_counts::{Gathered, Who, in_order};
use crate::verdict::weigh::{Panel, Weighed, place, weigh};
use std::collections::{BTreeMap, BTreeSet};

/// The prior of the second opinion, in words.
const PRIOR: &str =
    "each listener's share from a beta distribution; its mean and the correlation of two answers uniform on 0 to 1";

/// A test with all that is needed to judge it.
pub struct Judgeable<'a> {
    /// The sealed test.
    pub test: &'a SealedTest,
    /// Its trials.
    pub trials: Gathered,
    /// Why the data is void, if it is.
    pub void_reason: Option<String>,
    /// Why listeners could know takes by their setup's name, or how a setup was treated as a whole.
    pub known_by_name: Option<String>,
}

impl<'a> Judgeable<'a> {
    /// A test whose records hold.
    #[must_use]
    pub fn sound(test: &'a SealedTest, trials: Gathered) -> Self {
        Self { test, trials, void_reason: None, known_by_name: None }
    }
}

/// What is said of a test now: of a closed one and of an open-ended one a result, of the others how far they are.
#[must_use]
pub fn entry(j: &Judgeable<'_>) -> TestEntry {
    let open_ended = j.test.plan.trials == TrialCount::OpenEnded;
    if j.test.closed_at.is_some() || open_ended {
        return TestEntry::Closed(Box::new(judge(j)));
    }
    let listeners: Vec<ListenerProgress> = j
        .trials
        .progress()
        .into_iter()
        .map(|(listener, simulated, done)| ListenerProgress { listener, simulated, done })
        .collect();
    let done = listeners.iter().map(|l| l.done).sum();
    let took_part = listeners.iter().filter(|l| l.done > 0).count() as u64;
    TestEntry::Open(Box::new(OpenTest { head: head(j, done, took_part), method: j.test.plan.method, listeners }))
}

fn head(j: &Judgeable<'_>, done: u64, took_part: u64) -> TestHead {
    let plan = &j.test.plan;
    let two = |i: usize| plan.setups.get(i).filter(|_| plan.setups.len() == 2).cloned();
    let family = place(plan);
    TestHead {
        test: plan.test.clone(),
        closed: j.test.closed_at.is_some(),
        first: two(0),
        second: two(1),
        setups: plan.setups.clone(),
        differs: plan.differs.clone(),
        takes: takes(plan),
        mic: plan.mic.clone(),
        excerpt: plan.excerpt.clone(),
        as_recorded: plan.as_recorded,
        design: plan.design,
        attribute: plan.attribute.clone(),
        planned: match plan.trials {
            TrialCount::Fixed(n) => Some(u64::from(n) * u64::from(plan.listeners)),
            TrialCount::OpenEnded => None,
        },
        done,
        void: j.trials.void,
        listeners_planned: plan.listeners,
        took_part,
        exploratory: family.number.is_none() && plan.for_a_panel(),
        family,
    }
}

fn takes(plan: &Plan) -> BTreeMap<SetupName, usize> {
    let of = |setup: &SetupName| plan.clips.iter().filter(|c| &c.setup == setup).map(|c| &c.take).collect::<BTreeSet<_>>().len();
    plan.setups.iter().map(|s| (s.clone(), of(s))).collect()
}

/// The result of a test from its records, by the present rules.
#[must_use]
pub fn judge(j: &Judgeable<'_>) -> TestResult {
    let plan = &j.test.plan;
    let people = j.trials.panel();
    let tallies: Vec<&Tally> = people.iter().map(|p| p.1).collect();
    let outcomes = in_order(plan).then(|| j.trials.outcomes());
    let panel = panel_of(j, &tallies, outcomes.as_deref());
    let mut weighed = weigh(&panel);
    let who = j.trials.who();
    finish_count(&panel, &mut weighed);
    let done = tallies.iter().map(|t| t.answered()).sum();
    let heard = second_opinion(&panel);
    let own = heard.as_ref().map_or(&[][..], |h| &h.listeners);
    let result = TestResult {
        rules: RULES,
        head: head(j, done, people.len() as u64),
        unanswered: weighed.unanswered,
        p_value_answered: weighed.p_value_answered,
        p_reversed: weighed.p_reversed,
        p_family: over_the_family(plan, &weighed),
        p_listeners: weighed.p_listeners,
        p_by_picks: weighed.p_by_picks,
        scope: weighed.scope,
        subject: weighed.subject,
        p_takes: weighed.takes.map(|t| t.p),
        takes_splits: weighed.takes.map(|t| t.splits),
        known_by_name: j.known_by_name.clone(),
        critical_by_scored: weighed.critical_by_scored.clone(),
        alpha: plan.alpha.value(),
        bound: plan.bound.value(),
        controls: controls(&weighed),
        known_db: plan.known_db.map(|db| db.value()),
        listeners: listeners(&panel, &people, &weighed, who, own),
        simulated_only: who == Who::Simulated,
        practice_only: who == Who::Practice,
        heterogeneity: unequal(&panel, weighed.p_unequal),
        population_upper95: upper_of_others(&panel),
        second_opinion: heard.map(|h| SecondOpinionDoc { prior: PRIOR.to_owned(), panel: h.panel.map(estimate) }),
        confidence: confidence(&panel),
        preference: weighed.pairs.clone(),
        scale: (plan.method == Method::Preference).then(|| crate::verdict::scale::scale(plan, &tallies)).flatten(),
        ratings: (plan.method == Method::Graded).then(|| ratings(plan, &tallies)),
        ranks: weighed.ranks.clone(),
        own_file: weighed.own_file,
        floor_caution: weighed.floor_caution,
        void_reason: j.void_reason.clone(),
        warnings: plan.warnings.clone(),
        verdict: weighed.kind,
        count: weighed.count,
        headline: String::new(),
        sentence: String::new(),
    };
    worded(result)
}

fn panel_of<'a>(j: &'a Judgeable<'_>, tallies: &'a [&'a Tally], outcomes: Option<&'a [bool]>) -> Panel<'a> {
    Panel {
        plan: &j.test.plan,
        seal: &j.test.seal,
        tallies,
        outcomes,
        data_void: j.void_reason.is_some(),
        known_by_name: j.known_by_name.is_some(),
    }
}

/// With its words, which are a function of all the rest.
fn worded(mut result: TestResult) -> TestResult {
    result.headline = sentence::headline(&result);
    result.sentence = sentence::sentence(&result);
    result
}

fn over_the_family(plan: &Plan, weighed: &Weighed) -> Option<f64> {
    let family = Family { planned: place(plan).planned, alpha: plan.alpha.value() };
    weighed.count.p_value.or(weighed.count.anytime_p).map(|p| family.p_family(p))
}

/// One count of picks stands for this test.
fn one_count(plan: &Plan) -> bool {
    plan.method.one_count(plan.setups.len())
}

fn right_or_wrong(plan: &Plan) -> bool {
    !matches!(plan.method, Method::Preference | Method::Graded)
}

/// Answered scored trials and right ones of every listener.
fn counts(panel: &Panel<'_>) -> Vec<(u64, u64)> {
    panel.tallies.iter().map(|t| (t.scored.len() as u64, t.correct())).collect()
}

/// Power and d', which no verdict needs.
fn finish_count(panel: &Panel<'_>, weighed: &mut Weighed) {
    let plan = panel.plan;
    if right_or_wrong(plan) && !panel.open_ended() {
        let (scored, right) = counts(panel).into_iter().fold((0, 0), |(n, x), c| (n + c.0, x + c.1));
        let all = Answers { right, wrong: scored - right, unanswered: weighed.unanswered };
        weighed.count.dprime = model(plan.method).map(|m| {
            let (point, [low, high]) = d_prime(m, all);
            DprimeDoc { model: m.name().to_owned(), estimate: Endless(point), low: Endless(low), high: Endless(high) }
        });
    }
    // Over several listeners a preference is no count of picks, and its power depends on how much tastes differ.
    let several = plan.method == Method::Preference && (panel.tallies.len() > 1 || plan.setups.len() > 2);
    if !one_count(plan) || several {
        weighed.count.power.clear();
        return;
    }
    let scored = numbers_scored(panel, weighed.count.trials);
    let mean = |p: f64| scored.iter().map(|(m, share)| share * power_at(plan.method, *m, panel.level(), p)).sum::<f64>();
    weighed.count.power =
        power_steps(plan.method).into_iter().map(|p| PowerDoc { p_correct: two_digits(p), power: mean(p) }).collect();
}

/// How many of a panel's trials are scored, with the chance of each number. In the paired design that is fixed.
fn numbers_scored(panel: &Panel<'_>, trials: u64) -> Vec<(u64, f64)> {
    let plan = panel.plan;
    let (Design::Crossed, TrialCount::Fixed(n), Some(rule)) = (plan.design, plan.trials, Rule::of(plan.method)) else {
        return vec![(trials, 1.0)];
    };
    let all = u64::from(n) * panel.tallies.len() as u64;
    let of = |setup: Option<&SetupName>| plan.clips.iter().filter(|c| Some(&c.setup) == setup).count() as u64;
    let share = rule.scored_share(of(plan.setups.first()), of(plan.setups.get(1)));
    (0..=all).map(|m| (m, pmf(m, all, share))).filter(|(_, weight)| *weight > 1e-9).collect()
}

pub(super) fn controls(weighed: &Weighed) -> ControlsDoc {
    let found = &weighed.controls;
    let doc =
        |c: ControlCount, tested: bool| ControlDoc { trials: c.trials, correct: c.correct, tested, upper95: None, passed: None };
    ControlsDoc {
        same_file: ControlDoc { upper95: found.cue_upper95, ..doc(found.same_file, found.cue_tested) },
        repeat: doc(found.repeat, found.floor_tested),
        known: ControlDoc { passed: found.known_passed, ..doc(found.known, found.known_passed.is_some()) },
    }
}

fn estimate(e: Estimate) -> EstimateDoc {
    EstimateDoc { median: e.median, low: e.low, high: e.high }
}

fn second_opinion(panel: &Panel<'_>) -> Option<bayes::Heard> {
    right_or_wrong(panel.plan).then(|| bayes::heard(&counts(panel), panel.chance())).flatten()
}

fn listeners(
    panel: &Panel<'_>,
    people: &[(&ListenerCode, &Tally)],
    weighed: &Weighed,
    who: Who,
    heard: &[Estimate],
) -> Vec<ListenerDoc> {
    let plan = panel.plan;
    let graded = plan.method == Method::Graded;
    people
        .iter()
        .zip(&weighed.listeners)
        .enumerate()
        .map(|(i, ((code, tally), own))| ListenerDoc {
            listener: (*code).clone(),
            simulated: who == Who::Simulated,
            trials: tally.scored.len() as u64 + tally.unanswered(plan),
            correct: one_count(plan).then(|| tally.correct()),
            unanswered: tally.unanswered(plan),
            ratings: graded.then(|| ratings(plan, &[tally])),
            p_value: own.p,
            p_holm: own.p_holm,
            p_takes: own.p_takes,
            share_heard: heard.get(i).copied().map(estimate),
            flags: if graded { rating_flags(plan, tally) } else { flags(plan, tally) },
        })
        .collect()
}

fn unequal(panel: &Panel<'_>, p: Option<f64>) -> Option<HeterogeneityDoc> {
    let p_value = p?;
    let counts = counts(panel);
    let classic = heterogeneity(&counts);
    let fitted = beta_binomial::fit(&counts);
    Some(HeterogeneityDoc {
        p_value,
        chi_square: classic.map(|h| h.chi_square),
        df: classic.map(|h| h.df),
        tarone_z: classic.map(|h| h.tarone_z),
        tarone_p: classic.map(|h| h.tarone_p),
        rho: fitted.map(|b| b.rho),
        rho_p: fitted.map(|b| b.p),
        cluster_error: cluster_error(&counts),
    })
}

/// Listeners like these: approximate, of fixed tests with a right answer.
fn upper_of_others(panel: &Panel<'_>) -> Option<f64> {
    let fits = right_or_wrong(panel.plan) && !panel.open_ended();
    // What was not answered counts as right, as in every upper limit.
    let counts = panel.tallies.iter().map(|t| {
        let missing = t.unanswered(panel.plan);
        (t.scored.len() as u64 + missing, t.correct() + missing)
    });
    fits.then(|| population(&counts.collect::<Vec<_>>(), panel.chance())).flatten().map(|p| p.upper95)
}

fn confidence(panel: &Panel<'_>) -> Option<ConfidenceDoc> {
    if !right_or_wrong(panel.plan) {
        return None;
    }
    let of = |wanted: bool| -> Vec<f64> {
        let said = panel.tallies.iter().flat_map(|t| &t.confidence);
        said.filter(|(right, _)| *right == wanted).map(|(_, c)| f64::from(*c)).collect()
    };
    let found = type2(&of(true), &of(false), &mut panel.random("confidence"))?;
    Some(ConfidenceDoc { area: found.area, p_value: found.p })
}

/// Medians and quartiles of a graded test, the anchor last.
fn ratings(plan: &Plan, tallies: &[&Tally]) -> Vec<RatingDoc> {
    let rows: Vec<&(Vec<f64>, f64)> = tallies.iter().flat_map(|t| t.ratings.iter()).collect();
    let reference = plan.reference.as_ref().or(plan.setups.first());
    let doc = |setup: Option<&SetupName>, values: Vec<f64>| {
        let [q1, median, q3] = quartiles(&values)?;
        let hidden_reference = setup.is_some() && setup == reference;
        Some(RatingDoc { setup: setup.cloned(), hidden_reference, count: values.len(), q1, median, q3 })
    };
    let setups = plan.setups.iter().enumerate().filter_map(|(k, s)| doc(Some(s), rows.iter().map(|r| r.0[k]).collect()));
    setups.chain(doc(None, rows.iter().map(|r| r.1).collect())).collect()
}

/// The verdict's kind alone, of an evening in memory.
#[must_use]
pub fn kind_of(plan: &Plan, seal: &Sha256Hex, tallies: &[&Tally]) -> crate::model::verdict::VerdictKind {
    let took_part: Vec<&Tally> = tallies.iter().copied().filter(|t| t.took_part()).collect();
    weigh(&Panel { plan, seal, tallies: &took_part, outcomes: None, data_void: false, known_by_name: false }).kind
}
