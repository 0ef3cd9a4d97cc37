//! The append-only log, chained by SHA-256: every change of the session, in order.

use super::error::StoreError;
use super::event::Parts;
use super::session::Session;
use crate::model::digest::{hex, is_hex_of};
use rusqlite::{Connection, OptionalExtension};
use sha2::{Digest, Sha256};
use std::io::Write as _;
use std::ops::RangeInclusive;

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

/// The chain, or a piece of it, walked.
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
    let parts = [at, what, subject, body].map(str::as_bytes);
    hex(&hashed(&mut Vec::new(), previous.as_bytes(), seq, parts))
}

/// The same as bytes; `text` is where it is put together, one for all of a walk.
fn hashed(text: &mut Vec<u8>, previous: &[u8], seq: i64, parts: [&[u8]; 4]) -> [u8; 32] {
    text.clear();
    text.extend_from_slice(previous);
    text.push(b'\n');
    let _ = write!(text, "{seq}"); // memory takes everything
    for part in parts {
        text.push(b'\n');
        text.extend_from_slice(part);
    }
    Sha256::digest(text).into()
}

/// Number and hash of the last entry.
pub(super) fn last(connection: &Connection) -> rusqlite::Result<(i64, String)> {
    let mut statement = connection.prepare_cached("SELECT seq, hash FROM log ORDER BY seq DESC LIMIT 1")?;
    let mut rows = statement.query([])?;
    match rows.next()? {
        Some(row) => Ok((row.get(0)?, row.get(1)?)),
        None => Ok((0, GENESIS.to_owned())),
    }
}

/// Appends an entry within the transaction that makes the change it tells of.
pub(super) fn append(tx: &Connection, at: &str, entry: &Parts) -> rusqlite::Result<()> {
    let (seq, previous) = last(tx)?;
    let (seq, Parts { what, subject, body }) = (seq + 1, entry);
    let hash = entry_hash(&previous, seq, at, what, subject, body);
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
        self.chain_piece(i64::MIN..=i64::MAX)
    }

    /// The chain as it stands now in pieces of so many entries, in their order. Each holds or does not hold by itself, for it begins with the
    /// hash that the file has of the entry before it, which the piece before has to answer for.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn chain_pieces(&self, entries: u32) -> Result<Vec<RangeInclusive<i64>>, StoreError> {
        let last = self.number("SELECT ifnull(max(seq), 0) FROM log", [])?;
        let mut begin = i64::MIN;
        let mut pieces = Vec::new();
        for end in (0..last).step_by(entries.max(1) as usize).skip(1) {
            pieces.push(begin..=end);
            begin = end + 1;
        }
        pieces.push(begin..=last);
        Ok(pieces)
    }

    /// Walks a piece of the chain.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn chain_piece(&self, piece: RangeInclusive<i64>) -> Result<ChainState, StoreError> {
        let walk = || -> rusqlite::Result<ChainState> {
            let (before, mut head): (i64, Vec<u8>) = self
                .connection()
                .query_row("SELECT seq, hash FROM log WHERE seq < ?1 ORDER BY seq DESC LIMIT 1", [piece.start()], |row| {
                    Ok((row.get(0)?, row.get_ref(1)?.as_bytes()?.to_vec()))
                })
                .optional()?
                .unwrap_or_else(|| (0, GENESIS.into()));
            let (mut records, mut breaks) = (0, Vec::new());
            let (mut wanted, mut text) = (before + 1, Vec::new());
            let mut statement = self
                .connection()
                .prepare_cached("SELECT seq, at, what, subject, body, hash FROM log WHERE seq BETWEEN ?1 AND ?2 ORDER BY seq")?;
            let mut rows = statement.query([piece.start(), piece.end()])?;
            while let Some(row) = rows.next()? {
                let seq: i64 = row.get(0)?;
                let bytes = |column| -> rusqlite::Result<&[u8]> { Ok(row.get_ref(column)?.as_bytes()?) };
                if seq != wanted {
                    breaks.push((seq, format!("entry {wanted} was expected here: entries are missing")));
                }
                let (hash, kept) = (hashed(&mut text, &head, seq, [bytes(1)?, bytes(2)?, bytes(3)?, bytes(4)?]), bytes(5)?);
                if !is_hex_of(kept, &hash) {
                    breaks.push((seq, "its hash does not follow from the entry before it".to_owned()));
                }
                head.clear();
                head.extend_from_slice(kept);
                records += 1;
                wanted = seq.saturating_add(1);
            }
            Ok(ChainState { records, head: String::from_utf8_lossy(&head).into_owned(), breaks })
        };
        walk().map_err(|e| self.database("reading the log", e))
    }
}
