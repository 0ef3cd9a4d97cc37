//! `score`: what closed tests showed, as it was frozen when they closed; of an open one only how far it is.

use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::result::TestEntry;
use crate::model::trial::SealedTest;
use crate::store::Session;
use crate::verdict::audience::{AudienceDoc, audience};
use crate::verdict::closing;
use crate::verdict::from_records::scored;
use crate::verdict::hashes::Hashes;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The document of `score`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScoreDoc {
    /// The session's folder.
    pub session: String,
    /// Sealed tests that nobody answered and that were given up.
    pub given_up: Vec<TestId>,
    /// Its tests, all others, whatever became of them.
    pub tests: Vec<TestEntry>,
    /// What audiences answered that visited: a class of its own, never added to a panel's tests.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub audience: Vec<AudienceDoc>,
}

/// Reads a session's records and scores all of its tests (or one).
///
/// # Errors
/// The session cannot be read, or has no such test.
pub fn score(folder: &Path, only: Option<&TestId>) -> Result<ScoreDoc, Failure> {
    let session = Session::open_read(folder)?;
    let mut doc = document(&session, &Hashes::default())?;
    if let Some(id) = only {
        session.test(id)?;
        doc.tests.retain(|t| &t.head().test == id);
        doc.audience.retain(|a| &a.test == id);
    }
    Ok(doc)
}

/// The whole document of an open session.
///
/// # Errors
/// The records cannot be read.
pub fn document(session: &Session, hashes: &Hashes) -> Result<ScoreDoc, Failure> {
    let given_up = closing::given_up(session)?;
    let mut tests = score_with(session, hashes)?;
    tests.retain(|t| !given_up.contains(&t.head().test));
    Ok(ScoreDoc { session: session.folder().display().to_string(), given_up, tests, audience: audience(session)? })
}

/// All tests of an open session: frozen results as they are, the others by the present rules. Hashes that are known already are not
/// worked out again.
///
/// # Errors
/// The records cannot be read.
pub fn score_with(session: &Session, hashes: &Hashes) -> Result<Vec<TestEntry>, Failure> {
    let tests: Vec<SealedTest> = session.tests()?.into_iter().filter(|t| !t.plan.audience).collect();
    let mut entries: Vec<Option<TestEntry>> = Vec::new();
    for test in &tests {
        let frozen = if test.closed_at.is_some() { closing::frozen(session, &test.plan.test)? } else { None };
        entries.push(frozen.map(|result| TestEntry::Closed(Box::new(result))));
    }
    let missing: Vec<&SealedTest> = tests.iter().zip(&entries).filter(|(_, e)| e.is_none()).map(|(t, _)| t).collect();
    let mut made = scored(session, &missing, hashes)?.into_iter();
    Ok(entries.into_iter().filter_map(|e| e.or_else(|| made.next())).collect())
}
