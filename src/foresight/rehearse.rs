//! `rehearse`: simulated listeners go through the very code that people do: the same draw, the same judge, the same score.

pub use super::ears::Ears;
use super::ears::{Panel, World};
use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::{Clock, Progress};
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Design, Method, Plan, SlotRecord, TrialCount};
use crate::model::verdict::{Subject, VerdictKind};
use crate::stats::intervals::clopper_pearson;
use crate::store::Session;
use crate::testing::sounding::Treatment;
use crate::testing::trials::Trials;
use crate::trial::{Generator, Progressed, draw, draw_trial};
use crate::verdict::closing::freeze;
use crate::verdict::tally::Tally;
use crate::verdict::weigh::{self, weigh};
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

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
    /// Share of what this method can claim: `heard`, `heard-small` and `heard-some`, or `preferred`, or `rated-apart`.
    pub found_share: f64,
    /// Its 95 % interval.
    pub found_interval95: [f64; 2],
    /// Share of positive verdicts about the setups.
    pub setups_share: f64,
    /// The listener that was kept, if one was.
    pub kept: Option<String>,
}

/// Most trials that a simulated open-ended evening lasts.
const OPEN_ENDED_TRIALS: u32 = 50;

/// One evening of one simulated listener, in memory.
fn evening(plan: &Plan, panel: &Panel, world: &World, random: &mut dyn RandomWords) -> Result<Tally, Failure> {
    let ear = panel.one(plan, random);
    let mut tally = Tally::default();
    let mut done = Progressed::default();
    let all = ear.stays(draw::planned(plan).unwrap_or(OPEN_ENDED_TRIALS), random);
    while done.all() < all {
        let hidden = draw_trial(plan, done, random)?;
        let choices = hidden.choices().to_vec();
        // Only an answer opens an order, here as everywhere: it is opened with a placeholder, and the simulated ear is then given what a
        // person's ear is given, the samples. The judge that follows is the one that people's picks meet.
        let placeholder = Answer { choice: choices[0].clone(), confidence: None, remark: None };
        let opened = hidden.open(&placeholder);
        let choice = ear.answer(plan, world, &opened.order.slots, &choices, random);
        let right = opened.order.right.as_ref().map(|r| *r == choice);
        tally.add(plan, &opened.order, &choice, right);
        done.add(opened.order.kind);
    }
    Ok(tally)
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

/// What came of many evenings.
#[derive(Debug, Clone, Default)]
pub struct Evenings {
    /// How often each verdict came out, zeros too.
    pub verdicts: BTreeMap<&'static str, u64>,
    /// How often it was a positive one about the setups.
    pub setups: u64,
}

/// Rehearses a plan in memory: how often each verdict came out, and what the verdicts are about. Results do not depend on the number of threads: every run has a generator of its own.
///
/// # Errors
/// The plan cannot be drawn from.
pub fn evenings(plan: &Plan, ears: &Ears, runs: u64, seed: u64, progress: &dyn Progress) -> Result<Evenings, Failure> {
    const BATCH: u64 = 500;
    let seal = crate::trial::seal::seal(&crate::trial::seal::canonical(plan));
    let batches: Vec<u64> = (0..runs.div_ceil(BATCH)).collect();
    let done = std::sync::atomic::AtomicU64::new(0);
    let panel = Panel::of(plan, ears);
    let counts: Vec<Evenings> = batches
        .par_iter()
        .map(|batch| {
            let mut counts = Evenings::default();
            // Equal counts have equal numbers: most evenings of a batch are one of a few.
            let mut seen: BTreeMap<Vec<u64>, Verdict> = BTreeMap::new();
            for run in batch * BATCH..runs.min((batch + 1) * BATCH) {
                let mut generator = Generator::simulated(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(run));
                let world = World::of(plan, ears, &mut generator);
                let mut tallies = Vec::new();
                for _ in 0..plan.listeners {
                    tallies.push(evening(plan, &panel, &world, &mut generator)?);
                }
                let (kind, subject) = verdict_of(plan, &seal, &tallies, &mut seen);
                *counts.verdicts.entry(kind.name()).or_insert(0) += 1;
                counts.setups += u64::from(subject == Some(Subject::Setups));
            }
            let through = done.fetch_add(BATCH, std::sync::atomic::Ordering::Relaxed) + BATCH;
            progress.step("rehearsing", through.min(runs), runs);
            Ok(counts)
        })
        .collect::<Result<_, Failure>>()?;
    let mut sum = Evenings { verdicts: VerdictKind::ALL.iter().map(|k| (k.name(), 0)).collect(), setups: 0 };
    for one in counts {
        sum.setups += one.setups;
        for (name, n) in one.verdicts {
            *sum.verdicts.entry(name).or_insert(0) += n;
        }
    }
    Ok(sum)
}

type Verdict = (VerdictKind, Option<Subject>);

fn verdict_of(plan: &Plan, seal: &Sha256Hex, tallies: &[Tally], seen: &mut BTreeMap<Vec<u64>, Verdict>) -> Verdict {
    let key: Vec<u64> = tallies
        .iter()
        .flat_map(|t| {
            [t.correct(), t.scored.len() as u64, t.same_file.correct, t.repeat.correct, t.known.correct, u64::from(t.own_file)]
        })
        .collect();
    // Pairs are not told apart by the key, nor is the order of an open-ended test's picks, nor are ratings, nor takes.
    let by_count = plan.trials != TrialCount::OpenEnded
        && plan.setups.len() == 2
        && plan.method != Method::Graded
        && plan.design == Design::Paired;
    if by_count && let Some(kind) = seen.get(&key) {
        return *kind;
    }
    let took_part: Vec<&Tally> = tallies.iter().filter(|t| t.took_part()).collect();
    let found = weigh(&weigh::Panel { plan, seal, tallies: &took_part, outcomes: None, data_void: false, known_by_name: false });
    seen.insert(key, (found.kind, found.subject));
    (found.kind, found.subject)
}

/// Rehearses the sealed plan; with `keep` one evening is kept as a simulated listener.
///
/// # Errors
/// Numbers that cannot be, no open test, a lean in a graded test.
pub fn rehearse(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<RehearseDoc, Failure> {
    request.ears.check(None)?;
    if request.runs == 0 || request.runs > 10_000_000 {
        let message = format!("{} runs; 1 to 10000000 are needed", request.runs);
        return Err(Failure::plain("wrong-use", Fate::WrongUse, message, "as in --hears 0.5 --runs 1000"));
    }
    let plan = plan_of(&Session::open_read(folder)?, request.test.as_ref())?;
    if plan.method == Method::Graded && request.ears.leans.is_some() {
        let message = "a graded test has ratings and no choices to lean to";
        return Err(Failure::plain("wrong-use", Fate::WrongUse, message, "leave --leans out"));
    }
    request.ears.check(Some(&plan))?;
    if request.keep.is_some() && !plan.simulated {
        let message = format!("{} is for people: a simulated listener that is kept would stand among them", plan.test);
        let next = "seal a test for it: cabjury plan --simulated";
        return Err(Failure::plain("not-simulated", Fate::Refused, message, next));
    }
    let Evenings { verdicts, setups } = evenings(&plan, &request.ears, request.runs, request.seed, progress)?;
    let count = |kinds: &[VerdictKind]| kinds.iter().map(|k| verdicts.get(k.name()).unwrap_or(&0)).sum::<u64>();
    let heard = count(&[VerdictKind::Heard, VerdictKind::HeardSmall]);
    let found = count(&[
        VerdictKind::Heard,
        VerdictKind::HeardSmall,
        VerdictKind::HeardSome,
        VerdictKind::Preferred,
        VerdictKind::RatedApart,
    ]);
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
        ears: request.ears.clone(),
        p_correct: plan.method.chance().map(|(a, b)| {
            let (g, truly) = (f64::from(a) / f64::from(b), request.ears.hears * (1.0 - request.ears.slips));
            g + (1.0 - g) * truly
        }),
        verdicts,
        heard_share: heard as f64 / request.runs as f64,
        interval95: clopper_pearson(heard, request.runs, 0.05),
        found_share: found as f64 / request.runs as f64,
        found_interval95: clopper_pearson(found, request.runs, 0.05),
        setups_share: setups as f64 / request.runs as f64,
        kept,
    })
}

