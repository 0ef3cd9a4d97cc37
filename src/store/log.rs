//! The append-only log, chained by SHA-256: every change of the session, in order.

use super::error::StoreError;
use super::session::Session;
use crate::model::audio::Sha256Hex;
use jiff::Timestamp;
use rusqlite::Connection;
use sha2::{Digest, Sha256};

/// The hash before the first entry.
pub const GENESIS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One entry of the log, as it lies in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LogEntry<'a> {
    /// From 1, without gaps.
    pub seq: i64,
    /// When.
    pub at: &'a str,
    /// What happened, for example `take`, `seal`, `open`, `pick`, `void`.
    pub what: &'a str,
    /// The record's name.
    pub subject: &'a str,
    /// The record as it was written, as JSON.
    pub body: &'a str,
    /// SHA-256 over the previous hash and this entry.
    pub hash: &'a str,
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
    let mut digest = Sha256::new();
    for part in [previous, "\n", &seq.to_string(), "\n", at, "\n", what, "\n", subject, "\n", body] {
        digest.update(part);
    }
    Sha256Hex::from_bytes(&digest.finalize()).as_str().to_owned()
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
    pub fn each_entry(&self, each: &mut dyn FnMut(&LogEntry<'_>)) -> Result<(), StoreError> {
        let mut walk = || -> rusqlite::Result<()> {
            let mut statement = self.connection().prepare("SELECT seq, at, what, subject, body, hash FROM log ORDER BY seq")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let text = |column| -> rusqlite::Result<&str> { Ok(row.get_ref(column)?.as_str()?) };
                each(&LogEntry {
                    seq: row.get(0)?,
                    at: text(1)?,
                    what: text(2)?,
                    subject: text(3)?,
                    body: text(4)?,
                    hash: text(5)?,
                });
            }
            Ok(())
        };
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
            let hash = entry_hash(&state.head, entry.seq, entry.at, entry.what, entry.subject, entry.body);
            if hash != entry.hash {
                state.breaks.push((entry.seq, "its hash does not follow from the entry before it".to_owned()));
            }
            entry.hash.clone_into(&mut state.head);
            state.records += 1;
            wanted = entry.seq + 1;
        })?;
        Ok(state)
    }
}
