//! Files of a session, each hashed once however many ask.

use crate::model::audio::{Severity, Sha256Hex};
use crate::model::session::{Clip, Take};
use crate::model::trial::Plan;
use crate::sound::SoundError;
use crate::sound::read::hash_file;
use crate::store::Session;
use std::cell::RefCell;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Hashes that are known already.
#[derive(Debug, Default)]
pub struct Hashes {
    known: RefCell<HashMap<PathBuf, Result<Sha256Hex, String>>>,
    read: RefCell<u64>,
}

impl Hashes {
    /// The hash of a file, or why there is none, in words.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn of(&self, path: &Path) -> Result<Sha256Hex, String> {
        if let Some(known) = self.known.borrow().get(path) {
            return known.clone();
        }
        *self.read.borrow_mut() += 1;
        let found = hash_file(path).map_err(|e: SoundError| e.to_string());
        self.known.borrow_mut().insert(path.to_owned(), found.clone());
        found
    }

    /// How many files were read.
    #[must_use]
    pub fn read(&self) -> u64 {
        *self.read.borrow()
    }
}

/// Why a test's data cannot carry a verdict: a clip or take without its recorded hash, or a take with a `stop` fault.
pub(crate) fn file_problem(session: &Session, plan: &Plan, clips: &[Clip], takes: &[Take], hashes: &Hashes) -> Option<String> {
    // A copy that was shared for its numbers only has no files to look at; the document says so. A file that is there is looked at.
    let left_out = |path: &str| !session.has_audio() && !session.absolute(path).exists();
    let holds =
        |path: &str, wanted: &Sha256Hex| left_out(path) || hashes.of(&session.absolute(path)).is_ok_and(|found| found == *wanted);
    for planned in &plan.clips {
        let whole = clips
            .iter()
            .find(|c| c.id == planned.clip && c.sha256 == planned.sha256)
            .is_some_and(|c| holds(&c.path, &planned.sha256));
        if !whole {
            return Some(format!("the clip {} is no longer what was sealed", planned.clip));
        }
        let take = takes.iter().find(|t| t.id == planned.take);
        let Some(take) = take else { return Some(format!("the take {} is gone", planned.take)) };
        if !holds(&take.path, &take.sha256) {
            return Some(format!("the take {} is no longer what was imported", take.id));
        }
        if let Some(fault) = take.findings.iter().find(|f| f.severity == Severity::Stop) {
            return Some(format!("the take {} is not usable ({})", take.id, fault.kind.name()));
        }
    }
    None
}
