//! `rehearse`: simulated listeners go through the very code that people do: the same draw, the same judge, the same score.

use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ListenerCode, TestId};
use crate::model::outside::{Clock, Progress};
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Design, Method, Plan, SlotRecord, TrialCount, TrialKind};
use crate::model::verdict::VerdictKind;
use crate::stats::beta_binomial::share_at;
use crate::stats::intervals::clopper_pearson;
use crate::store::Session;
use crate::testing::trials::Trials;
use crate::trial::{Generator, Progressed, draw, draw_trial};
use crate::verdict::judge::kind_of;
use crate::verdict::tally::{Tally, setup_of};
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// What simulated listeners are like. All shares lie in 0..=1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ears {
    /// The share of trials that are truly heard, on average.
    pub hears: f64,
    /// How unequal the listeners are: each one's share is drawn from a beta distribution with this correlation; 0: all alike, 1: some hear
    /// all and the others nothing.
    pub unequal: f64,
    /// The share of answers that are a slip: a guess although it was heard.
    pub slips: f64,
    /// The share of guesses that fall on the first choice; `None`: even.
    pub leans: Option<f64>,
}

impl Ears {
    /// Listeners who are all alike, without slips or a lean.
    #[must_use]
    pub fn plain(hears: f64) -> Self {
        Self { hears, unequal: 0.0, slips: 0.0, leans: None }
    }

    /// The ears of one listener out of these.
    fn one(&self, random: &mut dyn RandomWords) -> Self {
        // No word is drawn for what nobody asked for: a seed keeps its result.
        let hears = if self.unequal > 0.0 { share_at(random.unit(), self.hears, self.unequal) } else { self.hears };
        Self { hears, unequal: 0.0, ..*self }
    }

    /// Whether this trial is truly heard, and answered as heard.
    fn truly(&self, random: &mut dyn RandomWords) -> bool {
        let heard = random.unit() < self.hears;
        heard && !(self.slips > 0.0 && random.unit() < self.slips)
    }

    fn guess(&self, choices: &[String], random: &mut dyn RandomWords) -> String {
        let at = match self.leans {
            None => random.below(choices.len() as u64),
            Some(share) if random.unit() < share => 0,
            Some(_) => 1 + random.below(choices.len() as u64 - 1),
        };
        choices[at as usize].clone()
    }

    fn check(&self) -> Result<(), Failure> {
        let each =
            [("hears", self.hears), ("unequal", self.unequal), ("slips", self.slips), ("leans", self.leans.unwrap_or(0.5))];
        match each.into_iter().find(|(_, share)| !(0.0..=1.0).contains(share)) {
            None => Ok(()),
            Some((name, share)) => Err(Failure::plain(
                "wrong-use",
                Fate::WrongUse,
                format!("--{name} {share}; a share of 0 to 1 is wanted"),
                "as in --hears 0.5 --slips 0.02",
            )),
        }
    }
}

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// The ears.
    pub ears: Ears,
    /// How many evenings.
    pub runs: u64,
    /// Seed.
    pub seed: u64,
    /// The test; default the only open one.
    pub test: Option<TestId>,
    /// Keep one run as this listener.
    pub keep: Option<ListenerCode>,
}

/// The document of `rehearse`.
#[derive(Debug, Clone, Serialize)]
pub struct RehearseDoc {
    /// The test.
    pub test: String,
    /// Its method.
    pub method: Method,
    /// Evenings.
    pub runs: u64,
    /// The ears: the share of trials truly heard, and what else they are like.
    #[serde(flatten)]
    pub ears: Ears,
    /// How often a listener of average ears is right; for `preference`, prefers the first named.
    pub p_correct: Option<f64>,
    /// How often each verdict came out.
    pub verdicts: BTreeMap<&'static str, u64>,
    /// Share of `heard` and `heard-small`.
    pub heard_share: f64,
    /// Its 95 % interval.
    pub interval95: [f64; 2],
    /// Share of what this method can claim: `heard` and `heard-small`, or `preferred`, or `rated-apart`.
    pub found_share: f64,
    /// Its 95 % interval.
    pub found_interval95: [f64; 2],
    /// The listener that was kept, if one was.
    pub kept: Option<String>,
}

/// Most trials that a simulated open-ended evening lasts.
const OPEN_ENDED_TRIALS: u32 = 50;