fn keep(folder: &Path, plan: &Plan, code: &ListenerCode, request: &Request, clock: &dyn Clock) -> Result<(), Failure> {
    let mut trials = Trials::open(folder, clock)?.closing_by(freeze);
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
    // Takes are what they are, whoever listens.
    let seal = crate::trial::seal::seal(&crate::trial::seal::canonical(plan));
    let world = World::of(plan, ears, &mut Generator::of_the_seal(&seal, "takes of a rehearsal"));
    let panel = Panel::of(plan, ears);
    let ear = panel.one(plan, random);
    let mut left = ear.stays(draw::planned(plan).unwrap_or(OPEN_ENDED_TRIALS), random);
    while left > 0 && !trials.standing(plan, code)?.through() {
        let open = trials.next_with(plan, code, "simulated listener", random)?;
        let sounded = |label: &String| {
            let (clip, treatment) = trials.sound_for_the_player(&open.id, label)?;
            let (anchor, raised) = (treatment == Treatment::Anchor, treatment == Treatment::Raised);
            Some(SlotRecord { label: label.clone(), clip, anchor, raised })
        };
        let slots: Vec<_> = open.labels.iter().filter_map(sounded).collect();
        open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
        let choice = ear.answer(plan, &world, &slots, &open.choices, random);
        let answer = Answer { choice, confidence: None, remark: None };
        trials.pick(plan, &open.id, &answer, Vec::new())?;
        left -= 1;
    }
    Ok(())
}
