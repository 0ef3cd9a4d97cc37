//! `new` and `status`.

use crate::capture::recording;
use crate::capture::take as intake;
use crate::capture::takes::{MicCountDoc, counts, list, missing};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::{Clock, Progress};
use crate::model::rig::{Rig, Setup};
use crate::model::session::Take;
use crate::report::text::count;
use crate::rig::gate::{Answer, Gate, GateDoc};
use crate::store::Session;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The document of `new`.
#[derive(Debug, Clone, Serialize)]
pub struct NewDoc {
    /// The session's folder.
    pub session: String,
    /// Its setups.
    pub setups: Vec<String>,
    /// Takes that were imported.
    pub takes: Vec<intake::TakeDoc>,
    /// The gate's answers, in the sheet's order.
    pub gate: Vec<GateDoc>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
    /// The next command.
    pub next: String,
}

impl NewDoc {
    /// True when some setup must not be powered.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.gate.iter().any(GateDoc::refused)
    }
}

/// Makes a session; with recordings one setup per name.
///
/// # Errors
/// The folder holds something; a recording is not fit (then the folder is not made).
pub fn new(
    folder: &Path,
    title: Option<&str>,
    rig: Option<Rig>,
    recordings: &[(SetupName, PathBuf)],
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<NewDoc, Failure> {
    names_once(folder, recordings)?;
    // The recordings are looked at before anything is made: a wrong file leaves no half session behind.
    let mut read = Vec::new();
    for (_, file) in recordings {
        read.push(intake::examine(file)?);
    }
    read.iter().try_for_each(recording::mono_or_stereo)?;
    for window in read.windows(2) {
        intake::same_rate(&window[0], &window[1])?;
    }
    for (i, second) in read.iter().enumerate() {
        read[..i].iter().try_for_each(|first| unlike(first, second))?;
    }
    let now = clock.now();
    let mut rig = rig.unwrap_or_default();
    crate::rig::cards::validate(&rig)?;
    for (name, _) in recordings {
        if rig.setup(name).is_none() {
            rig.setups.push(Setup { name: name.clone(), wiring: None, tap_ohm: None });
        }
    }
    // A recording under a refused setup is refused before anything is made; `take` asks for the reason.
    let named: Vec<SetupName> = recordings.iter().map(|(name, _)| name.clone()).collect();
    Gate::of_sheet(&rig).obey(&named, None)?;
    // The folder's name is kept as the title: a copy elsewhere under another name gives the same report.
    let named = || folder.file_name().map(|n| n.to_string_lossy().into_owned());
    let title = title.map(str::to_owned).or_else(|| rig.title.clone()).or_else(named);
    let mut session = Session::create(folder, title.as_deref(), now)?;
    session.set_rig(&rig, now)?;
    let (mut takes, mut warnings) = (Vec::new(), Vec::new());
    for (pass, ((setup, file), examined)) in (1..).zip(recordings.iter().zip(read)) {
        let request = intake::Request {
            files: vec![file.clone()],
            setup: Some(setup.clone()),
            pass: Some(pass),
            ..intake::Request::default()
        };
        let doc = intake::take_examined(&mut session, &request, &[examined], clock, progress)?;
        takes.extend(doc.takes);
        warnings.extend(doc.warnings);
    }
    let gate = Gate::of(&session)?;
    let next = next_step(&session, &gate)?.command;
    Ok(NewDoc {
        session: folder.display().to_string(),
        setups: rig.setups.iter().map(|s| s.name.to_string()).collect(),
        takes,
        gate: gate.all()?,
        warnings,
        next,
    })
}

/// Every name once: two recordings under one name would be two takes of one pass.
fn names_once(folder: &Path, recordings: &[(SetupName, PathBuf)]) -> Result<(), Failure> {
    for (i, (name, _)) in recordings.iter().enumerate() {
        if recordings[..i].iter().any(|r| &r.0 == name) {
            let message = format!("{name} is there twice");
            let next = format!(
                "give each setup one file here, and import further takes with: cabjury take {} FILE --setup {name}",
                quoted(folder)
            );
            return Err(Failure::plain("name-twice", Fate::WrongUse, message, next));
        }
    }
    Ok(())
}

/// Two setups need two recordings, in one layout.
fn unlike(first: &crate::capture::measure::Measured, second: &crate::capture::measure::Measured) -> Result<(), Failure> {
    let (a, b) = (first.path.display(), second.path.display());
    if first.facts.sha256 == second.facts.sha256 {
        let message = format!("{a} and {b} are the same recording: two setups need two");
        return Err(Failure::at_path("same-recording", Fate::Refused, &second.path, message, "give the other setup's own file"));
    }
    if first.facts.channels != second.facts.channels {
        let message =
            format!("{a} has {} channels, {b} has {}: one layout is needed", first.facts.channels, second.facts.channels);
        let next = "export both in the same layout, or make the session without it and use: cabjury take FOLDER FILE --setup NAME --mix-down";
        return Err(Failure::at_path("layout-differs", Fate::Unfit, &second.path, message, next));
    }
    Ok(())
}

/// One line of what is done.
#[derive(Debug, Clone, Serialize)]
pub struct DoneDoc {
    /// What.
    pub what: String,
    /// How far.
    pub state: String,
}

/// The next step and its command.
#[derive(Debug, Clone, Serialize)]
pub struct NextDoc {
    /// What to do, in words.
    pub what: String,
    /// The command.
    pub command: String,
}

/// The document of `status`.
#[derive(Debug, Clone, Serialize)]
pub struct StatusDoc {
    /// The session's folder.
    pub session: String,
    /// Its title.
    pub title: Option<String>,
    /// What is done.
    pub done: Vec<DoneDoc>,
    /// Takes and passes of each setup at each mic.
    pub mics: Vec<MicCountDoc>,
    /// What is missing for a blend.
    pub missing: Vec<String>,
    /// The gate's answers, in the sheet's order.
    pub gate: Vec<GateDoc>,
    /// What comes next.
    pub next: NextDoc,
}

impl StatusDoc {
    /// True when some setup must not be powered.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.gate.iter().any(GateDoc::refused)
    }
}