/// What a simulated listener picks: with probability `hears` the truth, else a guess. What has no right answer: the first-named setup
/// with probability (1 + hears)/2. Controls are guessed: nothing tells one file from itself.
fn answer(opened_right: Option<&str>, choices: &[String], kind: TrialKind, ears: &Ears, random: &mut dyn RandomWords) -> String {
    let guess = ears.guess(choices, random);
    if kind != TrialKind::Scored {
        return guess;
    }
    let truly = ears.truly(random);
    match opened_right {
        Some(right) if truly => right.to_owned(),
        _ => guess,
    }
}

/// How a simulated listener rates: every sample gets a number from 0 to 100, each drawn evenly. In a trial that is truly heard the largest
/// of these numbers goes to the hidden reference and the smallest to the anchor; what lies between them stays as it was drawn. People's
/// ratings lie closer together: a simulation of them would be made up, and what is told of this one is how many trials ranks need.
fn rating(plan: &Plan, slots: &[SlotRecord], choices: &[String], truly: bool, random: &mut dyn RandomWords) -> String {
    let mut numbers: Vec<u64> = choices.iter().map(|_| random.below(101)).collect();
    let reference = plan.reference.as_ref().or(plan.setups.first());
    let place = |wanted: &dyn Fn(&SlotRecord) -> bool| {
        choices.iter().position(|label| slots.iter().any(|s| s.label == *label && wanted(s)))
    };
    let largest = place(&|s| !s.anchor && setup_of(plan, &s.clip) == reference);
    let smallest = place(&|s| s.anchor);
    if truly && let (Some(reference), Some(anchor)) = (largest, smallest) {
        let first = (0..numbers.len()).max_by_key(|i| numbers[*i]).unwrap_or(reference);
        numbers.swap(first, reference);
        let last = (0..numbers.len()).filter(|i| *i != reference).min_by_key(|i| numbers[*i]).unwrap_or(anchor);
        numbers.swap(last, anchor);
    }
    choices.iter().zip(numbers).map(|(label, n)| format!("{label}={n}")).collect::<Vec<_>>().join(",")
}

/// One evening of one simulated listener, in memory.
fn evening(plan: &Plan, ears: &Ears, random: &mut dyn RandomWords) -> Result<Tally, Failure> {
    let ears = ears.one(random);
    let mut tally = Tally::default();
    let mut done = Progressed::default();
    let all = draw::planned(plan).unwrap_or(OPEN_ENDED_TRIALS);
    while done.all() < all {
        let hidden = draw_trial(plan, done, random)?;
        let choices = hidden.choices().to_vec();
        // Only an answer opens an order, here as everywhere: it is opened with a placeholder, and a simulated ear is then told the truth with
        // probability `hears`. The judge that follows is the one that people's picks meet.
        let placeholder = Answer { choice: choices[0].clone(), confidence: None, remark: None };
        let opened = hidden.open(&placeholder);
        let choice = if plan.method == Method::Graded {
            let truly = ears.truly(random);
            rating(plan, &opened.order.slots, &choices, truly, random)
        } else {
            let truth = truth(plan, &opened.order);
            answer(truth.as_deref(), &choices, opened.order.kind, &ears, random)
        };
        let right = opened.order.right.as_ref().map(|r| *r == choice);
        tally.add(plan, &opened.order, &choice, right);
        match opened.order.kind {
            TrialKind::Scored => done.scored += 1,
            TrialKind::SameFile => done.same_file += 1,
            TrialKind::Repeat => done.repeat += 1,
            TrialKind::Known => done.known += 1,
        }
    }
    Ok(tally)
}

/// What an ear that hears would say: the right choice; for `preference` the slot of the setup that the plan names first.
fn truth(plan: &Plan, order: &crate::model::trial::OrderRecord) -> Option<String> {
    if plan.method != Method::Preference {
        return order.right.clone();
    }
    let rank = |clip: &ClipId| {
        let setup = setup_of(plan, clip)?;
        plan.setups.iter().position(|s| s == setup)
    };
    order.slots.iter().min_by_key(|s| rank(&s.clip)).map(|s| s.label.clone())
}

