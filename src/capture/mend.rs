//! `withdraw` and `reassign`: a wrong import is mended by an event with a reason, never by forgetting.

use crate::capture::incoming::free;
use crate::capture::names;
use crate::capture::recording::TakeDoc;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, MicName, SetupName, TakeId, TestId};
use crate::model::outside::Clock;
use crate::model::session::{Reassigned, Take};
use crate::store::{Session, StoreError};
use jiff::Timestamp;
use std::path::Path;

/// Where a take belongs; what is not given stays.
#[derive(Debug, Clone, Default)]
pub struct Place {
    /// The setup.
    pub setup: Option<SetupName>,
    /// The mic.
    pub mic: Option<MicName>,
    /// The pass.
    pub pass: Option<u32>,
}

fn find(session: &Session, id: &TakeId) -> Result<Take, Failure> {
    let found = session.takes()?.into_iter().find(|t| &t.id == id);
    found.ok_or_else(|| StoreError::NoSuch { what: "take", name: id.to_string() }.into())
}

fn reason_of(what: &str, reason: &str) -> Result<String, Failure> {
    if reason.trim().is_empty() {
        let message = format!("{what} needs a reason");
        return Err(Failure::plain("no-reason", Fate::WrongUse, message, "add --reason \"...\"; the report prints it"));
    }
    Ok(reason.trim().to_owned())
}

fn in_use(id: &TakeId, take: &Take) -> Result<(), Failure> {
    match &take.withdrawn {
        None => Ok(()),
        Some(why) => {
            let message = format!("{id} was withdrawn already: {why}");
            Err(Failure::plain("withdrawn-already", Fate::Refused, message, "take the file in anew under the right setup"))
        }
    }
}

/// Takes a wrong import out of use: it is kept, excluded from new clips, and printed in every report.
///
/// # Errors
/// No such take, or it is withdrawn already.
pub fn withdraw(folder: &Path, id: &TakeId, reason: &str, clock: &dyn Clock) -> Result<TakeDoc, Failure> {
    withdraw_in(&mut Session::open_write(folder, clock.now())?, id, reason, clock.now())
}

/// The same in a session that is open.
///
/// # Errors
/// As [`withdraw`].
pub fn withdraw_in(session: &mut Session, id: &TakeId, reason: &str, now: Timestamp) -> Result<TakeDoc, Failure> {
    let mut take = find(session, id)?;
    in_use(id, &take)?;
    take.withdrawn = Some(reason_of("a withdrawal", reason)?);
    session.update_take("withdraw", &take, now)?;
    Ok(TakeDoc::from(&take))
}

/// Puts a take under another setup, mic or pass.
///
/// # Errors
/// A sealed test uses it; the place is taken; a name that the session has not got.
pub fn reassign(folder: &Path, id: &TakeId, to: &Place, reason: &str, clock: &dyn Clock) -> Result<TakeDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let (mut take, rig) = (find(&session, id)?, session.rig()?);
    let reason = reason_of("a take that is put elsewhere", reason)?;
    in_use(id, &take)?;
    if take.setup.is_none() {
        let message = format!("{id} is the DI, which belongs to no setup");
        return Err(Failure::plain("the-di", Fate::Refused, message, "give another DI with: cabjury take FOLDER FILE --di"));
    }
    if let Some(setup) = &to.setup {
        names::setup(&rig, setup)?;
    }
    if let Some(mic) = &to.mic {
        names::mic(&rig, mic)?;
    }
    if let Some(test) = sealed_with(&session, &take)? {
        let message = format!("{test} was sealed with {id}, and a sealed test never changes");
        let next = format!(
            "withdraw it instead (cabjury withdraw {} --take {id} --reason TEXT): new clips leave it out",
            quoted(folder)
        );
        return Err(Failure::plain("sealed", Fate::Refused, message, next));
    }
    let before = Reassigned { setup: take.setup.clone(), mic: take.mic.clone(), pass: take.pass, reason, at: clock.now() };
    take.setup = to.setup.clone().or(take.setup);
    take.mic = to.mic.clone().unwrap_or(take.mic);
    take.pass = to.pass.unwrap_or(take.pass);
    if (&take.setup, &take.mic, take.pass) == (&before.setup, &before.mic, before.pass) {
        let message = format!("{id} stands there already");
        return Err(Failure::plain("nothing-to-do", Fate::WrongUse, message, "name another --setup, --mic or --pass"));
    }
    let takes = session.takes()?;
    free(&take, &takes.iter().filter(|t| t.withdrawn.is_none()).collect::<Vec<_>>())?;
    take.reassigned.push(before);
    session.update_take("reassign", &take, clock.now())?;
    Ok(TakeDoc::from(&take))
}

/// The sealed test that plays a take, by itself or within a blend of its pass.
fn sealed_with(session: &Session, take: &Take) -> Result<Option<TestId>, Failure> {
    let (rig, takes) = (session.rig()?, session.takes()?);
    let same_pass = |other: &TakeId| takes.iter().any(|t| &t.id == other && t.setup == take.setup && t.pass == take.pass);
    for test in session.tests()? {
        let plan = &test.plan;
        let blended = rig.blends.iter().any(|b| b.name == plan.mic && b.of.contains(&take.mic));
        if plan.clips.iter().any(|c| c.take == take.id || (blended && same_pass(&c.take))) {
            return Ok(Some(plan.test.clone()));
        }
    }
    Ok(None)
}

/// The note that says why a matching run was given up.
fn given_up_key(run: u32) -> String {
    format!("run-{run}-given-up")
}

/// Why a matching run was given up, if it was.
///
/// # Errors
/// The session cannot be read.
pub fn given_up(session: &Session, run: u32) -> Result<Option<String>, StoreError> {
    session.note(&given_up_key(run))
}

/// Gives up a matching run that no test uses: no plan will offer its clips any more. Its clips stay.
///
/// # Errors
/// No such run, it was given up already, or a sealed test plays its clips.
pub fn give_up_run(folder: &Path, number: u32, reason: &str, clock: &dyn Clock) -> Result<(), Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    if !session.match_runs()?.iter().any(|r| r.run == number) {
        return Err(StoreError::NoSuch { what: "matching run", name: number.to_string() }.into());
    }
    if let Some(why) = given_up(&session, number)? {
        let message = format!("run {number} was given up already: {why}");
        return Err(Failure::plain("given-up-already", Fate::Refused, message, "nothing is left to do"));
    }
    let clips = session.clips()?;
    let of_run = |id: &ClipId| clips.iter().any(|c| &c.id == id && c.run == number);
    if let Some(test) = session.tests()?.into_iter().find(|t| t.plan.clips.iter().any(|c| of_run(&c.clip))) {
        let message = format!("{} was sealed with clips of run {number}, and a sealed test never changes", test.plan.test);
        return Err(Failure::plain("sealed", Fate::Refused, message, "run match again: the newest run is what a new test uses"));
    }
    let reason = reason_of("giving up a run", reason)?;
    Ok(session.set_note(&given_up_key(number), &reason, clock.now())?)
}
