//! The log as fresh tables: the same code that changed the tables when it happened.

use super::apply::apply;
use super::event::Event;
use super::secret::Secret;
use super::versions::MIGRATIONS;
use rusqlite::Connection;

/// Tables that are the replay of a log. They lie in memory, and beyond SQLite's cache in a file without a name.
pub struct Replay {
    connection: Connection,
}

impl Replay {
    /// Fresh tables without a row.
    ///
    /// # Errors
    /// The database refuses.
    pub fn new() -> rusqlite::Result<Self> {
        let connection = Connection::open("")?;
        for sql in MIGRATIONS {
            connection.execute_batch(sql)?;
        }
        // Nobody but the log writes here, and what only a migration knew must find its place.
        let triggers: Vec<String> = connection
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'")?
            .query_map([], |row| row.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        for trigger in triggers {
            connection.execute_batch(&format!("DROP TRIGGER {trigger}"))?;
        }
        connection.execute_batch("PRAGMA foreign_keys = ON; BEGIN")?;
        Ok(Self { connection })
    }

    /// Does what an entry of a log tells.
    ///
    /// # Errors
    /// What is wrong with the entry, for people. The tables are then as they were before it.
    pub fn tell(&self, at: &str, what: &str, subject: &str, body: &str) -> Result<(), String> {
        let event = Event::read(what, subject, body)?;
        let told = (|| {
            self.connection.execute_batch("SAVEPOINT entry")?;
            let applied = apply(&self.connection, at, &event, Secret::None);
            if applied.is_err() {
                self.connection.execute_batch("ROLLBACK TO entry")?;
            }
            self.connection.execute_batch("RELEASE entry")?;
            applied
        })();
        told.map_err(|e| match e {
            rusqlite::Error::QueryReturnedNoRows => "what it changes is not there, or not in the state for it".to_owned(),
            e => format!("it cannot have happened: {e}"),
        })
    }

    /// The tables.
    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }
}