fn plan_of(session: &Session, test: Option<&TestId>) -> Result<Plan, Failure> {
    if let Some(id) = test {
        return Ok(session.test(id)?.plan);
    }
    let mut open: Vec<_> = session.tests()?.into_iter().filter(|t| t.closed_at.is_none()).collect();
    match open.len() {
        1 => Ok(open.remove(0).plan),
        0 => Err(Failure::plain("no-open-test", Fate::Refused, "no test is open", "seal one with: cabjury plan")),
        n => Err(Failure::plain("which-test", Fate::WrongUse, format!("{n} tests are open"), "name one with --test")),
    }
}

/// Rehearses a plan in memory. Results do not depend on the number of threads: every run has a generator of its own.
///
/// # Errors
/// The plan cannot be drawn from.
pub fn rehearse_plan(
    plan: &Plan,
    ears: &Ears,
    runs: u64,
    seed: u64,
    progress: &dyn Progress,
) -> Result<BTreeMap<&'static str, u64>, Failure> {
    const BATCH: u64 = 500;
    let seal = crate::trial::seal::seal(&crate::trial::seal::canonical(plan));
    let batches: Vec<u64> = (0..runs.div_ceil(BATCH)).collect();
    let done = std::sync::atomic::AtomicU64::new(0);
    let counts: Vec<BTreeMap<&'static str, u64>> = batches
        .par_iter()
        .map(|batch| {
            let mut counts = BTreeMap::new();
            // Equal counts have equal numbers: most evenings of a batch are one of a few.
            let mut seen: BTreeMap<Vec<u64>, VerdictKind> = BTreeMap::new();
            for run in batch * BATCH..runs.min((batch + 1) * BATCH) {
                let mut generator = Generator::simulated(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(run));
                let mut tallies = Vec::new();
                for _ in 0..plan.listeners {
                    tallies.push(evening(plan, ears, &mut generator)?);
                }
                let kind = verdict_of(plan, &seal, &tallies, &mut seen);
                *counts.entry(kind.name()).or_insert(0) += 1;
            }
            let through = done.fetch_add(BATCH, std::sync::atomic::Ordering::Relaxed) + BATCH;
            progress.step("rehearsing", through.min(runs), runs);
            Ok(counts)
        })
        .collect::<Result<_, Failure>>()?;
    let mut sum: BTreeMap<&'static str, u64> = VerdictKind::ALL.iter().map(|k| (k.name(), 0)).collect();
    for (name, n) in counts.into_iter().flatten() {
        *sum.entry(name).or_insert(0) += n;
    }
    Ok(sum)
}

fn verdict_of(plan: &Plan, seal: &Sha256Hex, tallies: &[Tally], seen: &mut BTreeMap<Vec<u64>, VerdictKind>) -> VerdictKind {
    let key: Vec<u64> = tallies
        .iter()
        .flat_map(|t| [t.correct(), t.same_file.correct, t.repeat.correct, t.known.correct, u64::from(t.own_file)])
        .collect();
    // Pairs are not told apart by the key, nor is the order of an open-ended test's picks, nor are ratings.
    let by_count = plan.trials != TrialCount::OpenEnded
        && plan.setups.len() == 2
        && plan.method != Method::Graded
        && plan.design == Design::Paired;
    if by_count && let Some(kind) = seen.get(&key) {
        return *kind;
    }
    let kind = kind_of(plan, seal, &tallies.iter().collect::<Vec<_>>());
    seen.insert(key, kind);
    kind
}

