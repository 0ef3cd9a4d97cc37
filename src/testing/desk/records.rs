//! What the engineer's pages show of a session: records alone, never an order of an open trial.

use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::rig::Rig;
use crate::model::session::{Clip, MatchRun, Take};
use crate::store::Session;
use std::collections::VecDeque;
use std::path::Path;

/// A session's records.
#[derive(Debug, Clone)]
pub struct Records {
    /// The rig.
    pub rig: Rig,
    /// All takes.
    pub takes: Vec<Take>,
    /// All clips.
    pub clips: Vec<Clip>,
    /// All matching runs.
    pub runs: Vec<MatchRun>,
    /// The takes were checked.
    pub checked: bool,
    /// Code, test and listener of every invitation.
    pub invitations: Vec<(String, TestId, ListenerCode)>,
}

/// Reads them.
///
/// # Errors
/// The session cannot be read.
pub fn read(folder: &Path) -> Result<Records, Failure> {
    let session = Session::open_read(folder)?;
    Ok(Records {
        rig: session.rig()?,
        takes: session.takes()?,
        clips: session.clips()?,
        runs: session.match_runs()?,
        checked: session.note("last-check")?.is_some(),
        invitations: session.invitations()?,
    })
}

/// The rig with the gate's answer on every card.
///
/// # Errors
/// The session cannot be read.
pub fn described(folder: &Path) -> Result<crate::rig::cards::RigDoc, Failure> {
    crate::rig::cards::describe_session(&Session::open_read(folder)?)
}

/// An entry of the log without its body.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoggedDoc {
    /// From 1, without gaps.
    pub seq: i64,
    /// When.
    pub at: String,
    /// What happened.
    pub what: String,
    /// The record's name.
    pub subject: String,
    /// The entry's hash.
    pub hash: String,
}

/// The last entries of the log, without their bodies (those of picks hold orders and stay in the file), and how many there are in all.
///
/// # Errors
/// The session cannot be read.
pub fn log_tail(folder: &Path, most: usize) -> Result<(VecDeque<LoggedDoc>, u64), Failure> {
    let (mut last, mut count) = (VecDeque::new(), 0u64);
    Session::open_read(folder)?.each_entry(&mut |entry| {
        count += 1;
        if last.len() == most {
            last.pop_front();
        }
        last.push_back(LoggedDoc {
            seq: entry.seq,
            at: entry.at.to_owned(),
            what: entry.what.to_owned(),
            subject: entry.subject.to_owned(),
            hash: entry.hash.to_owned(),
        });
    })?;
    Ok((last, count))
}
