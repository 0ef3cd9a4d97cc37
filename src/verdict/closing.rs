//! Closing a test freezes its result: from then on `score`, the report and the desk show that one, and the audit recomputes it.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::result::{TestEntry, TestResult};
use crate::model::trial::SealedTest;
use crate::store::Session;
use crate::verdict::hashes::Hashes;
use crate::verdict::score::scored;
use jiff::Timestamp;

/// The `what` of the log's entry that holds a frozen result.
const FROZEN: &str = "result";

fn damaged(test: &TestId, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("the result of {test} that was frozen cannot be read: {error}");
    Failure::plain("damaged-result", Fate::Failed, message, "audit the session: cabjury audit FOLDER")
}

/// The result of a test as it would be frozen now.
///
/// # Errors
/// The records cannot be read.
pub fn closing(session: &Session, test: &TestId, now: Timestamp) -> Result<TestResult, Failure> {
    let mut sealed = session.test(test)?;
    sealed.closed_at = sealed.closed_at.or(Some(now));
    from_records(session, &sealed)
}

/// The result of a closed test from its records, whatever was frozen: what the audit compares.
///
/// # Errors
/// The records cannot be read; the test is open.
pub fn recompute(session: &Session, test: &TestId) -> Result<TestResult, Failure> {
    from_records(session, &session.test(test)?)
}

fn from_records(session: &Session, sealed: &SealedTest) -> Result<TestResult, Failure> {
    match scored(session, &[sealed], &Hashes::default())?.pop() {
        Some(TestEntry::Closed(result)) => Ok(*result),
        _ => Err(Failure::plain(
            "test-open",
            Fate::Refused,
            format!("{} is open: it has no result yet", sealed.plan.test),
            "close it first: cabjury close FOLDER --test T",
        )),
    }
}

/// Closes a test with its result, both in one transaction.
///
/// # Errors
/// The test is closed already; the records cannot be read or written.
pub fn close(session: &mut Session, test: &TestId, now: Timestamp) -> Result<TestResult, Failure> {
    let result = closing(session, test, now)?;
    session.begin_batch()?;
    session.close_test(test, now)?;
    session.log_event(FROZEN, test.as_str(), &result, now)?;
    session.commit_batch()?;
    Ok(result)
}

/// The result that was frozen when a test closed; nothing for a test that was closed before results were frozen.
///
/// # Errors
/// It cannot be read.
pub fn frozen(session: &Session, test: &TestId) -> Result<Option<TestResult>, Failure> {
    let mut found = None;
    session.each_entry(&mut |entry| {
        if entry.what == FROZEN && entry.subject == test.as_str() {
            found = found.take().or_else(|| Some(serde_json::from_str::<TestResult>(entry.body)));
        }
    })?;
    found.transpose().map_err(|e| damaged(test, &e))
}

/// Sealed tests that were given up, in the order in which that was said.
///
/// # Errors
/// The log cannot be read.
pub fn given_up(session: &Session) -> Result<Vec<TestId>, Failure> {
    let mut names = Vec::new();
    session.each_entry(&mut |entry| {
        if entry.what == "give-up" {
            names.extend(TestId::new(entry.subject));
        }
    })?;
    Ok(names)
}
