//! From a request to the plan that will be sealed.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{SetupName, TestId};
use crate::model::rig::{Rig, Setup};
use crate::model::session::Take;
use crate::model::trial::{self, Conditions, Controls, Design, Plan, PlanClip, TrialCount};
use crate::rig::differs::{differs, notes_that_differ};
use crate::rig::gate::Gate;
use crate::stats::sequential;
use crate::store::Session;
use crate::testing::choose::{Chosen, choose};
use crate::testing::plan_check::check;
use crate::testing::plan_doc::{least_p_takes, level};
use crate::testing::plan_family::Tests;
use crate::testing::plan_units::units;
use crate::testing::plan_warnings::{Look, warnings};
use crate::testing::request::{Request, wrong};
use crate::trial::{generator, methods};
use crate::units::{Decibel, Probability};

/// Builds the plan of a request; nothing is written.
pub(crate) fn build(session: &Session, request: &Request, test: TestId) -> Result<Plan, Failure> {
    let rig = session.rig()?;
    check(request, &rig)?;
    let tests = Tests::read(session)?;
    let (alpha, family) = tests.place(request)?;
    let gate = Gate::of(session)?;
    gate.obey(&request.compare, request.load_reason.as_deref())?;
    let chosen = choose(session, request, &session.match_runs()?)?;
    let takes = session.takes()?;
    let few = |s: &SetupName| chosen.clips.iter().filter(|c| &c.setup == s).count() < 2;
    if request.controls.repeat > 0 && request.compare.iter().all(few) {
        return Err(wrong("repeat controls need two takes of a setup", "import more takes, or plan without repeat controls"));
    }
    let known_db = (request.controls.known > 0).then(|| Decibel::new(request.known_db.unwrap_or(1.0))).transpose()?;
    let mut plan = Plan {
        test,
        method: request.method,
        setups: request.compare.clone(),
        as_recorded: request.as_recorded,
        excerpt: chosen.excerpt.clone(),
        mic: chosen.mic.clone(),
        trials: request.trials.unwrap_or(TrialCount::Fixed(0)),
        listeners: request.listeners,
        alpha: Probability::new(alpha)?,
        bound: Probability::new(request.bound)?,
        controls: request.controls,
        known_db,
        design: Design::Paired,
        units: units(&takes, &chosen.clips),
        attribute: request.attribute.clone(),
        expect: request.expect.clone(),
        reference: request.reference.clone(),
        clips: chosen
            .clips
            .iter()
            .map(|c| PlanClip { clip: c.id.clone(), setup: c.setup.clone(), take: c.take.clone(), sha256: c.sha256.clone() })
            .collect(),
        differs: facts(&rig, request, &takes, &chosen),
        warnings: Vec::new(),
        load_reason: load_reason(&gate, request)?,
        exclusion: "nobody is left out".to_owned(),
        generator: if request.simulated { generator::SIMULATED } else { generator::NAME }.to_owned(),
        looks: Vec::new(),
        sealing: None,
        training_by_name: request.training_by_name,
        ask_confidence: request.ask_confidence,
        conditions: stated(&request.conditions)?,
        simulated: request.simulated,
        audience: request.audience,
        family: Some(family),
    };
    plan.design = design(request, &plan)?;
    plan.trials = trials(request, plan.design);
    plan.looks = looks(request, family.level);
    let before = tests.before();
    plan.warnings = warnings(&Look { session, rig: &rig, request, chosen: &chosen, takes: &takes, plan: &plan, before })?
        .iter()
        .map(ToString::to_string)
        .collect();
    Ok(plan)
}

/// Conditions as they were typed, in one line each.
fn stated(given: &Conditions) -> Result<Conditions, Failure> {
    let plain = |text: &Option<String>| match text.as_deref().map(str::trim).filter(|t| !t.is_empty()) {
        None => Ok(None),
        Some(text) if text.chars().count() > 200 || text.chars().any(char::is_control) => {
            Err(wrong(format!("{text:?} is not one line of at most 200 characters"), "shorten what is stated of the listening"))
        }
        Some(text) => Ok(Some(text.to_owned())),
    };
    Ok(Conditions {
        level: plain(&given.level)?,
        on: plain(&given.on)?,
        room: plain(&given.room)?,
        device: plain(&given.device)?,
    })
}

