//! `hall status` and `hall close`.

use super::database::Database;
use super::error::HallError;
use super::key::Id;
use super::{records, waited};
use crate::model::digest::hex;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::store::Session;
use jiff::Timestamp;
use serde::Serialize;
use std::path::Path;

/// How an audience stands.
#[derive(Debug, Clone, Serialize)]
pub struct StatusDoc {
    /// The test.
    pub test: TestId,
    /// Its name in the hall.
    pub hall: String,
    /// No trial and no pick any more.
    pub closed: bool,
    /// Visitors who opened a trial.
    pub visitors: i64,
    /// Trials that were opened.
    pub opened: i64,
    /// Picks.
    pub picks: i64,
    /// Sounds in the store.
    pub sounds: i64,
    /// How many visitors answered exactly so many trials: pairs of trials and visitors.
    pub answered: Vec<(i64, i64)>,
}

/// The document of `hall close`.
#[derive(Debug, Clone, Serialize)]
pub struct ClosedDoc {
    /// The test.
    pub test: TestId,
    /// Its name in the hall.
    pub hall: String,
    /// When it ended.
    pub closed_at: Timestamp,
}

/// The test's name in the hall.
pub(super) async fn named(client: &deadpool_postgres::Object, seal: &str, test: &TestId) -> Result<Id, Failure> {
    let row = records::test_of_seal(client, seal).await?;
    Ok(row.ok_or_else(|| HallError::NotPublished(test.to_string()))?.test)
}

fn seal(folder: &Path, test: &TestId) -> Result<String, Failure> {
    Ok(Session::open_read(folder)?.test(test)?.seal.to_string())
}

/// How many came, and how far they are.
///
/// # Errors
/// The session or the database cannot be read; the test is not published.
pub fn status(folder: &Path, test: &TestId, database: &str) -> Result<StatusDoc, Failure> {
    let seal = seal(folder, test)?;
    waited(async {
        let database = Database::at(database, 1)?;
        database.migrate().await?;
        let client = database.client().await?;
        let id = named(&client, &seal, test).await?;
        let s = records::standing(&client, &id).await?;
        Ok(StatusDoc {
            test: test.clone(),
            hall: hex(&id),
            closed: s.closed,
            visitors: s.visitors,
            opened: s.opened,
            picks: s.picks,
            sounds: s.sounds,
            answered: s.answered,
        })
    })
}

/// Ends a test for its audience: every replica refuses from the next statement on.
///
/// # Errors
/// As [`status`].
pub fn close(folder: &Path, test: &TestId, database: &str) -> Result<ClosedDoc, Failure> {
    let seal = seal(folder, test)?;
    waited(async {
        let database = Database::at(database, 1)?;
        database.migrate().await?;
        let client = database.client().await?;
        let id = named(&client, &seal, test).await?;
        let closed_at = records::close(&client, &id).await?;
        Ok(ClosedDoc { test: test.clone(), hall: hex(&id), closed_at })
    })
}
