//! The key of a blind montage: opened for good, and held against its commitment.

use crate::model::failure::Failure;
use crate::model::ids::MontageId;
use crate::model::montage::{Drawn, RevealedKey};
use crate::model::outside::Clock;
use crate::publish::montage::{SegmentDoc, docs};
use crate::store::Session;
use crate::verdict::montage_key::drawn;
use serde::Serialize;
use std::path::Path;

/// The document of `montage --reveal`.
#[derive(Debug, Clone, Serialize)]
pub struct RevealDoc {
    /// Its name.
    pub montage: String,
    /// Nothing is written.
    pub files: Vec<String>,
    /// SHA-256 of nonce and key.
    pub commitment_sha256: String,
    /// All clips with their places and setups.
    pub segments: Vec<SegmentDoc>,
    /// What each numbered clip was.
    pub key: Vec<Drawn>,
    /// The nonce, hexadecimal.
    pub nonce: String,
    /// What was hashed after the tag and the nonce.
    pub key_text: String,
}

/// Opens the key of a blind montage, for good: the first time it is written into the log, later it is only shown again.
///
/// # Errors
/// There is no such montage; its key no longer opens its commitment.
pub fn reveal(folder: &Path, id: &MontageId, clock: &dyn Clock) -> Result<RevealDoc, Failure> {
    let known = Session::open_read(folder)?.montage(id)?;
    let (record, key) = if known.revealed.is_some() {
        (known, Session::open_read(folder)?.montage_key(id)?)
    } else {
        let mut session = Session::open_write(folder, clock.now())?;
        let key = session.montage_key(id)?;
        let mut record = session.montage(id)?;
        record.revealed = Some(RevealedKey { at: clock.now(), nonce: key.nonce.clone(), key_text: key.text.clone() });
        session.reveal_montage(&record, clock.now())?;
        (record, key)
    };
    let drawn = drawn(&record, &key)?;
    let mut segments = docs(&record.segments, record.rate);
    for (segment, drawn) in segments.iter_mut().skip(record.named.len()).zip(&drawn) {
        segment.setup = Some(drawn.setup.to_string());
    }
    Ok(RevealDoc {
        montage: id.to_string(),
        files: Vec::new(),
        commitment_sha256: record.commitment.to_string(),
        segments,
        key: drawn,
        nonce: key.nonce,
        key_text: key.text,
    })
}
