//! The log as fresh tables: the same code that changed the tables when it happened.

use super::apply::{Secret, apply};
use super::error::StoreError;
use super::event::Event;
use super::migrate::MIGRATIONS;
use super::session::Session;
use super::{compare, schema};
use jiff::Timestamp;
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

/// A problem and where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// The record, or the part of the file.
    pub place: String,
    /// What is wrong.
    pub what: String,
}

impl Misfit {
    pub(super) fn new(place: impl Into<String>, what: impl Into<String>) -> Self {
        Self { place: place.into(), what: what.into() }
    }
}

impl Session {
    /// Replays the log into fresh tables and compares every row of every table, every column, the rows' order, and the schema. What is
    /// read is what the file holds at one moment; another process may be writing.
    ///
    /// # Errors
    /// The file cannot be read to its end.
    pub fn misfits(&self) -> Result<Vec<Misfit>, StoreError> {
        let failed = |e| self.database("comparing", e);
        // One moment for all reads. A writer's own transaction would do as well.
        let snapshot = self.connection().unchecked_transaction().map_err(failed)?;
        let mut found = schema::misfits(&snapshot).map_err(failed)?;
        found.extend(schema::integrity(&snapshot).map_err(failed)?);
        let replay = Replay::new().map_err(failed)?;
        self.each_entry(&mut |entry| {
            let place = || format!("log entry {}", entry.seq);
            if entry.what == "open" && entry.body.contains("\"order\"") {
                found.push(Misfit::new(place(), "an order was written before its pick"));
            }
            if entry.at.parse::<Timestamp>().is_err() {
                found.push(Misfit::new(place(), "its time cannot be read"));
            }
            if let Err(what) = replay.tell(entry.at, entry.what, entry.subject, entry.body) {
                found.push(Misfit::new(place(), what));
            }
        })?;
        compare::tables(&snapshot, replay.connection(), &mut found).map_err(failed)?;
        Ok(found)
    }
}
