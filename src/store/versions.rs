//! The schemas that are known here, and which of them a file has.

use rusqlite::Connection;

/// The migrations, oldest first. Only ever added to. The number of the last one stands in `PRAGMA user_version`.
pub const MIGRATIONS: [&str; 3] = [
    include_str!("../../migrations/0001_session.sql"),
    include_str!("../../migrations/0002_montages.sql"),
    include_str!("../../migrations/0003_events.sql"),
];

/// The first schema whose tables are the replay of their log.
pub(super) const EVENTS: i64 = 3;

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
