//! Blind montages with their keys, and counts of an audience's answers.
//!
//! The records hold a key's commitment alone until the key is revealed. The key itself lies in a file of its own beside them, for its owner's
//! eyes: `keys/montage-1.key`, which no bundle takes along.

use super::error::{StoreError, no_such};
use super::event::Event;
use super::files::{create_private, failed, no_link, sync_folder};
use super::secret::{KeptKey, Secret};
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::ids::MontageId;
use crate::model::montage::{BlindMontage, VoteCount};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// What stands first in every key's file.
const FORMAT: &str = "cabjury montage key 1";

/// Largest file of a key that is read: two hundred clips take a few kilobytes.
const LARGEST: u64 = 1 << 20;

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
    /// [`StoreError::NoSuch`] when there is none of that name; [`StoreError::KeyAway`] when its file is not here.
    pub fn montage_key(&self, id: &MontageId) -> Result<KeptKey, StoreError> {
        let away = || StoreError::KeyAway { path: self.key_path(id), montage: id.to_string() };
        self.montage_key_if_here(id)?.ok_or_else(away)
    }

    /// The same; nothing where the key was not revealed and its file is not here, as in a copy that somebody else was given.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name; the file cannot be read, or is no such key.
    pub fn montage_key_if_here(&self, id: &MontageId) -> Result<Option<KeptKey>, StoreError> {
        let revealed = self.montage(id)?.revealed;
        let (nonce, text): (String, String) = self
            .connection()
            .query_row("SELECT nonce, key_text FROM montage WHERE id = ?1", [id.as_str()], |row| Ok((row.get(0)?, row.get(1)?)))
            .map_err(|e| self.database("reading a key", e))?;
        match (text.as_str(), revealed) {
            ("", Some(revealed)) => Ok(Some(KeptKey { nonce: revealed.nonce, text: revealed.key_text })),
            ("", None) => read_key(&self.key_path(id), id),
            // Older programs kept keys among the records.
            _ => Ok(Some(KeptKey { nonce, text })),
        }
    }

    /// Where the key of a montage is kept until it is revealed.
    #[must_use]
    pub fn key_path(&self, id: &MontageId) -> PathBuf {
        self.folder.join("keys").join(format!("{id}.key"))
    }

    /// Takes in a montage's key from its file in another folder of the session.
    ///
    /// # Errors
    /// The file cannot be read, or is not the key of that montage.
    pub fn take_key(&self, id: &MontageId, from: &Path) -> Result<(), StoreError> {
        match read_key(from, id)? {
            Some(key) => write_key(&self.key_path(id), id, &key),
            None => Err(StoreError::KeyAway { path: from.to_owned(), montage: id.to_string() }),
        }
    }

    /// Keeps a blind montage: its key in a file that only its owner may read, its commitment in the records.
    ///
    /// # Errors
    /// [`StoreError::Database`]; [`StoreError::File`] when the key cannot be written.
    pub fn add_montage(&mut self, montage: &BlindMontage, key: &KeptKey, now: Timestamp) -> Result<(), StoreError> {
        let event = Event::MontageMade(self.kept(montage)?, Some(Sha256Hex::of(key.nonce.as_bytes())));
        let path = self.key_path(&montage.id);
        write_key(&path, &montage.id, key)?;
        self.commit_with(&event, Secret::None, now).inspect_err(|_| {
            // Best effort: a key without its montage opens nothing.
            let _ = fs::remove_file(&path);
        })
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

#[derive(Serialize, Deserialize)]
struct KeyFile {
    format: String,
    montage: MontageId,
    nonce: String,
    key_text: String,
}

fn write_key(path: &Path, id: &MontageId, key: &KeptKey) -> Result<(), StoreError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut builder = fs::DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.recursive(true).create(folder).map_err(|e| failed(folder, "making the folder of keys", e))?;
    no_link(folder)?;
    // One is there only when the program ended between key and record: it belongs to no montage.
    match fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(failed(path, "making room for the key", e)),
        _ => {}
    }
    create_private(path)?;
    let file = KeyFile { format: FORMAT.to_owned(), montage: id.clone(), nonce: key.nonce.clone(), key_text: key.text.clone() };
    let write = || -> std::io::Result<()> {
        let mut to = fs::OpenOptions::new().write(true).open(path)?;
        serde_json::to_writer(&mut to, &file)?;
        to.write_all(b"\n")?;
        to.sync_all()
    };
    write().map_err(|e| failed(path, "writing the key", e))?;
    sync_folder(folder)
}

fn read_key(path: &Path, id: &MontageId) -> Result<Option<KeptKey>, StoreError> {
    let file = match fs::File::open(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        other => other.map_err(|e| failed(path, "reading the key", e))?,
    };
    no_link(path)?;
    let mut text = String::new();
    file.take(LARGEST).read_to_string(&mut text).map_err(|e| failed(path, "reading the key", e))?;
    let other = |what: &str| StoreError::Untrusted { path: path.to_owned(), what: what.to_owned() };
    let found: KeyFile = serde_json::from_str(&text).map_err(|_| other("it is not a montage's key"))?;
    if found.format != FORMAT || found.montage != *id {
        return Err(other("it is the key of something else"));
    }
    Ok(Some(KeptKey { nonce: found.nonce, text: found.key_text }))
}
