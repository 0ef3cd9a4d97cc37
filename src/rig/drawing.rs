//! `rig --drawing`: the wiring cards as one SVG file; nothing that exists is overwritten.

use crate::circuit::solve::Branch;
use crate::model::failure::Failure;
use crate::report::drawing::{Card, draw};
use crate::rig::cards::{SetupDoc, describe_session, network};
use crate::rig::error::RigError;
use crate::rig::gate::GateDoc;
use crate::store::Session;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Draws every setup's wiring.
///
/// # Errors
/// The session cannot be read, the file is there already or cannot be written.
pub fn write(folder: &Path, path: &Path) -> Result<PathBuf, Failure> {
    let session = Session::open_read(folder)?;
    let (rig, described) = (session.rig()?, describe_session(&session)?);
    let mut cards = Vec::new();
    for setup in &rig.setups {
        let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { continue };
        cards.push(Card {
            title: setup.name.to_string(),
            network: network(&rig, wiring)?,
            tap: setup.tap_ohm.map_or_else(String::new, |t| format!("{} ohm tap", t.value())),
            notes: described.setups.iter().find(|s| s.setup == setup.name.as_str()).map_or_else(Vec::new, notes),
            ohms: rig.drivers.iter().map(|d| (d.label.clone(), d.nominal_ohm.value())).collect(),
        });
    }
    let svg = draw(&cards);
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path).map_err(|e| failed(path, &e))?;
    file.write_all(svg.as_bytes()).map_err(|e| failed(path, &e))?;
    Ok(path.to_owned())
}

/// What stands below a drawing that goes to the bench: grade and reasons, the reading to expect, the cautions.
fn notes(setup: &SetupDoc) -> Vec<String> {
    let load = &setup.load;
    let mut out = vec![format!("{}{}", load.grade_text(), load.reasons.iter().map(|r| format!("; {r}")).collect::<String>())];
    out.extend(setup.gate.iter().flat_map(GateDoc::lines));
    let meter = &load.meter_ohm;
    if let (Branch::Value(expected), Some(low), Some(high)) = (meter.expected, meter.low, meter.high) {
        out.push(format!(
            "ohmmeter (amplifier off, unplugged, cable out of the amplifier): about {expected:.1} ohm, {low:.1} to {high:.1} ohm; read: ______ ohm"
        ));
    }
    out.extend(load.cautions.iter().map(|c| format!("! {c}")));
    out
}

fn failed(path: &Path, error: &std::io::Error) -> RigError {
    if error.kind() == std::io::ErrorKind::AlreadyExists {
        return RigError::ExistsAlready(path.to_owned());
    }
    RigError::CannotWrite { path: path.to_owned(), why: error.to_string() }
}