fn in_use(takes: &[Take]) -> impl Iterator<Item = &Take> {
    takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none())
}

/// The next step at the rig: a setup that is refused, then a wiring of a setup without takes that was never metered. The way to recording
/// leads past both.
fn rig_step(rig: &Rig, takes: &[Take], gate: &Gate, folder: &str) -> Result<Option<NextDoc>, Failure> {
    for setup in &rig.setups {
        let Answer::Refused { objections } = gate.ask(&setup.name)? else { continue };
        let Some(first) = objections.first() else { continue };
        let what = format!("do not power {}: it {first}", setup.name);
        let command = match setup.wiring.as_ref().filter(|_| first.is_a_reading()) {
            Some(wiring) => format!("cabjury meter {folder} {wiring} OHM"),
            None => format!("cabjury rig {folder} --sheet rig.toml"),
        };
        return Ok(Some(NextDoc { what, command }));
    }
    for setup in &rig.setups {
        let recorded = in_use(takes).any(|t| t.setup.as_ref() == Some(&setup.name));
        let wiring = setup.wiring.as_ref().and_then(|w| rig.wiring(w));
        if let Some(wiring) = wiring.filter(|w| !recorded && gate.unread(w)) {
            let what = format!(
                "wire {} and read it with the ohmmeter: amplifier off, unplugged, cable out of the amplifier",
                wiring.name
            );
            return Ok(Some(NextDoc { what, command: format!("cabjury meter {folder} {} OHM", wiring.name) }));
        }
    }
    Ok(None)
}

fn next_step(session: &Session, gate: &Gate) -> Result<NextDoc, Failure> {
    let folder = quoted(session.folder());
    let (rig, takes, clips) = (session.rig()?, session.takes()?, session.clips()?);
    let step = |what: &str, command: String| NextDoc { what: what.to_owned(), command };
    if rig.setups.is_empty() {
        return Ok(step("describe the rig in a sheet", format!("cabjury rig {folder} --sheet rig.toml")));
    }
    if let Some(step) = rig_step(&rig, &takes, gate, &folder)? {
        return Ok(step);
    }
    let bare: Vec<&SetupName> =
        rig.setups.iter().map(|s| &s.name).filter(|n| !in_use(&takes).any(|t| t.setup.as_ref() == Some(n))).collect();
    if let Some(setup) = bare.first() {
        return Ok(step("record and import a take of every setup", format!("cabjury take {folder} FILE --setup {setup}")));
    }
    if clips.is_empty() {
        return Ok(step("make the clips", format!("cabjury match {folder}")));
    }
    let tests: Vec<_> = session.tests()?.into_iter().filter(|t| !t.plan.audience).collect();
    if let Some(open) = tests.iter().find(|t| t.closed_at.is_none()) {
        return Ok(step("listen", format!("cabjury listen {folder} --test {} --listener CODE", open.plan.test)));
    }
    if tests.is_empty() {
        let pair: Vec<&str> = rig.setups.iter().take(2).map(|s| s.name.as_str()).collect();
        return Ok(step("seal a test", format!("cabjury plan {folder} --compare {}", pair.join(","))));
    }
    Ok(step("read the verdict and publish it", format!("cabjury report {folder}")))
}

