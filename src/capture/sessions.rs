//! `sessions`: which sessions lie under a folder, and how far each is.

use crate::capture::session::{NextDoc, status};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::store::Session;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Folders within folders are looked through so deep.
const DEEPEST: u32 = 4;

/// One session.
#[derive(Debug, Clone, Serialize)]
pub struct SessionEntry {
    /// Its folder.
    pub session: String,
    /// Its title.
    pub title: Option<String>,
    /// Takes in use.
    pub takes: usize,
    /// What comes next; null when it cannot be read.
    pub next: Option<NextDoc>,
    /// Why it cannot be read.
    pub problem: Option<String>,
}

/// The document of `sessions`.
#[derive(Debug, Clone, Serialize)]
pub struct SessionsDoc {
    /// The sessions, by their folders' names.
    pub sessions: Vec<SessionEntry>,
}

/// Looks through a folder.
///
/// # Errors
/// The folder cannot be read.
pub fn sessions(root: &Path) -> Result<SessionsDoc, Failure> {
    if let Err(e) = std::fs::read_dir(root) {
        let message = format!("{} cannot be read: {e}", root.display());
        return Err(Failure::at_path("unreadable-folder", Fate::Unfit, root, message, "check the folder's name"));
    }
    let mut found = Vec::new();
    look(root, DEEPEST, &mut found);
    found.sort();
    Ok(SessionsDoc { sessions: found.iter().map(|f| entry(f)).collect() })
}

/// Sessions in a folder and in the folders of its folders, by their names.
#[must_use]
pub fn near(root: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    look(root, 2, &mut found);
    found.sort();
    found
}

/// A folder that may not be looked into is passed over: the others are listed all the same.
fn look(folder: &Path, deeper: u32, found: &mut Vec<PathBuf>) {
    if folder.join("session.db").is_file() {
        found.push(folder.to_owned());
        return;
    }
    let Some(deeper) = deeper.checked_sub(1) else { return };
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        if !hidden && entry.file_type().is_ok_and(|t| t.is_dir()) {
            look(&entry.path(), deeper, found);
        }
    }
}

/// One session, and how far it is.
#[must_use]
pub fn entry(folder: &Path) -> SessionEntry {
    let session = folder.display().to_string();
    match status(folder) {
        Ok(doc) => SessionEntry {
            session,
            title: doc.title,
            takes: doc.mics.iter().map(|m| m.takes).sum(),
            next: Some(doc.next),
            problem: None,
        },
        Err(error) => SessionEntry { session, title: None, takes: 0, next: None, problem: Some(error.to_string()) },
    }
}

/// Whose names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Setups.
    Setups,
    /// Mics and blends.
    Mics,
    /// Takes in use.
    Takes,
    /// Sealed tests.
    Tests,
}

/// What a session's setups, mics, takes or tests are called.
///
/// # Errors
/// The folder holds no session that can be read.
pub fn names(folder: &Path, kind: Kind) -> Result<Vec<String>, Failure> {
    let session = Session::open_read(folder)?;
    let rig = session.rig()?;
    Ok(match kind {
        Kind::Setups => rig.setups.iter().map(|s| s.name.to_string()).collect(),
        Kind::Mics => rig.mics.iter().map(|m| m.name.to_string()).chain(rig.blends.iter().map(|b| b.name.to_string())).collect(),
        Kind::Takes => session.takes()?.iter().filter(|t| t.withdrawn.is_none()).map(|t| t.id.to_string()).collect(),
        Kind::Tests => session.tests()?.iter().map(|t| t.plan.test.to_string()).collect(),
    })
}
