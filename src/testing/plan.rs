//! `plan`, `close` and giving up: a test is sealed before its first trial, and never changes.

use crate::capture::mend;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName, TestId};
use crate::model::outside::Clock;
use crate::model::result::RULES;
use crate::model::rig::{Rig, Setup};
use crate::model::session::{Clip, MatchRun, Take};
use crate::model::trial::{self, Controls, Design, Method, Plan, PlanClip, SealedTest, Sealing, TrialCount};
use crate::rig::differs::{differs, notes_that_differ};
use crate::rig::gate::{self, Gate};
use crate::stats::sequential;
use crate::store::Session;
use crate::testing::plan_check::check;
pub use crate::testing::plan_doc::PlanDoc;
pub(crate) use crate::testing::plan_doc::document;
use crate::testing::plan_doc::{least_p_takes, level};
use crate::testing::plan_family::Tests;
use crate::testing::plan_units::units;
use crate::testing::plan_warnings::{Look, warnings};
use crate::testing::trials::Closing;
use crate::trial::{generator, methods, seal};
use crate::units::{Decibel, Probability};
use serde::Serialize;
use std::path::Path;

/// Most scored trials per listener.
pub const MOST_TRIALS: u32 = 1000;

/// Most listeners of a test.
pub const MOST_LISTENERS: u32 = 100_000;

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// The setups.
    pub compare: Vec<SetupName>,
    /// The method.
    pub method: Method,
    /// Trials per listener (scored ones in the paired design), or open-ended; default by the design.
    pub trials: Option<TrialCount>,
    /// Listeners planned.
    pub listeners: u32,
    /// Level of all tests of the session together; default that of the first seal, else 0.05.
    pub alpha: Option<f64>,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls per listener.
    pub controls: Controls,
    /// By how much known-difference controls are raised; default 1 dB.
    pub known_db: Option<f64>,
    /// How samples are drawn; default crossed where it can be.
    pub design: Option<Design>,
    /// How many tests the session's claim rests on; default that of the first seal, else 1.
    pub tests: Option<u32>,
    /// Looks before the end, in answers of the whole panel.
    pub looks: Vec<u64>,
    /// The mic or blend.
    pub mic: Option<MicName>,
    /// The excerpt.
    pub excerpt: Option<ExcerptName>,
    /// Raw levels.
    pub as_recorded: bool,
    /// `attribute`: the word.
    pub attribute: Option<String>,
    /// `attribute`: the setup expected to have more of it.
    pub expect: Option<SetupName>,
    /// `duo-trio`, `graded`: the reference.
    pub reference: Option<SetupName>,
    /// Why a load that must not be connected was used all the same.
    pub load_reason: Option<String>,
    /// Listeners may hear the setups by name before their trials.
    pub training_by_name: bool,
    /// A confidence and a remark are asked for after each pick.
    pub ask_confidence: bool,
    /// For simulated listeners alone.
    pub simulated: bool,
}

impl Request {
    /// A plain request: ABX of these setups by one listener.
    #[must_use]
    pub fn of(compare: Vec<SetupName>) -> Self {
        Self {
            compare,
            method: Method::Abx,
            trials: None,
            listeners: 1,
            alpha: None,
            bound: 0.3,
            controls: Controls::default(),
            known_db: None,
            design: None,
            tests: None,
            looks: Vec::new(),
            mic: None,
            excerpt: None,
            as_recorded: false,
            attribute: None,
            expect: None,
            reference: None,
            load_reason: None,
            training_by_name: false,
            ask_confidence: false,
            simulated: false,
        }
    }
}

pub(super) fn wrong(message: impl Into<String>, next: &str) -> Failure {
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}

/// The clips of the newest matching run that fits, and what was chosen for mic and excerpt.
pub(crate) struct Chosen {
    pub(crate) clips: Vec<Clip>,
    pub(crate) mic: MicName,
    pub(crate) excerpt: ExcerptName,
}

