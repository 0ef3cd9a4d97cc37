//! The append-only log, chained by SHA-256: every change of the session, in order.

use super::error::StoreError;
use super::session::Session;
use crate::model::audio::Sha256Hex;
use jiff::Timestamp;
use rusqlite::Connection;

/// The hash before the first entry.
pub const GENESIS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One entry of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogEntry {
    /// From 1, without gaps.
    pub seq: i64,
    /// When.
    pub at: String,
    /// What happened, for example `take`, `seal`, `open`, `pick`, `void`.
    pub what: String,
    /// The record's name.
    pub subject: String,
    /// The record as it was written, as JSON.
    pub body: String,
    /// SHA-256 over the previous hash and this entry.
    pub hash: String,
}

/// The chain, walked from its beginning.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainState {
    /// Number of entries.
    pub records: u64,
    /// Hash of the last entry; 64 zeros when there is none.
    pub head: String,
    /// Where the chain does not hold: entry and what is wrong.
    pub breaks: Vec<(i64, String)>,
}

/// The hash of an entry: previous hash, seq, at, what, subject and body, joined by line feeds.
#[must_use]
pub fn entry_hash(previous: &str, seq: i64, at: &str, what: &str, subject: &str, body: &str) -> String {
    Sha256Hex::of(format!("{previous}\n{seq}\n{at}\n{what}\n{subject}\n{body}").as_bytes()).as_str().to_owned()
}

fn last(connection: &Connection) -> rusqlite::Result<(i64, String)> {
    let mut statement = connection.prepare_cached("SELECT seq, hash FROM log ORDER BY seq DESC LIMIT 1")?;
    let mut rows = statement.query([])?;
    match rows.next()? {
        Some(row) => Ok((row.get(0)?, row.get(1)?)),
        None => Ok((0, GENESIS.to_owned())),
    }
}

/// Appends an entry within the transaction that makes the change it tells of.
pub(super) fn append(tx: &Connection, now: Timestamp, what: &str, subject: &str, body: &str) -> rusqlite::Result<()> {
    let (seq, previous) = last(tx)?;
    let (seq, at) = (seq + 1, now.to_string());
    let hash = entry_hash(&previous, seq, &at, what, subject, body);
    let mut statement =
        tx.prepare_cached("INSERT INTO log (seq, at, what, subject, body, hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    statement.execute((seq, at, what, subject, body, hash)).map(|_| ())
}

impl Session {
    /// Walks the log from its beginning and hands out every entry.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn each_entry(&self, each: &mut dyn FnMut(&LogEntry)) -> Result<(), StoreError> {
        let walk = || -> rusqlite::Result<()> {
            let mut statement = self.connection().prepare("SELECT seq, at, what, subject, body, hash FROM log ORDER BY seq")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                each(&LogEntry {
                    seq: row.get(0)?,
                    at: row.get(1)?,
                    what: row.get(2)?,
                    subject: row.get(3)?,
                    body: row.get(4)?,
                    hash: row.get(5)?,
                });
            }
            Ok(())
        };
        let mut walk = walk;
        walk().map_err(|e| self.database("reading the log", e))
    }

    /// Walks the chain: number of entries, head, and every place where it does not hold.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn chain(&self) -> Result<ChainState, StoreError> {
        let mut state = ChainState { records: 0, head: GENESIS.to_owned(), breaks: Vec::new() };
        let mut wanted = 1;
        self.each_entry(&mut |entry| {
            if entry.seq != wanted {
                state.breaks.push((entry.seq, format!("entry {wanted} was expected here: entries are missing")));
            }
            let hash = entry_hash(&state.head, entry.seq, &entry.at, &entry.what, &entry.subject, &entry.body);
            if hash != entry.hash {
                state.breaks.push((entry.seq, "its hash does not follow from the entry before it".to_owned()));
            }
            state.head.clone_from(&entry.hash);
            state.records += 1;
            wanted = entry.seq + 1;
        })?;
        Ok(state)
    }
}
