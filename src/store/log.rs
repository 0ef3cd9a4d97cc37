//! The append-only log, chained by SHA-256: every change of the session, in order.

use super::event::Parts;
use crate::model::digest::hex;
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::io::Write as _;

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

/// The hash of an entry: previous hash, seq, at, what, subject and body, joined by line feeds.
#[must_use]
pub fn entry_hash(previous: &str, seq: i64, at: &str, what: &str, subject: &str, body: &str) -> String {
    let parts = [at, what, subject, body].map(str::as_bytes);
    hex(&hashed(&mut Vec::new(), previous.as_bytes(), seq, parts))
}

/// The same as bytes; `text` is where it is put together, one for all of a walk.
pub(super) fn hashed(text: &mut Vec<u8>, previous: &[u8], seq: i64, parts: [&[u8]; 4]) -> [u8; 32] {
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
