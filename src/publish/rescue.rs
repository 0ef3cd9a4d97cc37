//! `rescue`: gives a session back out of a damaged or missing file: the log replayed, its gaps filled from the tables and named; where
//! nothing can be read, the recordings alone.

use crate::capture::take::{Request, take};
use crate::model::explain::{Explain, Fate};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::{Clock, Progress};
use crate::model::rig::{Rig, Setup};
use crate::model::trial::TrialState;
use crate::sound::read::hash_file;
use crate::store::files::plain_name;
use crate::store::rebuild::{Gaps, rebuild};
use crate::store::rescue::{Readable, readable};
use crate::store::{Session, StoreError};
use serde::Serialize;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The setup of recordings whose records are lost.
pub const UNASSIGNED: &str = "unassigned";

/// What became of one table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TableDoc {
    /// The table.
    pub table: &'static str,
    /// Rows read from it.
    pub read: usize,
    /// Records that only the table still had: the log had lost them.
    pub from_table: usize,
    /// Where reading failed; null when all of it was read.
    pub lost: Option<String>,
}

/// Recordings and clips by what their bytes say.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct FilesDoc {
    /// With the very bytes that were recorded.
    pub intact: Vec<String>,
    /// With other bytes; taken along all the same.
    pub changed: Vec<String>,
    /// Not there, or not readable.
    pub missing: Vec<String>,
    /// Recordings that no record tells of; taken in anew.
    pub unrecorded: Vec<String>,
}

/// The document of `rescue`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RescueDoc {
    /// The damaged session.
    pub session: String,
    /// The new one.
    pub written: String,
    /// True when nothing was lost: the file was not damaged.
    pub complete: bool,
    /// By table.
    pub tables: Vec<TableDoc>,
    /// What the former log lost, and what was done about it.
    pub gaps: Gaps,
    /// Recordings and clips.
    pub files: FilesDoc,
    /// Answered trials in the new session.
    pub picks: usize,
    /// Why not a record could be read; null otherwise.
    pub unreadable: Option<String>,
}

/// Reads what can be read and makes a session of it in a new folder. Nothing in the old one is changed.
///
/// # Errors
/// There is neither a record nor a recording; the new folder is taken or cannot be written.
pub fn rescue(folder: &Path, to: &Path, clock: &dyn Clock, progress: &dyn Progress) -> Result<RescueDoc, Failure> {
    if to.symlink_metadata().is_ok() {
        let message = format!("{} exists already", to.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, to, message, "name a new folder"));
    }
    let made = match readable(folder) {
        Ok(tables) => from_records(folder, to, &tables, clock, progress),
        Err(error @ (StoreError::NotASession { .. } | StoreError::Damaged { .. })) => {
            from_files(folder, to, &error, clock, progress)
        }
        Err(error) => Err(error.into()),
    };
    if made.is_err() {
        // Half a session would be worse than none. The folder is this program's: nothing was there before.
        let _ = fs::remove_dir_all(to);
    }
    made
}

