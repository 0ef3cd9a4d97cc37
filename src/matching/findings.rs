//! What stands between takes and clips: polarity, clocks, and what marks a take; each with its way on.

use crate::capture::alignment::{DRIFT_REFUSED, Place};
use crate::capture::remembered::Of;
use crate::capture::{inspection, polarity};
use crate::matching::request::Request;
use crate::model::audio::{Finding, Severity};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::Clock;
use crate::model::session::Take;
use crate::store::Session;
use std::path::Path;

/// What polarity, clocks and lost samples ask the engineer for; the takes whose clips are turned.
pub(super) fn findings(
    folder: &Path,
    takes: &[Take],
    places: &[Place],
    request: &Request,
    warnings: &mut Vec<String>,
) -> Result<Vec<TakeId>, Failure> {
    let turned = turned(folder, takes, places, request, warnings)?;
    for p in places {
        if let Some(drift) = p.correct.filter(|d| d.abs() <= DRIFT_REFUSED) {
            warnings.push(format!(
                "{} runs {drift:+.2} ppm off {}; its clips were resampled onto one clock: use one clock for all takes",
                p.take, p.against
            ));
        }
    }
    if let Some(p) = places.iter().find(|p| p.correct.is_some_and(|d| d.abs() > DRIFT_REFUSED)) {
        let message = format!("{} runs {:.0} ppm off {}", p.take, p.drift.unwrap_or(0.0), p.against);
        let next = "it was recorded on another clock: withdraw it and record it again";
        return Err(Failure::plain("drift", Fate::Unfit, message, next));
    }
    Ok(turned)
}

/// What marks a take stops the matching, unless it is of a kind that was confirmed; what was confirmed.
pub(super) fn marks(
    session: &Session,
    takes: &[Take],
    (places, known): (&[Place], &Of),
    request: &Request,
    warnings: &mut Vec<String>,
) -> Result<Vec<(TakeId, Finding)>, Failure> {
    if request.confirm.as_ref().is_some_and(|c| c.reason.is_empty()) {
        return Err(Failure::plain(
            "no-reason",
            Fate::WrongUse,
            "a confirmation needs a reason",
            "add --reason \"...\"; the report prints it",
        ));
    }
    let mut confirmed = Vec::new();
    for inspected in known.or("marks", || inspection::inspect(session, takes, places))? {
        for found in inspected.findings {
            let text = format!("{}: {}", inspected.take, found.detail);
            let (kind, meant) = (found.kind.name(), inspection::CONFIRMABLE.contains(&found.kind));
            let named = request.confirm.as_ref().is_some_and(|c| c.kinds.iter().any(|k| k == kind));
            if found.severity != Severity::Stop {
                warnings.push(text);
            } else if meant && named {
                warnings.push(format!("{text} (confirmed as meant)"));
                confirmed.push((inspected.take.clone(), found));
            } else {
                let id = &inspected.take;
                let out =
                    format!("take it out with: cabjury withdraw {} --take {id} --reason \"{kind}\"", quoted(session.folder()));
                let on =
                    format!("; or, if it is meant: cabjury match {} --confirm {kind} --reason \"...\"", quoted(session.folder()));
                return Err(Failure::plain(kind, Fate::Unfit, text, if meant { out + &on } else { out }));
            }
        }
    }
    if let Some(kind) = request.confirm.iter().flat_map(|c| &c.kinds).find(|k| confirmed.iter().all(|c| c.1.kind.name() != **k)) {
        let known: Vec<&str> = inspection::CONFIRMABLE.iter().map(|k| k.name()).collect();
        let message = format!("nothing of the kind {kind:?} was found, so there is nothing to confirm");
        return Err(Failure::plain(
            "nothing-to-confirm",
            Fate::Refused,
            message,
            format!("kinds that can be: {}", known.join(", ")),
        ));
    }
    Ok(confirmed)
}

/// What was confirmed stands in the log and in a note that reports print.
pub(super) fn note_confirmed(
    session: &mut Session,
    request: &Request,
    confirmed: &[(TakeId, Finding)],
    clock: &dyn Clock,
) -> Result<(), Failure> {
    let Some(confirm) = request.confirm.as_ref().filter(|_| !confirmed.is_empty()) else { return Ok(()) };
    let mut all = inspection::all_confirmed(session)?;
    for (id, found) in confirmed {
        let one = inspection::Confirmed::new(id, found, &confirm.reason);
        session.log_event("confirmed", &id.to_string(), &one, clock.now())?;
        all.push(one);
    }
    let text = serde_json::to_string(&all).map_err(|e| Failure::plain("note", Fate::Failed, e.to_string(), "try again"))?;
    Ok(session.set_note(inspection::CONFIRMED, &text, clock.now())?)
}

/// The takes that are turned: those that were named, and all that are upside down of a setup that was named. What stays upside down is told;
/// a setup that would hold both is refused.
fn turned(
    folder: &Path,
    takes: &[Take],
    places: &[Place],
    request: &Request,
    warnings: &mut Vec<String>,
) -> Result<Vec<TakeId>, Failure> {
    let groups = polarity::groups(takes, places);
    let flipped: Vec<TakeId> = groups.iter().flat_map(polarity::Group::flipped).collect();
    let mut turned = request.turn.clone();
    for (setup, mic) in &request.turn_setups {
        let named: Vec<TakeId> = groups.iter().filter(|g| g.is(setup, mic.as_ref())).flat_map(polarity::Group::flipped).collect();
        if named.is_empty() {
            let message = format!("no take of {setup} was found to be upside down, so none is turned");
            return Err(Failure::plain("not-flipped", Fate::Refused, message, "see what was found with: cabjury check"));
        }
        turned.extend(named.into_iter().filter(|id| !request.turn.contains(id)));
    }
    if let Some(id) = turned.iter().find(|id| !flipped.contains(id)) {
        let message = format!("{id} was not found to be upside down, so it is not turned");
        return Err(Failure::plain("not-flipped", Fate::Refused, message, "see what was found with: cabjury check"));
    }
    for id in &turned {
        warnings.push(format!("{id} was upside down against the other takes; its clips were turned, as you asked"));
    }
    let command = format!("cabjury match {}", quoted(folder));
    for group in &groups {
        let (up, down) = group.sides(&turned);
        if !up.is_empty() && !down.is_empty() {
            let fewer = if up.len() < down.len() { up } else { down };
            let list: Vec<String> = fewer.iter().map(ToString::to_string).collect();
            let message = format!(
                "{} would hold clips of both polarities: {} upside down against the rest",
                group.name(),
                if list.len() == 1 { format!("{} is", list[0]) } else { format!("{} are", list.join(", ")) }
            );
            let rest: String = group.flipped().iter().map(|id| format!(" --turn {id}")).collect();
            let next = format!("mend the cable and record it again, or turn all that are upside down: {command}{rest}");
            return Err(Failure::plain("mixed-polarity", Fate::Unfit, message, next));
        }
        if group.flipped().iter().any(|id| !turned.contains(id)) {
            warnings.extend(group.warnings(&command));
        }
    }
    Ok(turned)
}
