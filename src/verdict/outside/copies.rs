//! Two sessions held against each other: what they share, and where they part.

use crate::model::failure::Failure;
use crate::report::text::count;
use crate::store::Session;
use serde::Serialize;
use std::collections::BTreeSet;

/// An entry with which one of two copies goes on alone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PartDoc {
    /// What happened.
    pub what: String,
    /// About which record.
    pub subject: String,
    /// When, by the session's clock.
    pub at: String,
    /// Entries from there on.
    pub entries: usize,
}

/// What two folders have in common.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CopiesDoc {
    /// The other folder.
    pub other: String,
    /// Both say the same session id: one is a copy of the other, or both of a third.
    pub same_session: bool,
    /// Log entries that are the same in both, from the first.
    pub shared_entries: u64,
    /// The entry from which on they differ; null where one goes on from the other, or they share none.
    pub part_at: Option<i64>,
    /// How this one goes on from there.
    pub here: Option<PartDoc>,
    /// How the other one goes on from there.
    pub there: Option<PartDoc>,
    /// Recordings with the same bytes.
    pub shared_recordings: usize,
    /// Seals that both have.
    pub shared_seals: Vec<String>,
    /// The same in words.
    pub sentence: String,
}

struct Entry {
    hash: String,
    part: PartDoc,
}

fn chain(session: &Session) -> Result<Vec<Entry>, Failure> {
    let mut all = Vec::new();
    session.each_entry(&mut |e| {
        let part = PartDoc { what: e.what.to_owned(), subject: e.subject.to_owned(), at: e.at.to_owned(), entries: 0 };
        all.push(Entry { hash: e.hash.to_owned(), part });
    })?;
    Ok(all)
}

fn part(all: &[Entry], from: usize) -> Option<PartDoc> {
    all.get(from).map(|e| PartDoc { entries: all.len() - from, ..e.part.clone() })
}

/// Holds two sessions against each other.
///
/// # Errors
/// One of them cannot be read.
pub fn copies(one: &Session, other: &Session) -> Result<CopiesDoc, Failure> {
    let (a, b) = (chain(one)?, chain(other)?);
    let shared = a.iter().zip(&b).take_while(|(x, y)| x.hash == y.hash).count();
    let (here, there) = (part(&a, shared), part(&b, shared));
    let parted = shared > 0 && here.is_some() && there.is_some();
    let recordings = |session: &Session| -> Result<BTreeSet<String>, Failure> {
        Ok(session.takes()?.into_iter().map(|t| t.sha256.to_string()).collect())
    };
    let seals = |session: &Session| -> Result<BTreeSet<String>, Failure> {
        Ok(session.tests()?.into_iter().map(|t| t.seal.to_string()).collect())
    };
    let shared_recordings = recordings(one)?.intersection(&recordings(other)?).count();
    let shared_seals: Vec<String> = seals(one)?.intersection(&seals(other)?).cloned().collect();
    let same_session = one.id()? == other.id()?;
    let sentence = match (same_session, parted, shared_recordings) {
        (true, true, _) => format!(
            "Two copies of one session that part at log entry {}: what came after it happened twice, and a claim can rest on one of them only.",
            shared + 1
        ),
        (true, false, _) if shared == 0 => {
            "Both say that they are one session, and their logs share no entry: one of them was written anew.".to_owned()
        }
        (true, false, _) => match (&here, &there) {
            (None, None) => "Two equal copies of one session.".to_owned(),
            _ => "Two copies of one session; one goes on from where the other ends.".to_owned(),
        },
        (false, _, 0) => "Two sessions that share no recording.".to_owned(),
        (false, _, n) => format!(
            "Two sessions that share {}: tests of both answer one question, and each counts its own tests only.",
            count(n, "recording", "recordings")
        ),
    };
    Ok(CopiesDoc {
        other: other.folder().display().to_string(),
        same_session,
        shared_entries: shared as u64,
        part_at: parted.then(|| i64::try_from(shared + 1).unwrap_or(i64::MAX)),
        here,
        there,
        shared_recordings,
        shared_seals,
        sentence,
    })
}
