//! `plan` and `close`: a test is sealed before its first trial, and never changes.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName, SetupName, TestId};
use crate::model::outside::Clock;
use crate::model::rig::{Rig, Setup};
use crate::model::session::{Clip, MatchRun, Take};
use crate::model::trial::{Controls, Method, Plan, PlanClip, SealedTest, TrialCount};
use crate::report::count::{CountDoc, PowerDoc};
use crate::rig::differs::{differs, notes_that_differ};
use crate::rig::gate::{self, Gate};
use crate::stats::verdict::{Counted, numbers};
use crate::store::Session;
use crate::trial::{generator, seal};
use crate::units::Probability;
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
    /// Scored trials per listener, or open-ended.
    pub trials: TrialCount,
    /// Listeners planned.
    pub listeners: u32,
    /// Level.
    pub alpha: f64,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls per listener.
    pub controls: Controls,
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
    /// Scored trials per listener; null when open-ended.
    pub trials: Option<u32>,
    /// Listeners planned.
    pub listeners: u32,
    /// Fewest right of all listeners' trials together that the test calls heard.
    pub critical: Option<u64>,
    /// Exact size.
    pub true_size: Option<f64>,
    /// Power over all listeners' trials.
    pub power: Vec<PowerDoc>,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls per listener.
    pub controls: Controls,
    /// Takes per setup.
    pub takes: std::collections::BTreeMap<String, usize>,
    /// What the engineer should know before the first trial.
    pub warnings: Vec<String>,
}

fn wrong(message: impl Into<String>, next: &str) -> Failure {
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}

fn check_request(request: &Request, rig: &Rig) -> Result<(), Failure> {
    for name in &request.compare {
        if rig.setup(name).is_none() {
            let known: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
            let message = format!("the session has no setup {:?}; it has {}", name.as_str(), known.join(", "));
            return Err(Failure::plain("no-such-setup", Fate::Unfit, message, "check the names behind --compare"));
        }
    }
    let mut unique = request.compare.clone();
    unique.sort();
    unique.dedup();
    if unique.len() != request.compare.len() {
        return Err(wrong("a setup cannot be compared with itself", "name different setups behind --compare"));
    }
    let many = matches!(request.method, Method::Preference | Method::Graded);
    if request.compare.len() < 2 || (!many && request.compare.len() > 2) {
        let message = format!(
            "{} compares {} setups, {} were named",
            request.method,
            if many { "two or more" } else { "two" },
            request.compare.len()
        );
        return Err(wrong(message, "as in --compare s16,p4"));
    }
    if let TrialCount::Fixed(n) = request.trials
        && !(1..=MOST_TRIALS).contains(&n)
    {
        return Err(wrong(format!("{n} trials; 1 to {MOST_TRIALS} are wanted"), "16 is the default"));
    }
    let share = |v: f64| v > 0.0 && v < 1.0;
    if !share(request.alpha) || !(share(request.bound) || (request.bound - 1.0).abs() < 1e-12) {
        return Err(wrong(
            format!("alpha {} and bound {}: numbers between 0 and 1 are wanted", request.alpha, request.bound),
            "0.05 and 0.3 are the defaults",
        ));
    }
    if !(1..=MOST_LISTENERS).contains(&request.listeners) {
        return Err(wrong("listeners: 1 to 100000 are wanted", "1 listener is the default"));
    }
    if request.controls.same_file > MOST_TRIALS || request.controls.repeat > MOST_TRIALS {
        return Err(wrong("controls: up to 1000 of each kind are wanted", "as in --controls same-file=8"));
    }
    method_needs(request)
}

fn method_needs(request: &Request) -> Result<(), Failure> {
    let in_pair = |s: &Option<SetupName>| s.as_ref().is_none_or(|s| request.compare.contains(s));
    if !in_pair(&request.expect) || !in_pair(&request.reference) {
        return Err(wrong("--expect and --reference name one of the setups compared", "check the names"));
    }
    if request.method == Method::Attribute && (request.attribute.is_none() || request.expect.is_none()) {
        return Err(wrong(
            "attribute wants a word and the setup expected to have more of it, before the first trial",
            "as in --attribute brighter --expect p4",
        ));
    }
    if request.method == Method::Graded && (request.controls != Controls::default() || request.trials == TrialCount::OpenEnded) {
        return Err(wrong(
            "graded has its own hidden reference and anchor, no controls, and a fixed number of trials",
            "leave --controls and --open-ended out",
        ));
    }
    Ok(())
}

/// The clips of the newest matching run that fits, and what was chosen for mic and excerpt.
pub(crate) struct Chosen {
    pub(crate) clips: Vec<Clip>,
    pub(crate) mic: MicName,
    pub(crate) excerpt: ExcerptName,
}