fn from_records(
    folder: &Path,
    to: &Path,
    tables: &[Readable],
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<RescueDoc, Failure> {
    let (session, gaps) = rebuild(tables, to, clock.now())?;
    let mut files = FilesDoc::default();
    copy_files(folder, &session, &mut files, progress)?;
    copy_keys(folder, &session, &mut files)?;
    let mut picks = 0;
    for test in session.tests()? {
        session.each_trial(&test.plan.test, &mut |t| picks += usize::from(matches!(t.state, TrialState::Answered { .. })))?;
    }
    drop(session);
    files.unrecorded = take_unrecorded(folder, to, clock, progress)?;
    let docs: Vec<TableDoc> = tables
        .iter()
        .map(|t| TableDoc {
            table: t.table,
            read: t.records.len(),
            from_table: gaps.from_tables.get(t.table).copied().unwrap_or(0),
            lost: t.lost.clone(),
        })
        .collect();
    let complete = gaps.none() && docs.iter().all(|d| d.lost.is_none());
    Ok(RescueDoc {
        session: folder.display().to_string(),
        written: to.display().to_string(),
        complete,
        tables: docs,
        gaps,
        files,
        picks,
        unreadable: None,
    })
}

/// Recordings and clips that the new session's records name.
fn copy_files(folder: &Path, session: &Session, into: &mut FilesDoc, progress: &dyn Progress) -> Result<(), Failure> {
    let takes = session.takes()?.into_iter().map(|t| (t.path, t.sha256));
    let all: Vec<_> = takes.chain(session.clips()?.into_iter().map(|c| (c.path, c.sha256))).collect();
    let mut seen = BTreeSet::new();
    for (i, (path, wanted)) in all.iter().enumerate() {
        progress.step("copying", i as u64 + 1, all.len() as u64);
        if !seen.insert(path.clone()) {
            continue;
        }
        let (from, to) = (folder.join(path), session.absolute(path));
        // Links are not followed: the damaged session may come from anywhere.
        if !fs::symlink_metadata(&from).is_ok_and(|m| m.is_file()) || fs::copy(&from, &to).is_err() {
            into.missing.push(path.clone());
            continue;
        }
        match hash_file(&to) {
            Ok(found) if found == *wanted => into.intact.push(path.clone()),
            _ => into.changed.push(path.clone()),
        }
    }
    Ok(())
}

/// Keys of blind montages that were not revealed yet, for their owner's eyes as before.
fn copy_keys(folder: &Path, session: &Session, into: &mut FilesDoc) -> Result<(), Failure> {
    for montage in session.montages()?.iter().filter(|m| m.revealed.is_none()) {
        let name = format!("keys/{}.key", montage.id);
        let from = folder.join(&name);
        if fs::symlink_metadata(&from).is_ok_and(|m| m.is_file()) && session.take_key(&montage.id, &from).is_err() {
            into.missing.push(name);
        }
    }
    Ok(())
}

/// Plain files under `takes/` of the old folder.
fn recordings(folder: &Path) -> Vec<PathBuf> {
    let place = folder.join("takes");
    if !fs::symlink_metadata(&place).is_ok_and(|m| m.is_dir()) {
        return Vec::new();
    }
    let entries = fs::read_dir(&place).into_iter().flatten().flatten();
    let mut found: Vec<PathBuf> = entries
        .filter(|e| e.file_type().is_ok_and(|t| t.is_file()) && plain_name(&e.file_name().to_string_lossy()))
        .map(|e| e.path())
        .collect();
    found.sort();
    found
}

/// Recordings that no record tells of, taken in as takes of a setup that has yet to be named. What is not fit for a take stays where it is.
fn take_unrecorded(folder: &Path, to: &Path, clock: &dyn Clock, progress: &dyn Progress) -> Result<Vec<String>, Failure> {
    let known: BTreeSet<String> = Session::open_read(to)?.takes()?.into_iter().map(|t| t.path).collect();
    let name = |path: &Path| path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let left: Vec<PathBuf> = recordings(folder).into_iter().filter(|p| !known.contains(&format!("takes/{}", name(p)))).collect();
    if left.is_empty() {
        return Ok(Vec::new());
    }
    let setup = SetupName::new(UNASSIGNED)?;
    {
        let mut session = Session::open_write(to, clock.now())?;
        let mut rig: Rig = session.rig()?;
        if rig.setup(&setup).is_none() {
            rig.setups.push(Setup { name: setup.clone(), wiring: None, tap_ohm: None });
            session.set_rig(&rig, clock.now())?;
        }
    }
    let mut taken = Vec::new();
    for path in left {
        let request = Request { files: vec![path.clone()], setup: Some(setup.clone()), ..Request::default() };
        if take(to, &request, clock, progress).is_ok_and(|doc| !doc.takes.is_empty()) {
            taken.push(format!("takes/{}", name(&path)));
        }
    }
    Ok(taken)
}

/// Not a record can be read: a new session with the recordings, each with what its name says.
fn from_files(
    folder: &Path,
    to: &Path,
    error: &StoreError,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<RescueDoc, Failure> {
    if recordings(folder).is_empty() {
        let message = format!("{error}, and there is no recording under takes/");
        return Err(Failure::at_path(error.kind(), Fate::Unfit, folder, message, error.next()));
    }
    drop(Session::create(to, None, clock.now())?);
    let files = FilesDoc { unrecorded: take_unrecorded(folder, to, clock, progress)?, ..FilesDoc::default() };
    Ok(RescueDoc {
        session: folder.display().to_string(),
        written: to.display().to_string(),
        complete: false,
        tables: Vec::new(),
        gaps: Gaps::default(),
        files,
        picks: 0,
        unreadable: Some(error.to_string()),
    })
}
