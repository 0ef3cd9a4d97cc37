//! Blind montages with their keys, and counts of an audience's answers.

use super::error::StoreError;
use super::session::Session;
use crate::model::ids::MontageId;
use crate::model::montage::{BlindMontage, VoteCount};
use jiff::Timestamp;

/// A key as it is kept: nonce (hexadecimal) and canonical text. It has no `Debug`: it must not be printed by accident.
pub struct KeptKey {
    /// The nonce.
    pub nonce: String,
    /// The canonical text of the key.
    pub text: String,
}

impl Session {
    /// All blind montages, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn montages(&self) -> Result<Vec<BlindMontage>, StoreError> {
        self.records("SELECT record FROM montage ORDER BY seq", [])
    }

    /// One blind montage.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name.
    pub fn montage(&self, id: &MontageId) -> Result<BlindMontage, StoreError> {
        let found: Vec<BlindMontage> = self.records("SELECT record FROM montage WHERE id = ?1", [id.as_str()])?;
        found.into_iter().next().ok_or_else(|| StoreError::NoSuch { what: "montage", name: id.to_string() })
    }

    /// The number that the next montage gets, from 1.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn next_montage(&self) -> Result<u32, StoreError> {
        let last = self.number("SELECT coalesce(max(seq), 0) FROM montage", [])?;
        Ok(u32::try_from(last).unwrap_or(u32::MAX).saturating_add(1))
    }

    /// The key of a montage: for counting answers and for revealing it, and for nothing else.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name.
    pub fn montage_key(&self, id: &MontageId) -> Result<KeptKey, StoreError> {
        self.connection()
            .query_row("SELECT nonce, key_text FROM montage WHERE id = ?1", [id.as_str()], |row| {
                Ok(KeptKey { nonce: row.get(0)?, text: row.get(1)? })
            })
            .map_err(|e| match e {
                rusqlite::Error::QueryReturnedNoRows => StoreError::NoSuch { what: "montage", name: id.to_string() },
                e => self.database("reading a key", e),
            })
    }

    /// Keeps a blind montage. Its key stays out of the log.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_montage(&mut self, montage: &BlindMontage, key: &KeptKey, now: Timestamp) -> Result<(), StoreError> {
        let (seq, record) = (self.next_montage()?, self.json(montage)?);
        self.change(now, "montage", montage.id.as_str(), &record, |tx| {
            tx.execute(
                "INSERT INTO montage VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                (montage.id.as_str(), seq, montage.commitment.as_str(), &key.nonce, &key.text, &record),
            )
            .map(|_| ())
        })
    }

    /// Keeps that a key was revealed.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn reveal_montage(&mut self, montage: &BlindMontage, now: Timestamp) -> Result<(), StoreError> {
        let record = self.json(montage)?;
        self.change(now, "reveal", montage.id.as_str(), &record, |tx| {
            tx.execute("UPDATE montage SET record = ?2 WHERE id = ?1", (montage.id.as_str(), &record)).map(|_| ())
        })
    }

    /// Counts of answers to a montage (`None`: to the audience page), oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn vote_counts(&self, montage: Option<&MontageId>) -> Result<Vec<VoteCount>, StoreError> {
        let name = montage.map(MontageId::as_str);
        self.records("SELECT record FROM vote_count WHERE montage IS ?1 ORDER BY seq", [name])
    }

    /// Keeps a count of answers.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_vote_count(&mut self, montage: Option<&MontageId>, count: &VoteCount, now: Timestamp) -> Result<(), StoreError> {
        let (name, record) = (montage.map(MontageId::as_str), self.json(count)?);
        self.change(now, "votes", name.unwrap_or("audience page"), &record, |tx| {
            tx.execute("INSERT INTO vote_count (montage, record) VALUES (?1, ?2)", (name, &record)).map(|_| ())
        })
    }
}