fn choose(session: &Session, request: &Request, runs: &[MatchRun]) -> Result<Chosen, Failure> {
    let folder = session.folder().display();
    let flag = if request.as_recorded { " --as-recorded" } else { "" };
    let Some(run) = runs.iter().rev().find(|r| r.as_recorded == request.as_recorded) else {
        let message = format!("there are no {} clips yet", if request.as_recorded { "as-recorded" } else { "matched" });
        return Err(Failure::plain("no-clips", Fate::Refused, message, format!("run: cabjury match {folder}{flag}")));
    };
    let all: Vec<Clip> =
        session.clips()?.into_iter().filter(|c| c.run == run.run && request.compare.contains(&c.setup)).collect();
    let mic = one_of("mic", request.mic.as_ref(), all.iter().map(|c| c.mic.clone()).collect())?;
    let of_mic: Vec<Clip> = all.into_iter().filter(|c| c.mic == mic).collect();
    let excerpt = one_of("excerpt", request.excerpt.as_ref(), of_mic.iter().map(|c| c.excerpt.clone()).collect())?;
    let takes = session.takes()?;
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
    Ok(Chosen { clips, mic, excerpt })
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

pub(crate) fn build(session: &Session, request: &Request, test: TestId) -> Result<Plan, Failure> {
    let rig = session.rig()?;
    check_request(request, &rig)?;
    let gate = Gate::of(session)?;
    gate.obey(&request.compare, request.load_reason.as_deref())?;
    let chosen = choose(session, request, &session.match_runs()?)?;
    let takes = session.takes()?;
    let setups: Vec<&Setup> = request.compare.iter().filter_map(|s| rig.setup(s)).collect();
    let of = |s: &Setup| -> Vec<&Take> {
        takes.iter().filter(|t| chosen.clips.iter().any(|c| c.take == t.id && c.setup == s.name)).collect()
    };
    let mut facts: Vec<String> = Vec::new();
    for (i, first) in setups.iter().enumerate() {
        for second in &setups[i + 1..] {
            for fact in differs(&rig, first, second).into_iter().chain(notes_that_differ(&of(first), &of(second))) {
                if !facts.contains(&fact) {
                    facts.push(fact);
                }
            }
        }
    }
    let warnings = crate::testing::plan_warnings::warnings(session, &rig, request, &chosen, &facts)?;
    if request.controls.repeat > 0 && request.compare.iter().all(|s| chosen.clips.iter().filter(|c| &c.setup == s).count() < 2) {
        return Err(wrong("repeat controls want two takes of a setup", "import more takes, or plan without repeat controls"));
    }
    Ok(Plan {
        test,
        method: request.method,
        setups: request.compare.clone(),
        as_recorded: request.as_recorded,
        excerpt: chosen.excerpt,
        mic: chosen.mic,
        trials: request.trials,
        listeners: request.listeners,
        alpha: Probability::new(request.alpha)?,
        bound: Probability::new(request.bound)?,
        controls: request.controls,
        attribute: request.attribute.clone(),
        expect: request.expect.clone(),
        reference: request.reference.clone(),
        clips: chosen
            .clips
            .iter()
            .map(|c| PlanClip { clip: c.id.clone(), setup: c.setup.clone(), take: c.take.clone(), sha256: c.sha256.clone() })
            .collect(),
        differs: facts,
        warnings,
        load_reason: load_reason(&gate, request)?,
        exclusion: "nobody is left out".to_owned(),
        generator: generator::NAME.to_owned(),
        training_by_name: request.training_by_name,
        ask_confidence: request.ask_confidence,
    })
}

/// What was typed now, else what was typed at an earlier door: the plan seals it, every report prints it.
fn load_reason(gate: &Gate, request: &Request) -> Result<Option<String>, Failure> {
    let typed = request.load_reason.as_deref().map(str::trim).filter(|r| !r.is_empty()).map(str::to_owned);
    let earlier = gate.reasons(&request.compare)?;
    Ok(typed.or_else(|| (!earlier.is_empty()).then(|| earlier.join("; "))))
}

pub(crate) fn document(plan: &Plan, sealed: Option<&SealedTest>) -> PlanDoc {
    let per_listener = match plan.trials {
        TrialCount::Fixed(n) => Some(n),
        TrialCount::OpenEnded => None,
    };
    let all = u64::from(per_listener.unwrap_or(16)) * u64::from(plan.listeners);
    let c = Counted {
        method: plan.method,
        trials: all,
        correct: 0,
        alpha: plan.alpha.value(),
        bound: plan.bound.value(),
        anytime: None,
    };
    let graded = plan.method == Method::Graded;
    let found = numbers(&c);
    let two = plan.setups.len() == 2;
    // Several pairs share the picks: no single count calls one preferred.
    let counted = per_listener.is_some() && !graded && two;
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
        trials: per_listener,
        listeners: plan.listeners,
        critical: found.critical.filter(|_| counted),
        true_size: found.true_size.filter(|_| counted),
        power: if !counted { Vec::new() } else { CountDoc::new(&c, &found).power },
        bound: plan.bound.value(),
        controls: plan.controls,
        takes,
        warnings: plan.warnings.clone(),
    }
}

/// Seals a test.
///
/// # Errors
/// Unknown setups, no clips (exit code 3 tells to run `match`), numbers that cannot be.
pub fn plan(folder: &Path, request: &Request, clock: &dyn Clock) -> Result<PlanDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let test = TestId::new(&format!("test-{}", session.next_test()?))?;
    let plan = build(&session, request, test)?;
    gate::pass(&mut session, &request.compare, request.load_reason.as_deref(), clock.now())?;
    let canonical = seal::canonical(&plan);
    let sealed = SealedTest { seal: seal::seal(&canonical), canonical, plan, sealed_at: clock.now(), closed_at: None };
    session.add_test(&sealed, clock.now())?;
    Ok(document(&sealed.plan, Some(&sealed)))
}

/// Ends a test for good.
///
/// # Errors
/// No such test, or it is closed already.
pub fn close(folder: &Path, test: &TestId, clock: &dyn Clock) -> Result<SealedTest, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    session.close_test(test, clock.now())?;
    Ok(session.test(test)?)
}
