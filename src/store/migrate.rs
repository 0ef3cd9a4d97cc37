//! Numbered SQL files, applied in order in one transaction. The number of the last one stands in `PRAGMA user_version`.

use rusqlite::Connection;
use std::path::PathBuf;

/// The migrations, oldest first. Only ever added to.
pub const MIGRATIONS: [&str; 3] = [
    include_str!("../../migrations/0001_session.sql"),
    include_str!("../../migrations/0002_montages.sql"),
    include_str!("../../migrations/0003_takes_anew.sql"),
];

/// Marks the file as a session of this program ("cabj").
pub const APPLICATION_ID: i32 = 0x6361_626A;

/// The newest schema that is known here.
#[must_use]
pub fn newest() -> i64 {
    MIGRATIONS.len() as i64
}

/// The schema's number in an open file.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Brings an open file up to the newest schema, in one transaction. A file that held an older schema is copied first, beside it, under
/// `backup`; a copy that is there already (of a try that was cut off) stays.
pub(super) fn apply(connection: &mut Connection, backup: &dyn Fn(i64) -> PathBuf) -> rusqlite::Result<()> {
    let found = version(connection)?;
    let done = usize::try_from(found).unwrap_or(0);
    if done >= MIGRATIONS.len() {
        return Ok(());
    }
    let copy = backup(found);
    if done > 0 && !copy.exists() {
        connection.execute("VACUUM INTO ?1", [copy.to_string_lossy().as_ref()])?;
    }
    let transaction = connection.transaction()?;
    for sql in &MIGRATIONS[done..] {
        transaction.execute_batch(sql)?;
    }
    transaction.pragma_update(None, "user_version", newest())?;
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.commit()
}
