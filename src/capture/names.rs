//! Names that a session must have: setups and mics, with the nearest one where it has not.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::rig::Rig;

/// The nearest of some names, if one is near: a slip of one or two characters, or another case.
pub(crate) fn nearest<'a>(given: &str, known: &[&'a str]) -> Option<&'a str> {
    let lower = given.to_lowercase();
    let near = known.iter().map(|k| (crate::rig::sheet::distance(&lower, &k.to_lowercase()), *k)).min()?;
    (near.0 <= 2.min(given.chars().count() / 2)).then_some(near.1)
}

/// Refuses a setup that the session has not got.
///
/// # Errors
/// `no-such-setup`.
pub(crate) fn setup(rig: &Rig, name: &SetupName) -> Result<(), Failure> {
    if rig.setup(name).is_some() {
        return Ok(());
    }
    let known: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
    let message = format!(
        "the session has no setup {:?}; it has {}",
        name.as_str(),
        if known.is_empty() { "none".to_owned() } else { known.join(", ") }
    );
    let next = nearest(name.as_str(), &known).map_or_else(
        || "check the name, or add the setup to the rig sheet and read it in with: cabjury rig".to_owned(),
        |near| format!("did you mean {near}? Else add the setup to the rig sheet and read it in with: cabjury rig"),
    );
    Err(Failure::plain("no-such-setup", Fate::Unfit, message, next))
}

/// Refuses a mic that the session's sheet has not got. A session whose sheet names no mics takes any, and `main`, the mic of whoever names
/// none, is always one.
///
/// # Errors
/// `no-such-mic`; also for a blend, which is made here and never recorded.
pub(crate) fn mic(rig: &Rig, name: &MicName) -> Result<(), Failure> {
    if rig.blends.iter().any(|b| &b.name == name) {
        let message = format!("{name} is a blend: it is made from the recordings of its mics");
        return Err(Failure::plain("no-such-mic", Fate::Unfit, message, "name the mic that this file was recorded with"));
    }
    if rig.mics.is_empty() || *name == MicName::main() || rig.mics.iter().any(|m| &m.name == name) {
        return Ok(());
    }
    let known: Vec<&str> = rig.mics.iter().map(|m| m.name.as_str()).collect();
    let message = format!("the session's sheet has no mic {:?}; it has {}", name.as_str(), known.join(", "));
    let next = nearest(name.as_str(), &known).map_or_else(
        || "check the name, or add the mic to the rig sheet and read it in with: cabjury rig".to_owned(),
        |near| format!("did you mean {near}?"),
    );
    Err(Failure::plain("no-such-mic", Fate::Unfit, message, next))
}