/// What was typed now, else what was typed at an earlier door: the plan seals it, every report prints it.
fn load_reason(gate: &Gate, request: &Request) -> Result<Option<String>, Failure> {
    let typed = request.load_reason.as_deref().map(str::trim).filter(|r| !r.is_empty()).map(str::to_owned);
    let earlier = gate.reasons(&request.compare)?;
    Ok(typed.or_else(|| (!earlier.is_empty()).then(|| earlier.join("; "))))
}

/// Everything that differs between the setups, by the sheet and by the takes' notes.
fn facts(rig: &Rig, request: &Request, takes: &[Take], chosen: &Chosen) -> Vec<String> {
    let setups: Vec<&Setup> = request.compare.iter().filter_map(|s| rig.setup(s)).collect();
    let of = |s: &Setup| -> Vec<&Take> {
        takes.iter().filter(|t| chosen.clips.iter().any(|c| c.take == t.id && c.setup == s.name)).collect()
    };
    let mut facts: Vec<String> = Vec::new();
    for (i, first) in setups.iter().enumerate() {
        for second in &setups[i + 1..] {
            for fact in differs(rig, first, second).into_iter().chain(notes_that_differ(&of(first), &of(second))) {
                if !facts.contains(&fact) {
                    facts.push(fact);
                }
            }
        }
    }
    facts
}

/// Crossed, unless something stands against it: then paired, or wrong use where crossed was asked for.
fn design(request: &Request, plan: &Plan) -> Result<Design, Failure> {
    let asked = request.design;
    if asked == Some(Design::Paired) {
        return Ok(Design::Paired);
    }
    let looks = !request.looks.is_empty();
    let without_repeat = Plan { controls: Controls { repeat: 0, ..plan.controls }, ..plan.clone() };
    let against = methods::not_crossed(&without_repeat).or(looks.then_some("looks before the end need the paired design"));
    let reached = least_p_takes(plan).is_some_and(|p| p <= level(plan));
    let crossed = match (asked, against) {
        (Some(_), Some(why)) => {
            return Err(wrong(format!("--design crossed: {why}"), "leave --design out, or take --design paired"));
        }
        (Some(_), None) => true,
        (None, against) => against.is_none() && reached,
    };
    if !crossed {
        return Ok(Design::Paired);
    }
    if plan.controls.repeat > 0 {
        let message =
            "repeat controls belong to the paired design: in the crossed one, trials that are not scored show the repeat takes";
        return Err(wrong(message, "leave repeat out of --controls, or add --design paired"));
    }
    if plan.training_by_name {
        let message = "in the crossed design nobody may know a take by its setup's name: training is by number only";
        return Err(wrong(message, "leave --training-by-name out, or add --design paired"));
    }
    if plan.clips.len() < methods::rules(plan.method).columns.len() {
        let message = format!("{} takes in all are too few to cross", plan.clips.len());
        return Err(Failure::plain("too-few-takes", Fate::Refused, message, "record more takes, or add --design paired"));
    }
    Ok(Design::Crossed)
}

/// Trials of each listener: the last look is the end where there are looks; else 28 crossed, of which 16 are scored with four takes a setup,
/// and 16 paired.
fn trials(request: &Request, design: Design) -> TrialCount {
    let by_looks = request.looks.last().and_then(|last| u32::try_from(last / u64::from(request.listeners)).ok());
    request.trials.or(by_looks.map(TrialCount::Fixed)).unwrap_or(TrialCount::Fixed(match design {
        Design::Crossed => 28,
        Design::Paired => 16,
    }))
}

fn looks(request: &Request, level: f64) -> Vec<trial::Look> {
    let Some((a, b)) = request.method.chance() else { return Vec::new() };
    sequential::looks(&request.looks, f64::from(a) / f64::from(b), level, sequential::Spending::Late)
        .into_iter()
        .zip(&request.looks)
        .map(|((least, _), at)| trial::Look { answers: *at, least_correct: Some(least).filter(|k| k <= at) })
        .collect()
}