/// Rehearses the sealed plan; with `keep` one evening is kept as a simulated listener.
///
/// # Errors
/// Numbers that cannot be, no open test, a lean in a graded test.
pub fn rehearse(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<RehearseDoc, Failure> {
    request.ears.check()?;
    if request.runs == 0 || request.runs > 10_000_000 {
        let message = format!("{} runs; 1 to 10000000 are wanted", request.runs);
        return Err(Failure::plain("wrong-use", Fate::WrongUse, message, "as in --hears 0.5 --runs 1000"));
    }
    let plan = plan_of(&Session::open_read(folder)?, request.test.as_ref())?;
    if plan.method == Method::Graded && request.ears.leans.is_some() {
        let message = "a graded test has ratings and no choices to lean to";
        return Err(Failure::plain("wrong-use", Fate::WrongUse, message, "leave --leans out"));
    }
    let verdicts = rehearse_plan(&plan, &request.ears, request.runs, request.seed, progress)?;
    let count = |kinds: &[VerdictKind]| kinds.iter().map(|k| verdicts.get(k.name()).unwrap_or(&0)).sum::<u64>();
    let heard = count(&[VerdictKind::Heard, VerdictKind::HeardSmall]);
    let found = match plan.method {
        Method::Preference => count(&[VerdictKind::Preferred]),
        Method::Graded => count(&[VerdictKind::RatedApart]),
        Method::Abx | Method::DuoTrio | Method::Triangle | Method::Attribute => heard,
    };
    let kept = match &request.keep {
        None => None,
        Some(code) => {
            keep(folder, &plan, code, request, clock)?;
            Some(code.to_string())
        }
    };
    Ok(RehearseDoc {
        test: plan.test.to_string(),
        method: plan.method,
        runs: request.runs,
        ears: request.ears,
        p_correct: plan.method.chance().map(|(a, b)| {
            let (g, truly) = (f64::from(a) / f64::from(b), request.ears.hears * (1.0 - request.ears.slips));
            g + (1.0 - g) * truly
        }),
        verdicts,
        heard_share: heard as f64 / request.runs as f64,
        interval95: clopper_pearson(heard, request.runs, 0.05),
        found_share: found as f64 / request.runs as f64,
        found_interval95: clopper_pearson(found, request.runs, 0.05),
        kept,
    })
}

fn keep(folder: &Path, plan: &Plan, code: &ListenerCode, request: &Request, clock: &dyn Clock) -> Result<(), Failure> {
    let mut trials = Trials::open(folder, clock)?;
    trials.enter(plan, code, true)?;
    let standing = trials.standing(plan, code)?;
    if standing.through() {
        return Err(crate::testing::trials::through(plan, code, &standing));
    }
    simulate(&mut trials, plan, code, &request.ears, &mut Generator::simulated(request.seed))
}

/// Lets a simulated listener answer all of their trials through the service that people's trials go through. The truth that such an ear is
/// told comes from the clips that the player would play, as it does for a person's ear.
///
/// # Errors
/// The store cannot be written.
pub fn simulate(
    trials: &mut Trials<'_>,
    plan: &Plan,
    code: &ListenerCode,
    ears: &Ears,
    random: &mut dyn RandomWords,
) -> Result<(), Failure> {
    let ears = ears.one(random);
    let mut left = draw::planned(plan).unwrap_or(OPEN_ENDED_TRIALS);
    while left > 0 && !trials.standing(plan, code)?.through() {
        let open = trials.next_with(plan, code, "simulated listener", random)?;
        let sounded = |label: &String| {
            let (clip, anchor) = trials.for_the_player(&open.id, label)?;
            Some(SlotRecord { label: label.clone(), clip, anchor, raised: false })
        };
        let slots: Vec<_> = open.labels.iter().filter_map(sounded).collect();
        open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
        let choice = if plan.method == Method::Graded {
            let truly = ears.truly(random);
            rating(plan, &slots, &open.choices, truly, random)
        } else {
            let guess = ears.guess(&open.choices, random);
            if ears.truly(random) { by_ear(plan, &slots).unwrap_or(guess) } else { guess }
        };
        let answer = Answer { choice, confidence: None, remark: None };
        trials.pick(plan, &open.id, &answer, Vec::new())?;
        left -= 1;
    }
    Ok(())
}

/// What an ear that tells setups apart picks, from what sounded in the slots; nothing where all are of one setup.
fn by_ear(plan: &Plan, slots: &[SlotRecord]) -> Option<String> {
    let setups: Vec<_> = slots.iter().map(|s| setup_of(plan, &s.clip)).collect();
    let setup = |i: usize| setups.get(i).copied().flatten();
    if setups.iter().all(|s| *s == setups[0]) {
        return None;
    }
    let label = |i: usize| slots.get(i).map(|s| s.label.clone());
    match plan.method {
        Method::Abx => label(usize::from(setup(2)? != setup(0)?)),
        Method::DuoTrio => label(if setup(1)? == setup(0)? { 1 } else { 2 }),
        Method::Triangle => (0..3).find(|i| setups.iter().filter(|s| **s == setup(*i)).count() == 1).and_then(label),
        Method::Attribute => (0..2).find(|i| setup(*i) == plan.expect.as_ref()).and_then(label),
        Method::Preference => {
            let rank = |i: usize| plan.setups.iter().position(|s| Some(s) == setup(i));
            label(usize::from(rank(1)? < rank(0)?))
        }
        Method::Graded => None,
    }
}
