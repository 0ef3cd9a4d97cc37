//! May a setup be played? The gate is asked here, and nowhere else in this subject.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::rig::Rig;
use crate::rig::gate::{self, Answer, Gate};
use crate::store::Session;
use jiff::Timestamp;

/// Refuses when one of the setups must not be powered, unless a reason was typed. What a new reading would mend is left to the reading that
/// every pass asks for.
///
/// # Errors
/// What the gate objects to; the session cannot be written.
pub(super) fn loads(session: &mut Session, setups: &[SetupName], reason: Option<&str>, now: Timestamp) -> Result<(), Failure> {
    if reason.is_some_and(|r| !r.trim().is_empty()) {
        return gate::pass(session, setups, reason, now);
    }
    let gate = Gate::of(session)?;
    let mut refused = Vec::new();
    for setup in setups {
        if let Answer::Refused { objections } = gate.ask(setup)?
            && objections.iter().any(|o| !o.is_a_reading())
        {
            refused.push(setup.clone());
        }
    }
    gate.obey(&refused, None)
}

/// True when a reading can be expected of a setup: it has a wiring.
pub(super) fn is_metered(rig: &Rig, setup: &SetupName) -> bool {
    rig.setup(setup).is_some_and(|s| s.wiring.is_some()) && !rig.drivers.is_empty()
}

/// Refuses to play into a setup that the gate refuses, or into a wiring that was never read.
///
/// # Errors
/// What the gate objects to; `not-metered`.
pub(super) fn reading(session: &Session, rig: &Rig, setup: &SetupName) -> Result<(), Failure> {
    let gate = Gate::of(session)?;
    gate.obey(std::slice::from_ref(setup), None)?;
    let wiring = rig.setup(setup).and_then(|s| s.wiring.as_ref()).and_then(|w| rig.wiring(w));
    if !is_metered(rig, setup) || wiring.is_none_or(|w| !gate.unread(w)) {
        return Ok(());
    }
    let message = format!("{setup} was not read on the ohmmeter: nothing is played into it");
    Err(Failure::plain("not-metered", Fate::Refused, message, "read it with the amplifier off"))
}
