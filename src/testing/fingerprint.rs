//! What to publish of a test: before the first trial and after the last one.

use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::store::Session;
use crate::witness::fingerprint::line;
use serde::Serialize;
use std::path::Path;

/// A line to publish, and what it is made of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FingerprintDoc {
    /// The session.
    pub session_id: String,
    /// Head of the log after the test was sealed, or after it was closed.
    pub head_sha256: String,
    /// Session, test and the head's first digits: what is published.
    pub line: String,
}

/// Of a test after it was closed, else after it was sealed; nothing where the log tells of neither.
///
/// # Errors
/// The session cannot be read.
pub fn fingerprint(session: &Session, test: &TestId) -> Result<Option<FingerprintDoc>, Failure> {
    let closed = session.head_after("close", test.as_str())?;
    let head = match closed {
        Some(head) => Some(head),
        None => session.head_after("seal", test.as_str())?,
    };
    let session_id = session.id()?.to_string();
    Ok(head.map(|head| FingerprintDoc { line: line(&session_id, test.as_str(), &head), session_id, head_sha256: head }))
}

/// The same of a session's folder.
///
/// # Errors
/// The session cannot be read.
pub fn of_folder(folder: &Path, test: &TestId) -> Result<Option<FingerprintDoc>, Failure> {
    fingerprint(&Session::open_read(folder)?, test)
}

/// The same of something that is not a test: a montage, or the session itself where nothing is named.
///
/// # Errors
/// The session cannot be read.
pub(crate) fn now(session: &Session, subject: Option<&str>) -> Result<String, Failure> {
    Ok(line(session.id()?.as_str(), subject.unwrap_or("-"), &session.chain_head()?))
}
