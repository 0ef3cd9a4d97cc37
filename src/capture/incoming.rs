//! What every recording goes through on its way in, whichever way it came: by name, by pattern, out of a long bounce, from a watched folder.

use crate::capture::beside::go_on;
use crate::capture::di::{against_di, wrong_di};
use crate::capture::names;
use crate::capture::ready::Ready;
use crate::capture::recording::{CUT, Incoming, IntakeDoc, beginning, has_channel, mono_or_stereo, path_of, rate_as, record};
use crate::capture::strangers::{self, Thin};
use crate::model::audio::{Audio, FaultKind, Finding};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::{Clock, Progress};
use crate::model::rig::Rig;
use crate::model::session::Take;
use crate::rig::gate;
use crate::signal::{align, faults};
use crate::store::Session;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::Path;

/// A file that was not taken in, and why.
#[derive(Debug, Clone, Serialize)]
pub struct RefusedDoc {
    /// The file.
    pub file: String,
    /// The error's stable name.
    pub kind: &'static str,
    /// What was given and what was wanted.
    pub message: String,
    /// What to do next.
    pub next: String,
}

impl RefusedDoc {
    pub(crate) fn new(path: &Path, error: &Failure) -> Self {
        let said = error.explain();
        Self { file: path.display().to_string(), kind: said.kind(), message: said.to_string(), next: said.next() }
    }
}

/// What happens with a file that is refused.
pub(crate) enum Manner<'r> {
    /// Nothing is stored.
    AllOrNone,
    /// It is named here, and the others are taken in.
    TheOthers(&'r mut Vec<RefusedDoc>),
}

impl Manner<'_> {
    /// True when it may go on without this file.
    pub(crate) fn without<T>(&mut self, path: &Path, result: Result<T, Failure>) -> Result<Option<T>, Failure> {
        match (result, self) {
            (Ok(value), _) => Ok(Some(value)),
            (Err(error), Self::AllOrNone) => Err(error),
            (Err(error), Self::TheOthers(refused)) => {
                refused.push(RefusedDoc::new(path, &error));
                Ok(None)
            }
        }
    }
}

