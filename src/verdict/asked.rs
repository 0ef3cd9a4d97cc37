//! `audit` as it is asked for: the session by itself, what lies outside of it, another copy, a request for a time stamp.

use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Clock;
use crate::store::Session;
use crate::verdict::audit::{AuditDoc, audit_with, foreign};
use crate::verdict::hashes::Hashes;
use crate::verdict::outside::copies::{CopiesDoc, copies};
use crate::verdict::outside::stamps::request;
use crate::verdict::outside::{Outside, ToKeep, keep};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What an audit is asked for beside the session itself.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// What lies outside of the folder.
    pub outside: Outside,
    /// Another session or copy.
    pub other: Option<PathBuf>,
    /// Where a request for a time stamp over the head is to be written.
    pub query: Option<PathBuf>,
    /// Receipts and stamps that fit are not kept in the session.
    pub keep_nothing: bool,
}

/// The document of `audit`.
#[derive(Debug, Clone, Serialize)]
pub struct AskedDoc {
    /// The session by itself, and who vouches for it.
    #[serde(flatten)]
    pub audit: AuditDoc,
    /// What it has in common with the other folder; null without one.
    pub copies: Option<CopiesDoc>,
    /// The request that was written; none over the head of a session that does not verify.
    pub timestamp_query: Option<String>,
    /// Receipts and time stamps that are kept in the session's log from now on. Kept ones are looked at in every audit and named in the report.
    pub kept: usize,
    /// Why something that fits was not kept.
    pub not_kept: Option<String>,
}

/// Verifies a session as it is asked for. It is read alone; what fits of receipts and time stamps is kept in it at the end, unless that was
/// not wished or it may not be written.
///
/// # Errors
/// The session, another copy, or a file from outside cannot be read; the request's name is taken.
pub fn audit_asked(folder: &Path, asked: &Asked, clock: &dyn Clock) -> Result<AskedDoc, Failure> {
    if let Some(taken) = asked.query.as_ref().filter(|p| p.symlink_metadata().is_ok()) {
        let message = format!("{} exists already and is never overwritten", taken.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, taken, message, "choose another name for the request"));
    }
    let session = Session::open_audit(folder)?;
    let bare = |audit| AskedDoc { audit, copies: None, timestamp_query: None, kept: 0, not_kept: None };
    if let Some(what) = session.foreign()? {
        return Ok(bare(foreign(&session, &what)?));
    }
    let (audit, new) = audit_with(&session, &Hashes::default(), Some(&asked.outside))?;
    let mut doc = bare(audit);
    doc.copies = asked.other.as_deref().map(|other| beside(&session, other)).transpose()?;
    if let Some(path) = asked.query.as_ref().filter(|_| doc.audit.ok) {
        doc.timestamp_query = write_request(&session, &doc.audit.head_sha256, path)?;
    }
    drop(session);
    if new.count() > 0 && doc.audit.ok && !asked.keep_nothing {
        match kept(folder, &new, clock) {
            Ok(()) => doc.kept = new.count(),
            Err(error) => doc.not_kept = Some(error.to_string()),
        }
    }
    Ok(doc)
}

fn beside(session: &Session, other: &Path) -> Result<CopiesDoc, Failure> {
    let second = Session::open_audit(other)?;
    match second.foreign()? {
        None => copies(session, &second),
        Some(what) => {
            let message = format!("{} is refused: {what}", other.display());
            Err(Failure::at_path("foreign-schema", Fate::Unfit, other, message, "audit it by itself: it says more"))
        }
    }
}

fn write_request(session: &Session, head: &str, path: &Path) -> Result<Option<String>, Failure> {
    let Ok(head) = Sha256Hex::parse(head) else { return Ok(None) };
    let bytes = request(session.id()?.as_str(), &head)?;
    crate::sound::write::write_new(path, &bytes)?;
    Ok(Some(path.display().to_string()))
}

fn kept(folder: &Path, new: &ToKeep, clock: &dyn Clock) -> Result<(), Failure> {
    keep(&mut Session::open_write(folder, clock.now())?, new, clock.now())
}
