//! `take`: recordings come in, checked, hashed, copied read-only, never doubled.

use crate::capture::beside::{Way, go_on, make};
use crate::capture::derive::Tray;
use crate::capture::di::ready_di;
use crate::capture::incoming::{Manner, ready_in};
use crate::capture::measure::Measured;
pub use crate::capture::ready::Ready;
use crate::capture::recording::{Incoming, called, examine_meant, mics_of};
pub use crate::capture::recording::{IntakeDoc, Meant, Request, TakeDoc, examine, same_rate};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::{Clock, Progress, Unwatched};
use crate::rig::gate;
use crate::store::Session;
use std::path::Path;

/// Takes recordings in.
///
/// # Errors
/// Unknown setup or mic, a recording that is not fit, a session that is locked. Then nothing is stored.
pub fn take(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<IntakeDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let tray = Tray::new(&session);
    let examined = examined(&session, request, &tray, progress)?;
    take_examined(&mut session, request, &examined, clock, progress)
}

/// Every file, measured and made to fit; what is made lies in the tray.
fn examined(session: &Session, request: &Request, tray: &Tray, progress: &dyn Progress) -> Result<Vec<Measured>, Failure> {
    let mut examined = Vec::new();
    for (i, file) in request.files.iter().enumerate() {
        go_on(progress)?;
        examined.push(tray.fitted(session, examine_meant(file, request.meant.as_ref())?, request.change)?);
        progress.step("reading", i as u64 + 1, request.files.len() as u64);
    }
    Ok(examined)
}

fn known_setup(session: &Session, setup: Option<&SetupName>) -> Result<SetupName, Failure> {
    let Some(setup) = setup else {
        return Err(Failure::plain(
            "setup",
            Fate::WrongUse,
            "which setup was it recorded under?",
            "add --setup NAME, or --di for the DI",
        ));
    };
    crate::capture::names::setup(&session.rig()?, setup)?;
    Ok(setup.clone())
}

/// Several files, one mic, and one pass for all of them.
fn several_in_one(pass: u32, setup: &SetupName, files: usize) -> Failure {
    let message = format!("{files} files were given as pass {pass} of {setup}: one mic records once in a pass");
    let next = "leave --pass out, and each file becomes a pass of its own; several mics of one pass: --mic once for each file";
    Failure::plain("pass-taken", Fate::Refused, message, next)
}

/// Looks at recordings and copies them into the session's folder, while others may write to the session: [`Ready::keep`] makes them takes.
/// A setup that needs a reason must have been given it before.
///
/// # Errors
/// As [`take`]; it was stopped.
pub fn prepare(session: &Session, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<Ready, Failure> {
    let tray = Tray::new(session);
    let examined = examined(session, request, &tray, progress)?;
    ready(session, request, &examined, clock, progress)
}

/// How often recordings are examined again because others changed the takes meanwhile.
const AGAIN: u32 = 5;

/// Takes recordings in with the session's lock held for the last moment alone.
///
/// # Errors
/// As [`take`].
pub fn take_by(way: &dyn Way, request: &Request, clock: &'static dyn Clock) -> Result<IntakeDoc, Failure> {
    let mut left = AGAIN;
    loop {
        let ready = prepare(&Session::open_read(way.folder())?, request, clock, &Unwatched)?;
        match make(way, move |session| ready.keep(session, clock)) {
            Err(error) if error.explain().kind() == "changed-meanwhile" && left > 0 => left -= 1,
            other => return other,
        }
    }
}

/// Takes in recordings that have been examined already.
///
/// # Errors
/// As [`take`].
pub fn take_examined(
    session: &mut Session,
    request: &Request,
    examined: &[Measured],
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<IntakeDoc, Failure> {
    if !request.di {
        let setup = known_setup(session, request.setup.as_ref())?;
        gate::pass(session, std::slice::from_ref(&setup), request.load_reason.as_deref(), clock.now())?;
    }
    ready(session, request, examined, clock, progress)?.keep(session, clock)
}

fn ready(
    session: &Session,
    request: &Request,
    examined: &[Measured],
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<Ready, Failure> {
    let known = session.takes()?;
    if request.di {
        return ready_di(session, request, examined, known, clock);
    }
    let setup = known_setup(session, request.setup.as_ref())?;
    gate::Gate::of(session)?.obey(std::slice::from_ref(&setup), None)?;
    let mics = mics_of(&request.mics, examined.len(), session)?;
    let mut pass = request.pass.unwrap_or_else(|| 1 + known.iter().map(|t| t.pass).max().unwrap_or(0));
    let one_pass = request.mics.len() > 1;
    if let Some(asked) = request.pass.filter(|_| !one_pass && examined.len() > 1) {
        return Err(several_in_one(asked, &setup, examined.len()));
    }
    let mut incoming = Vec::new();
    for (measured, mics) in examined.iter().zip(mics) {
        for (channel, mic) in mics {
            let (depth, notes) = (request.depth, request.notes.clone());
            let original_name = called(measured, request);
            let (setup, meant) = (Some(setup.clone()), request.meant.as_ref());
            incoming.push(Incoming { measured, setup, channel, mic, pass, depth, notes, original_name, meant });
        }
        if !one_pass {
            pass += 1;
        }
    }
    ready_in(session, &incoming, Manner::AllOrNone, clock, progress)
}
