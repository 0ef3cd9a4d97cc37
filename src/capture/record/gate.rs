//! May a setup be played? The grade of its load and its last meter reading are asked here, and nowhere else in this subject.

use crate::circuit::grade::Grade;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::rig::Rig;
use crate::rig::cards;
use crate::store::Session;

/// Refuses when the load of one of the setups must not be connected, unless a reason was typed.
///
/// # Errors
/// `do-not-connect`, or the notation's fault.
pub(super) fn loads(rig: &Rig, setups: &[SetupName], reason: Option<&str>) -> Result<(), Failure> {
    for doc in cards::describe(rig)?.setups {
        let used = setups.iter().any(|s| s.as_str() == doc.setup);
        if used && doc.load.grade == Grade::DoNotConnect && reason.is_none_or(|r| r.trim().is_empty()) {
            let message = format!("the load of {} must not be connected: {}", doc.setup, doc.load.reasons.join(" "));
            let next = "choose another tap or wiring; who knows better gives --load-reason TEXT, which is kept with every take";
            return Err(Failure::plain("do-not-connect", Fate::Refused, message, next));
        }
    }
    Ok(())
}

/// True when a reading can be expected of a setup: it has a wiring.
pub(super) fn is_metered(rig: &Rig, setup: &SetupName) -> bool {
    rig.setup(setup).is_some_and(|s| s.wiring.is_some()) && !rig.drivers.is_empty()
}

/// Refuses to play into a wiring whose last reading was wrong, or that was never read.
///
/// # Errors
/// `not-metered`.
pub(super) fn reading(session: &Session, rig: &Rig, setup: &SetupName) -> Result<(), Failure> {
    if !is_metered(rig, setup) {
        return Ok(());
    }
    let wiring = rig.setup(setup).and_then(|s| s.wiring.clone());
    let names = |text: &str| text == setup.as_str() || wiring.as_ref().is_some_and(|w| w.as_str() == text);
    let last = session.meter_readings()?.into_iter().rev().find(|m| names(&m.wiring));
    if last.is_some_and(|m| m.as_intended) {
        return Ok(());
    }
    let message = format!("{setup} does not read as intended on the ohmmeter: nothing is played into it");
    Err(Failure::plain("not-metered", Fate::Refused, message, "read it again with the amplifier off"))
}