fn choose(session: &Session, request: &Request, runs: &[MatchRun]) -> Result<Chosen, Failure> {
    let folder = quoted(session.folder());
    let flag = if request.as_recorded { " --as-recorded" } else { "" };
    let mut fitting = None;
    for run in runs.iter().rev().filter(|r| r.as_recorded == request.as_recorded) {
        if mend::given_up(session, run.run)?.is_none() {
            fitting = Some(run);
            break;
        }
    }
    let Some(run) = fitting else {
        let message = format!("there are no {} clips yet", if request.as_recorded { "as-recorded" } else { "matched" });
        return Err(Failure::plain("no-clips", Fate::Refused, message, format!("run: cabjury match {folder}{flag}")));
    };
    let all: Vec<Clip> =
        session.clips()?.into_iter().filter(|c| c.run == run.run && request.compare.contains(&c.setup)).collect();
    let mic = one_of("mic", request.mic.as_ref(), all.iter().map(|c| c.mic.clone()).collect())?;
    let of_mic: Vec<Clip> = all.into_iter().filter(|c| c.mic == mic).collect();
    let excerpt = one_of("excerpt", request.excerpt.as_ref(), of_mic.iter().map(|c| c.excerpt.clone()).collect())?;
    let takes = session.takes()?;
    // Clips of a take that was put under another setup since then bear the wrong name.
    if let Some(moved) = takes.iter().find(|t| t.withdrawn.is_none() && t.reassigned.iter().any(|r| r.at > run.made_at)) {
        let message = format!("the clips were made before {} was reassigned", moved.id);
        return Err(Failure::plain("no-clips", Fate::Refused, message, format!("run: cabjury match {folder}{flag}")));
    }
    let live = |c: &Clip| takes.iter().any(|t| t.id == c.take && t.withdrawn.is_none());
    let clips: Vec<Clip> = of_mic.into_iter().filter(|c| c.excerpt == excerpt && live(c)).collect();
    if let Some(bare) = request.compare.iter().find(|s| !clips.iter().any(|c| &c.setup == *s)) {
        let message = format!("there is no clip of {bare} at mic {mic}, excerpt {excerpt}");
        return Err(Failure::plain(
            "no-clips",
            Fate::Refused,
            message,
            format!("import a take of it and run: cabjury match {folder}{flag}"),
        ));
    }
    one_passage(&clips)?;
    Ok(Chosen { clips, mic, excerpt })
}

/// All clips of a test are one passage of one run: two passages under one name would give the answer away.
///
/// # Errors
/// `two-passages`.
pub(crate) fn one_passage(clips: &[Clip]) -> Result<(), Failure> {
    let passage = |c: &Clip| (c.run, c.excerpt.clone(), c.frames, c.rate);
    let twice = |c: &Clip| clips.iter().filter(|o| o.take == c.take).count() > 1;
    if clips.windows(2).all(|pair| passage(&pair[0]) == passage(&pair[1])) && !clips.iter().any(twice) {
        return Ok(());
    }
    let message = "the clips of this excerpt are not all of one passage";
    Err(Failure::plain(
        "two-passages",
        Fate::Refused,
        message,
        "make them again, each excerpt under a name of its own: cabjury match",
    ))
}

fn one_of<T: Ord + Clone + std::fmt::Display>(what: &'static str, asked: Option<&T>, mut there: Vec<T>) -> Result<T, Failure> {
    there.sort();
    there.dedup();
    let list = there.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    match asked {
        Some(name) if there.contains(name) => Ok(name.clone()),
        Some(name) => {
            let message = format!("the clips have no {what} {name}; they have {list}");
            Err(Failure::plain("no-such-clips", Fate::Unfit, message, format!("name one of them with --{what}")))
        }
        None if there.len() == 1 => Ok(there.remove(0)),
        None if there.is_empty() => Err(Failure::plain(
            "no-clips",
            Fate::Refused,
            "there are no clips of these setups",
            "run match after importing takes of both",
        )),
        None => Err(wrong(format!("there are several {what}s: {list}"), &format!("choose one with --{what}"))),
    }
}

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
        simulated: request.simulated,
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

/// How many tests stand already, if a test that is sealed now would be a further one for people.
///
/// # Errors
/// The session cannot be read.
pub fn further(folder: &Path, request: &Request) -> Result<Option<usize>, Failure> {
    if request.simulated {
        return Ok(None);
    }
    let before = Tests::read(&Session::open_read(folder)?)?.before();
    Ok(Some(before).filter(|n| *n > 0))
}

