//! Closing a test freezes its result: from then on `score`, the report and the desk show that one, and the audit recomputes it.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::result::{TestEntry, TestResult};
use crate::model::trial::SealedTest;
use crate::store::Session;
use crate::verdict::from_records::scored;
use crate::verdict::hashes::Hashes;
use jiff::Timestamp;

fn damaged(test: &TestId, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("the result of {test} that was frozen cannot be read or written: {error}");
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

/// Closes a test with its result, both as one event.
///
/// # Errors
/// The test is closed already; the records cannot be read or written.
pub fn close(session: &mut Session, test: &TestId, now: Timestamp) -> Result<TestResult, Failure> {
    let result = closing(session, test, now)?;
    let value = serde_json::to_value(&result).map_err(|e| damaged(test, &e))?;
    session.close_test_with(test, Some(&value), now)?;
    Ok(result)
}

/// The same for whoever closes a test and needs no result.
///
/// # Errors
/// As [`close`].
pub fn freeze(session: &mut Session, test: &TestId, now: Timestamp) -> Result<(), Failure> {
    close(session, test, now).map(drop)
}

/// The result that was frozen when a test closed; nothing for a test that was closed before results were frozen.
///
/// # Errors
/// It cannot be read.
pub fn frozen(session: &Session, test: &TestId) -> Result<Option<TestResult>, Failure> {
    let found = session.frozen_result(test)?;
    found.map(serde_json::from_value).transpose().map_err(|e| damaged(test, &e))
}

/// Sealed tests that were given up before anybody answered.
///
/// # Errors
/// The records cannot be read.
pub fn given_up(session: &Session) -> Result<Vec<TestId>, Failure> {
    let mut names = Vec::new();
    for test in session.tests()? {
        if session.given_up(&test.plan.test)?.is_some() {
            names.push(test.plan.test);
        }
    }
    Ok(names)
}