/// What is done, and what comes next.
///
/// # Errors
/// The folder holds no session that can be read.
pub fn status(folder: &Path) -> Result<StatusDoc, Failure> {
    let session = Session::open_read(folder)?;
    let (rig, takes, clips, tests) = (session.rig()?, session.takes()?, session.clips()?, session.tests()?);
    let mut done = Vec::new();
    let mut line = |what: &str, state: String| done.push(DoneDoc { what: what.to_owned(), state });
    let setups: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
    line("setups", if setups.is_empty() { "none yet".to_owned() } else { setups.join(", ") });
    let di = takes.iter().any(|t| t.setup.is_none());
    line("DI", if di { "imported" } else { "none: takes are aligned to the first one" }.to_owned());
    let mics = counts(&rig, &takes);
    for setup in &rig.setups {
        line(&format!("takes of {}", setup.name), takes_of(setup.name.as_str(), &mics));
    }
    let missing = missing(&rig, &takes);
    for text in &missing {
        line("missing", text.clone());
    }
    let withdrawn = takes.iter().filter(|t| t.withdrawn.is_some()).count();
    if withdrawn > 0 {
        line("withdrawn takes", withdrawn.to_string());
    }
    let gate = Gate::of(&session)?;
    let answers = gate.all()?;
    if !rig.wirings.is_empty() {
        let read: Vec<&str> = rig.wirings.iter().filter(|w| gate.metered(w)).map(|w| w.name.as_str()).collect();
        line("wirings that read as intended", if read.is_empty() { "none yet".to_owned() } else { read.join(", ") });
    }
    for answer in answers.iter().filter(|a| !a.objections.is_empty()) {
        let state = match &answer.reason {
            Some(reason) => format!("used all the same, reason given: {reason}"),
            None => answer.objections.iter().map(|o| o.message.clone()).collect::<Vec<_>>().join("; "),
        };
        line(&format!("load of {}", answer.setup), if answer.refused() { format!("DO NOT POWER: {state}") } else { state });
    }
    line("clips", if clips.is_empty() { "none yet".to_owned() } else { clips.len().to_string() });
    for test in &tests {
        let trials = session.trials(&test.plan.test)?;
        let answered = trials.iter().filter(|t| matches!(t.state, crate::model::trial::TrialState::Answered { .. })).count();
        let state = if test.closed_at.is_some() { "closed" } else { "open" };
        line(
            test.plan.test.as_str(),
            format!(
                "{} of {}, {} answered, {state}",
                test.plan.method,
                names(&test.plan.setups),
                count(answered, "trial", "trials")
            ),
        );
    }
    let (title, next) = (session.note("title")?, next_step(&session, &gate)?);
    Ok(StatusDoc { session: folder.display().to_string(), title, done, mics, missing, gate: answers, next })
}

/// So many takes of a setup; at several mics, so many at each, with their passes.
fn takes_of(setup: &str, mics: &[MicCountDoc]) -> String {
    let of: Vec<&MicCountDoc> = mics.iter().filter(|m| m.setup == setup).collect();
    let all: usize = of.iter().map(|m| m.takes).sum();
    let few = of.is_empty() || of.iter().any(|m| m.takes < 4);
    let advice = match (few, of.len() > 1) {
        (false, _) => "",
        (true, false) => " (4 or more advised)",
        (true, true) => " (4 or more at each mic advised)",
    };
    if of.len() < 2 {
        return format!("{all}{advice}");
    }
    let passes = |m: &MicCountDoc| match m.passes.len() {
        0 => String::new(),
        1 => format!(" (pass {})", list(&m.passes)),
        _ => format!(" (passes {})", list(&m.passes)),
    };
    let each: Vec<String> = of.iter().map(|m| format!("{} {}{}", m.mic, m.takes, passes(m))).collect();
    format!("{all}: {}{advice}", each.join(", "))
}

fn names(setups: &[SetupName]) -> String {
    setups.iter().map(SetupName::as_str).collect::<Vec<_>>().join(" and ")
}
