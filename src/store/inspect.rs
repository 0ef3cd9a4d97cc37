//! Everything of a session's tables and schema that its log does not tell.

use super::error::StoreError;
use super::misfit::Misfit;
use super::replay::Replay;
use super::session::Session;
use super::{compare, schema};
use jiff::Timestamp;

impl Session {
    /// Everything about the schema that is not as this program makes it.
    ///
    /// # Errors
    /// The schema cannot be read.
    pub fn schema_misfits(&self) -> Result<Vec<Misfit>, StoreError> {
        schema::misfits(self.connection()).map_err(|e| self.database("reading the schema", e))
    }

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
