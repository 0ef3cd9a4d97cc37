//! The tool holds the capture: it follows the run sheet, plays the DI, records all mics, looks at each pass and keeps it or asks for it again.
//!
//! * `open`: how a sitting begins; [`sitting`]: the machine with its stages; [`view`]: what a page shows of it; [`pass`]: one pass
//! * `press`: what can be pressed
//! * [`inspect`]: what is looked at in a pass; `gate`: may a setup be played
//! * [`patch`](mod@patch): how the interface is connected
//! * [`simulated`]: a rig made of numbers, with its `stage` and the [`damage`] it does on request
//! * [`doc`]: what is told in the end

pub mod damage;
pub mod doc;
mod gate;
pub mod inspect;
mod open;
pub mod pass;
pub mod patch;
pub mod press;
pub mod simulated;
pub mod sitting;
mod stage;
pub mod view;

use crate::capture::beside::Way;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use jiff::Timestamp;
use std::path::{Path, PathBuf};

/// The note of a take that says how many frames at its beginning are a rest.
pub(crate) const REST_NOTE: &str = "rest-frames";
/// The note of a take that says how many frames behind the rest are the reference burst.
pub(crate) const BURST_NOTE: &str = "burst-frames";
/// Event: gains and level were declared fixed.
const GAINS_FIXED: &str = "gains-fixed";
/// Event: a pass does not count.
const PASS_VOID: &str = "pass-void";

/// Writes an event down that changes no record.
fn note_event(
    way: &dyn Way,
    what: &'static str,
    subject: String,
    body: serde_json::Value,
    now: Timestamp,
) -> Result<(), Failure> {
    way.change(Box::new(move |session| Ok(session.log_event(what, &subject, &body, now)?)))
}

/// Where recordings lie until they are takes.
fn folder(session: &Path) -> Result<PathBuf, Failure> {
    let path = session.join("recording");
    std::fs::create_dir_all(&path).map_err(|e| {
        let message = format!("{} cannot be made: {e}", path.display());
        Failure::at_path(
            "cannot-write",
            Fate::Failed,
            &path,
            message,
            "make room on the disk, and check that you may write there",
        )
    })?;
    Ok(path)
}

/// What earlier sittings left behind, and what each is.
#[must_use]
pub fn left_over(session: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(session.join("recording")) else { return Vec::new() };
    let mut names: Vec<String> = entries.flatten().map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
        .into_iter()
        .filter(|n| n.ends_with(".wav"))
        .map(|name| {
            let what = if name.contains(".unfinished.") {
                "the program or the device ended in mid-pass; it plays as far as it goes"
            } else if name.contains(".refused") {
                "it could not be a take"
            } else {
                "complete, but no take"
            };
            format!("recording/{name}: {what}")
        })
        .collect()
}
