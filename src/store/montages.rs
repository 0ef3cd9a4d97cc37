//! Blind montages with their keys, and counts of an audience's answers.

use super::error::{StoreError, no_such};
use super::event::Event;
use super::secret::{KeptKey, Secret};
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::ids::MontageId;
use crate::model::montage::{BlindMontage, VoteCount};
use jiff::Timestamp;

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
        let event = Event::MontageMade(self.kept(montage)?, Some(Sha256Hex::of(key.nonce.as_bytes())));
        self.commit_with(&event, Secret::Key(key), now)
    }

    /// Keeps that a key was revealed.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn reveal_montage(&mut self, montage: &BlindMontage, now: Timestamp) -> Result<(), StoreError> {
        let event = Event::MontageRevealed(self.kept(montage)?);
        self.commit(&event, now).map_err(|e| no_such(e, "montage", montage.id.as_str()))
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
        let event = Event::VotesCounted(montage.cloned(), self.kept(count)?);
        self.commit(&event, now)
    }
}
