//! What the engineer's pages show of a session: records alone, never an order of an open trial.

use crate::jobs::error::JobError;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::rig::Rig;
use crate::model::session::{Clip, MatchRun, Take};
use crate::store::{LogEntry, Session};
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
    /// Code, test and listener of every invitation.
    pub invitations: Vec<(String, TestId, ListenerCode)>,
}

/// Reads them.
///
/// # Errors
/// The session cannot be read.
pub fn read(folder: &Path) -> Result<Records, JobError> {
    let session = Session::open_read(folder)?;
    Ok(Records {
        rig: session.rig()?,
        takes: session.takes()?,
        clips: session.clips()?,
        runs: session.match_runs()?,
        invitations: session.invitations()?,
    })
}

/// The last entries of the log, without their bodies (those of picks hold orders and stay in the file), and how many there are in all.
///
/// # Errors
/// The session cannot be read.
pub fn log_tail(folder: &Path, most: usize) -> Result<(VecDeque<LogEntry>, u64), JobError> {
    let (mut last, mut count) = (VecDeque::new(), 0u64);
    Session::open_read(folder)?.each_entry(&mut |entry| {
        count += 1;
        if last.len() == most {
            last.pop_front();
        }
        last.push_back(LogEntry { body: String::new(), ..entry.clone() });
    })?;
    Ok((last, count))
}