/// Seals a test.
///
/// # Errors
/// Unknown setups, no clips (exit code 3 tells to run `match`), numbers that cannot be.
pub fn plan(folder: &Path, request: &Request, clock: &dyn Clock) -> Result<PlanDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let test = TestId::new(&format!("test-{}", session.next_test()?))?;
    let mut plan = build(&session, request, test)?;
    sounds_are_as_recorded(&session, &plan)?;
    gate::pass(&mut session, &request.compare, request.load_reason.as_deref(), clock.now())?;
    let context = session.seal_context()?;
    plan.sealing = Some(Sealing {
        session_id: Some(context.session_id.to_string()),
        nonce: context.nonce.clone(),
        head: context.head.clone(),
        rules: RULES,
    });
    let canonical = seal::canonical(&plan);
    let sealed = SealedTest { seal: seal::seal(&canonical), canonical, plan, sealed_at: clock.now(), closed_at: None };
    session.add_test_with(&sealed, &context, clock.now())?;
    Ok(document(&sealed.plan, Some(&sealed)))
}

/// What will be heard, and what it was made from, has the bytes that were recorded. A copy without recordings can be planned in.
fn sounds_are_as_recorded(session: &Session, plan: &Plan) -> Result<(), Failure> {
    let there = |path: &str| session.has_audio() || session.absolute(path).exists();
    let clips: Vec<Clip> = session.clips()?.into_iter().filter(|c| plan.clips.iter().any(|p| p.clip == c.id)).collect();
    for take in session.takes()?.iter().filter(|t| there(&t.path) && clips.iter().any(|c| c.take == t.id)) {
        session.verified_take(take)?;
    }
    for clip in clips.iter().filter(|c| there(&c.path)) {
        session.verified_clip(clip)?;
    }
    Ok(())
}

/// Ends a test for good.
///
/// # Errors
/// No such test, it was given up, or it is closed already.
pub fn close(folder: &Path, test: &TestId, closing: Closing, clock: &dyn Clock) -> Result<SealedTest, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    session.test(test)?;
    if session.given_up(test)?.is_some() {
        let message = format!("{test} was given up and stays so");
        return Err(Failure::plain("test-given-up", Fate::Refused, message, "plan another test"));
    }
    closing(&mut session, test, clock.now())?;
    Ok(session.test(test)?)
}

/// The document of `withdraw --test`.
#[derive(Debug, Clone, Serialize)]
pub struct GivenUpDoc {
    /// The test.
    pub test: TestId,
    /// Why.
    pub reason: String,
}

/// Gives up a sealed test that nobody answered: logged, printed in every report, and its place among the session's tests is free again.
///
/// # Errors
/// No reason; no such test; it was answered, is closed, or was given up already.
pub fn give_up(folder: &Path, test: &TestId, reason: &str, clock: &dyn Clock) -> Result<GivenUpDoc, Failure> {
    let reason = reason.trim();
    if reason.is_empty() {
        return Err(wrong("a reason is needed: every report prints it", "as in --reason \"the wrong mic\""));
    }
    let mut session = Session::open_write(folder, clock.now())?;
    let sealed = session.test(test)?;
    let refused =
        |message: String| Err(Failure::plain("cannot-give-up", Fate::Refused, message, "close it instead: cabjury close"));
    if sealed.closed_at.is_some() {
        return refused(format!("{test} is closed and stays so"));
    }
    if session.given_up(test)?.is_some() {
        return refused(format!("{test} was given up already"));
    }
    let mut answered = 0u32;
    session.each_trial(test, &mut |trial| {
        answered += u32::from(matches!(trial.state, trial::TrialState::Answered { .. }) && !trial.practice);
    })?;
    if answered > 0 {
        return refused(format!("{test} was answered: a test that was begun stays"));
    }
    let doc = GivenUpDoc { test: test.clone(), reason: reason.to_owned() };
    session.withdraw_test(test, reason, clock.now())?;
    Ok(doc)
}
