//! Who outside of a session's folder vouches for it: listeners' receipts, a published fingerprint, time stamps; and what another copy of
//! the session says.
//!
//! * [`docs`]: what comes of it
//! * [`inside`]: chain and trials, read once
//! * [`receipts`]: receipts and a published fingerprint held against them; [`stamps`]: time stamps, with `kept_stamp`
//! * [`sentences`]: who vouches, in words
//! * [`files`]: small files from outside
//! * [`copies`]: two sessions held against each other

pub mod copies;
pub mod docs;
pub mod files;
pub mod inside;
mod kept_stamp;
pub mod receipts;
pub mod sentences;
#[cfg(feature = "timestamps")]
pub mod stamps;
#[cfg(not(feature = "timestamps"))]
#[path = "no_stamps.rs"]
pub mod stamps;

use crate::model::failure::Failure;
use crate::store::Session;
use crate::store::event::Happening;
use crate::verdict::promises::Problem;
use docs::WitnessesDoc;
use inside::Inside;
use std::path::PathBuf;

/// What lies outside of the folder and is held against it.
#[derive(Debug, Clone, Default)]
pub struct Outside {
    /// Files with listeners' receipts.
    pub receipts: Vec<PathBuf>,
    /// A fingerprint that was published.
    pub published: Option<String>,
    /// An authority's answer to a time-stamp request.
    pub timestamp: Option<PathBuf>,
    /// Certificates of the authority, PEM.
    pub authority: Option<PathBuf>,
}

/// What of the outside is new and fits: to be kept in the session where it may be written.
#[derive(Debug, Default)]
pub struct ToKeep {
    receipts: Vec<receipts::New>,
    stamps: Vec<kept_stamp::KeptStamp>,
}

impl ToKeep {
    /// How much it is.
    #[must_use]
    pub fn count(&self) -> usize {
        self.receipts.len() + self.stamps.len()
    }
}

/// Holds what lies outside against the session, and what was kept of earlier times once more. What does not fit is added to `problems`.
///
/// # Errors
/// A file cannot be read; a text is not a fingerprint; the session cannot be read.
pub fn witnesses(session: &Session, outside: &Outside, problems: &mut Vec<Problem>) -> Result<(WitnessesDoc, ToKeep), Failure> {
    let holds = problems.is_empty();
    let inside = Inside::read(session)?;
    let (mut doc, mut keep) = (WitnessesDoc::default(), ToKeep::default());
    let mut found = receipts::Found { docs: &mut doc.receipts, new: &mut keep.receipts, problems: &mut *problems };
    receipts::kept(&inside, &mut found);
    for path in &outside.receipts {
        receipts::given(&inside, path, &mut found)?;
    }
    doc.published = outside.published.as_deref().map(|text| receipts::published(&inside, text, problems)).transpose()?;
    let mut found = kept_stamp::Found { docs: &mut doc.timestamps, new: &mut keep.stamps, problems };
    stamps::kept(&inside, &mut found);
    if let Some(path) = &outside.timestamp {
        stamps::given(&inside, path, outside.authority.as_deref(), &mut found)?;
    }
    sentences::say(&inside, holds, &mut doc);
    Ok((doc, keep))
}

/// Keeps in the session what fits.
///
/// # Errors
/// The log cannot be written.
pub fn keep(session: &mut Session, keep: &ToKeep, now: jiff::Timestamp) -> Result<(), Failure> {
    for new in &keep.receipts {
        session.happened(Happening::ReceiptsKept, &new.listener, &new.receipt, now)?;
    }
    for stamp in &keep.stamps {
        session.happened(Happening::Timestamped, "head", stamp, now)?;
    }
    Ok(())
}
