//! Walking the log, and the chain of its hashes.

use super::error::StoreError;
use super::log::{GENESIS, LogEntry, hashed};
use super::session::Session;
use crate::model::digest::is_hex_of;
use rusqlite::OptionalExtension;
use std::ops::RangeInclusive;

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

    /// The head: hash of the last entry.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn chain_head(&self) -> Result<String, StoreError> {
        super::log::last(self.connection()).map(|(_, hash)| hash).map_err(|e| self.database("reading the log", e))
    }

    /// Hash of the last entry of that kind about a record: the head of the chain right after it.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it cannot be read.
    pub fn head_after(&self, what: &str, subject: &str) -> Result<Option<String>, StoreError> {
        let read = || -> rusqlite::Result<Option<String>> {
            // From the end: what is asked for was mostly written just now.
            let mut statement = self
                .connection()
                .prepare_cached("SELECT hash FROM log WHERE what = ?1 AND subject = ?2 ORDER BY seq DESC LIMIT 1")?;
            statement.query_row([what, subject], |row| row.get(0)).optional()
        };
        read().map_err(|e| self.database("reading the log", e))
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