/// Takes them in. What is there already is left out and named.
///
/// # Errors
/// An unknown setup or mic, a recording that does not fit the session, a place that is taken.
pub(crate) fn take_in(
    session: &mut Session,
    incoming: &[Incoming<'_>],
    manner: Manner<'_>,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<IntakeDoc, Failure> {
    ready_in(session, incoming, manner, clock, progress)?.keep(session, clock)
}

/// Everything but the writing: the files are copied, and no take is made of them yet.
///
/// # Errors
/// As [`take_in`]; it was stopped.
pub(crate) fn ready_in(
    session: &Session,
    incoming: &[Incoming<'_>],
    mut manner: Manner<'_>,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<Ready, Failure> {
    let (rig, known) = (session.rig()?, session.takes()?);
    // Whichever way recordings come: what must not be powered is not recorded without its reason.
    let setups: BTreeSet<SetupName> = incoming.iter().filter_map(|one| one.setup.clone()).collect();
    gate::Gate::of(session)?.obey(&Vec::from_iter(setups), None)?;
    let (mut already, mut warnings) = (Vec::new(), Vec::new());
    let mut fresh: Vec<&Incoming<'_>> = Vec::new();
    for one in incoming {
        if let Some(there) = known.iter().find(|t| same_recording(t, one)) {
            already.push(there.id.to_string());
            warnings.push(there_already(one, there));
        } else if manner.without(&one.measured.path, fits(&rig, &known, one))?.is_some() {
            fresh.push(one);
        }
    }
    let judged = resemble(session, &known, &fresh, &mut warnings)?;
    let mut takes: Vec<(Take, &Path)> = Vec::new();
    let mut number = session.next_take()?;
    for (one, judged) in fresh.iter().zip(judged) {
        let path = one.measured.path.as_path();
        let Some(found) = manner.without(path, judged)? else { continue };
        if let Some((there, _)) = takes.iter().find(|(t, _)| same_recording(t, one)) {
            already.push(there.id.to_string());
            warnings.push(there_already(one, there));
            continue;
        }
        let mut take = record(one, number, clock)?;
        if found.iter().any(|f| f.kind == FaultKind::MainsHum) {
            take.findings.retain(|f| f.kind != FaultKind::CannotBeJudged);
        }
        take.findings.extend(found);
        let live: Vec<&Take> = known.iter().filter(|t| t.withdrawn.is_none()).chain(takes.iter().map(|t| &t.0)).collect();
        let together = || one_each(&take, takes.iter().map(|(t, path)| (t, *path)), path);
        let placed = one_layout(one, &take, &live).and_then(|()| together()).and_then(|()| free(&take, &live));
        if manner.without(path, placed)?.is_some() {
            takes.push((take, path));
            number += 1;
        }
    }
    let count = takes.len() as u64;
    for ((take, path), done) in takes.iter_mut().zip(1..) {
        go_on(progress)?;
        take.path = session.keep_recording(path, &take.sha256, &take.original_name)?;
        progress.step("copying", done, count);
    }
    let takes: Vec<Take> = takes.into_iter().map(|t| t.0).collect();
    Ok(Ready { known, takes, replaces: None, already, warnings })
}

fn there_already(one: &Incoming<'_>, there: &Take) -> String {
    format!("{} is already in the session as {}; it was not taken in twice", one.measured.path.display(), there.id)
}

/// Names, rate, channels.
fn fits(rig: &Rig, known: &[Take], one: &Incoming<'_>) -> Result<(), Failure> {
    one.setup.iter().try_for_each(|setup| names::setup(rig, setup))?;
    names::mic(rig, &one.mic)?;
    if let Some(other) = known.first() {
        rate_as(&one.measured.path, one.measured.facts.rate.hz(), other.rate.hz(), &other.original_name)?;
    }
    match one.channel {
        Some(c) => has_channel(&one.measured.path, one.measured.facts.channels, c),
        None => mono_or_stereo(one.measured),
    }
}

/// The same bytes, or made from the same bytes, of one channel; what was withdrawn may come anew.
fn same_recording(take: &Take, one: &Incoming<'_>) -> bool {
    let from = |derived: &Option<crate::model::session::Derived>| {
        derived.as_ref().filter(|d| !d.how.iter().any(|h| h.starts_with(CUT))).map(|d| d.from_sha256.clone())
    };
    let (theirs, ours) = (from(&take.derived), from(&one.measured.derived));
    let sha = &one.measured.facts.sha256;
    let same = take.sha256 == *sha
        || theirs.as_ref() == Some(sha)
        || (ours.is_some() && (ours == theirs || ours.as_ref() == Some(&take.sha256)));
    take.withdrawn.is_none() && same && (take.channel == one.channel || take.channel.is_none() || one.channel.is_none())
}

/// All takes of one mic have one layout: a mono one beside a stereo one could not be matched.
fn one_layout(one: &Incoming<'_>, take: &Take, live: &[&Take]) -> Result<(), Failure> {
    let Some(other) = live.iter().find(|t| t.setup.is_some() && t.mic == take.mic && t.channels != take.channels) else {
        return Ok(());
    };
    let word = |n: u16| if n == 1 { "mono" } else { "stereo" };
    let message = format!(
        "{} is {}, {} at {} is {}: one layout is needed for all takes of a mic",
        one.measured.path.display(),
        word(take.channels),
        other.id,
        take.mic,
        word(other.channels)
    );
    let next = if take.channels > 1 {
        "export it in the same layout, or take in a mono copy with --mix-down; nothing was stored"
    } else {
        "export it in the same layout, or withdraw the stereo takes and take them in anew with --mix-down; nothing was stored"
    };
    Err(Failure::at_path("layout-differs", Fate::Unfit, &one.measured.path, message, next))
}

/// Files that come in together have a place each.
fn one_each<'t>(take: &Take, mut before: impl Iterator<Item = (&'t Take, &'t Path)>, path: &Path) -> Result<(), Failure> {
    let same = |t: &Take| t.setup == take.setup && t.mic == take.mic && t.pass == take.pass;
    let Some((_, other)) = before.find(|(t, _)| same(t)) else { return Ok(()) };
    let setup = take.setup.as_ref().map_or("the DI", |s| s.as_str());
    let message = format!(
        "{} and {} are both given as pass {} of {setup} at {}: one mic records once in a pass",
        other.display(),
        path.display(),
        take.pass,
        take.mic
    );
    let next = "leave --pass out, and each file becomes a pass of its own; two mics of one pass: --mic once for each file";
    Err(Failure::at_path("pass-taken", Fate::Refused, path, message, next))
}

/// One mic records once in a pass.
pub(crate) fn free(take: &Take, live: &[&Take]) -> Result<(), Failure> {
    let same = |t: &&&Take| t.id != take.id && t.setup == take.setup && t.mic == take.mic && t.pass == take.pass;
    let Some(there) = live.iter().find(same) else { return Ok(()) };
    let setup = take.setup.as_ref().map_or("the DI", |s| s.as_str());
    let message = format!(
        "pass {} of {setup} at {} is {} already ({}); {} would be a second recording of the same mic in the same pass",
        take.pass, take.mic, there.id, there.original_name, take.original_name
    );
    let unused = 1 + live.iter().map(|t| t.pass).max().unwrap_or(0);
    let next = format!(
        "give another pass (--pass {unused} is free) or another --mic; if {} is the wrong one: cabjury withdraw FOLDER --take {} --reason TEXT",
        there.id, there.id
    );
    Err(Failure::plain("pass-taken", Fate::Refused, message, next))
}

/// What was found in a file that is of the right performance, or why it is not.
type Judged = Result<Vec<Finding>, Failure>;

/// Everything is of one performance: the DI's, or, without one, that of the other takes. Whoever disagrees with all others is named.
fn resemble(
    session: &Session,
    known: &[Take],
    fresh: &[&Incoming<'_>],
    warnings: &mut Vec<String>,
) -> Result<Vec<Judged>, Failure> {
    if fresh.is_empty() {
        return Ok(Vec::new());
    }
    let Some(di) = known.iter().find(|t| t.setup.is_none() && t.withdrawn.is_none()) else {
        return among_themselves(session, known, fresh, warnings);
    };
    let sound = beginning(&path_of(session, di), di.channel)?;
    let judge = |one: &&Incoming<'_>| {
        let own = beginning(&one.measured.path, one.channel)?;
        match against_di(&one.measured.path, &own, &sound) {
            Err(error) if error.explain().kind() == FaultKind::OtherDi.name() => {
                let lifted = one.meant.and_then(|m| m.lifts(FaultKind::OtherDi, &error.explain().to_string()));
                lifted.map_or_else(|| Err(error), |found| Ok(vec![found]))
            }
            Ok(mut found) => {
                found.extend(hum(one, &own, &sound));
                Ok(found)
            }
            other => other,
        }
    };
    let judged: Vec<Judged> = fresh.par_iter().map(judge).collect();
    if judged.len() > 1 && judged.iter().all(Result::is_err) {
        let thin: Vec<Thin> = fresh.iter().map(|i| thin_of(i)).collect::<Result<_, _>>()?;
        if strangers::all_agree(&thin) {
            return Err(wrong_di(di, session.folder(), thin.len()));
        }
    }
    Ok(judged)
}

/// Hum in a take that never rests: where its DI does.
fn hum(one: &Incoming<'_>, audio: &Audio, di: &Audio) -> Option<Finding> {
    one.measured.findings.iter().find(|f| f.kind == FaultKind::CannotBeJudged)?;
    let mono = align::mono(di.channels());
    let lag = align::find_lag(&mono, &align::mono(audio.channels()), audio.rate(), false)?;
    faults::hum_where_di_rests(audio.channels(), &mono, lag.samples, audio.rate())
}

fn thin_of(one: &Incoming<'_>) -> Result<Thin, Failure> {
    Ok(Thin::of(&one.original_name, &beginning(&one.measured.path, one.channel)?))
}

/// Without a DI the takes vouch for each other.
fn among_themselves(
    session: &Session,
    known: &[Take],
    fresh: &[&Incoming<'_>],
    warnings: &mut Vec<String>,
) -> Result<Vec<Judged>, Failure> {
    let mut thin = Vec::new();
    let mut old: Vec<&Take> = known.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect();
    // Enough to tell who is alone, however long the evening has been.
    old.truncate(strangers::WITNESSES);
    for take in &old {
        thin.push(Thin::of(take.id.as_str(), &beginning(&path_of(session, take), take.channel)?));
    }
    for one in fresh {
        thin.push(thin_of(one)?);
    }
    if thin.len() == 2 && !strangers::all_agree(&thin) {
        warnings.push(format!(
            "{} and {} do not resemble each other: is one of them another performance? A third take, or the DI, tells which",
            thin[0].name, thin[1].name
        ));
    }
    let mut judged: Vec<Judged> = fresh.iter().map(|_| Ok(Vec::new())).collect();
    for odd in strangers::strangers(&thin) {
        let name = &thin[odd].name;
        if let Some(new) = odd.checked_sub(old.len()) {
            let path = &fresh[new].measured.path;
            let message = format!("{} is another performance than all other takes; it was not stored", path.display());
            judged[new] = Err(Failure::at_path(
                "other-performance",
                Fate::Unfit,
                path,
                message,
                "re-amp the same DI, or leave this file out",
            ));
        } else {
            warnings.push(format!(
                "{name} ({}) is another performance than all other takes: cabjury withdraw {} --take {name} --reason TEXT",
                old[odd].original_name,
                quoted(session.folder())
            ));
        }
    }
    Ok(judged)
}
