//! `rig --drawing`: the wiring cards as one SVG file; nothing that exists is overwritten.

use super::error::JobError;
use super::rig::network;
use crate::model::explain::Fate;
use crate::report::drawing::{Card, draw};
use crate::store::Session;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Draws every setup's wiring.
///
/// # Errors
/// The session cannot be read, the file is there already or cannot be written.
pub fn write(folder: &Path, path: &Path) -> Result<PathBuf, JobError> {
    let rig = Session::open_read(folder)?.rig()?;
    let mut cards = Vec::new();
    for setup in &rig.setups {
        let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { continue };
        cards.push(Card {
            title: setup.name.to_string(),
            network: network(&rig, wiring)?,
            tap: setup.tap_ohm.map_or_else(String::new, |t| format!("{} ohm tap", t.value())),
            ohms: rig.drivers.iter().map(|d| (d.label.clone(), d.nominal_ohm.value())).collect(),
        });
    }
    let svg = draw(&cards);
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path).map_err(|e| failed(path, &e))?;
    file.write_all(svg.as_bytes()).map_err(|e| failed(path, &e))?;
    Ok(path.to_owned())
}

fn failed(path: &Path, error: &std::io::Error) -> JobError {
    if error.kind() == std::io::ErrorKind::AlreadyExists {
        let message = format!("{} exists already and is never overwritten", path.display());
        return JobError::at_path("exists-already", Fate::Refused, path, message, "choose another name");
    }
    JobError::at_path(
        "cannot-write",
        Fate::Failed,
        path,
        format!("{} cannot be written: {error}", path.display()),
        "choose another folder",
    )
}
