//! The one way in which anything is changed: an event, appended to the log and applied to the tables in one transaction.

use super::apply::{SESSION_ID, apply};
use super::error::StoreError;
use super::event::{Event, Happening, Kept};
use super::log;
use super::secret::Secret;
use super::session::Session;
use crate::model::rig::Rig;
use jiff::Timestamp;
use rusqlite::TransactionBehavior;
use serde::Serialize;
use serde_json::value::{RawValue, to_raw_value};

impl Session {
    /// Makes something happen: its entry in the log and what it does to the tables, in one transaction, synced before this returns (within
    /// a batch: before [`Session::commit_batch`] returns).
    pub(super) fn commit(&mut self, event: &Event, now: Timestamp) -> Result<(), StoreError> {
        self.commit_with(event, Secret::None, now)
    }

    /// The same with what stays out of the log.
    pub(super) fn commit_with(&mut self, event: &Event, secret: Secret<'_>, now: Timestamp) -> Result<(), StoreError> {
        if self.lock.is_none() {
            return Err(StoreError::NotAllowed { what: "the session was opened for reading only".to_owned() });
        }
        let (parts, at) = (event.parts().map_err(|e| self.unwritable_record(&e))?, now.to_string());
        let batch = self.batch;
        let result = (|| {
            if batch {
                // A change that fails takes back its own part of the batch and nothing else.
                let part = self.connection.savepoint()?;
                apply(&part, &at, event, secret)?;
                log::append(&part, &at, &parts)?;
                return part.commit();
            }
            let tx = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            apply(&tx, &at, event, secret)?;
            log::append(&tx, &at, &parts)?;
            tx.commit()
        })();
        result.map_err(|e| self.database("saving", e))
    }

    fn unwritable_record(&self, error: &serde_json::Error) -> StoreError {
        StoreError::Damaged { folder: self.folder.clone(), what: format!("a record cannot be written: {error}") }
    }

    /// A record as it is kept.
    pub(super) fn kept<T: Serialize + Clone>(&self, record: &T) -> Result<Kept<T>, StoreError> {
        Kept::of(record.clone()).map_err(|e| self.unwritable_record(&e))
    }

    /// A value as the text that is kept.
    pub(super) fn raw<T: Serialize>(&self, value: &T) -> Result<Box<RawValue>, StoreError> {
        to_raw_value(value).map_err(|e| self.unwritable_record(&e))
    }

    /// From here to [`Session::commit_batch`] all changes are one transaction: one sync of the disk for all of them. Nobody may be told of a
    /// change before the batch is committed.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn begin_batch(&mut self) -> Result<(), StoreError> {
        self.connection.execute_batch("BEGIN IMMEDIATE").map_err(|e| self.database("beginning a batch", e))?;
        self.batch = true;
        Ok(())
    }

    /// Writes a batch to the disk. When this fails, none of its changes has happened.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn commit_batch(&mut self) -> Result<(), StoreError> {
        self.batch = false;
        self.connection.execute_batch("COMMIT").map_err(|e| {
            // The transaction may be over already; there is nothing more to give up then.
            let _ = self.connection.execute_batch("ROLLBACK");
            self.database("writing a batch", e)
        })
    }

    /// Sets a note.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] for the session's id; [`StoreError::Database`].
    pub fn set_note(&mut self, key: &str, value: &str, now: Timestamp) -> Result<(), StoreError> {
        if key == SESSION_ID {
            return Err(StoreError::NotAllowed { what: "a session keeps its id".to_owned() });
        }
        self.commit(&Event::Noted(key.to_owned(), value.to_owned()), now)
    }

    /// Replaces the rig.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn set_rig(&mut self, rig: &Rig, now: Timestamp) -> Result<(), StoreError> {
        let rig = self.kept(rig)?;
        self.commit(&Event::RigRead(rig), now)
    }

    /// Writes down what changes no record: a level that was set, a run sheet that was drawn, a gate that was lifted with a reason.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn happened(&mut self, what: Happening, subject: &str, body: &impl Serialize, now: Timestamp) -> Result<(), StoreError> {
        let body = self.raw(body)?;
        self.commit(&Event::Happened(what, subject.to_owned(), body), now)
    }

    /// The engineer confirmed something unusual (`kind`: what was asked), with a reason that is printed.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn confirmed(&mut self, kind: &str, subject: &str, reason: &str, now: Timestamp) -> Result<(), StoreError> {
        self.happened(Happening::Confirmed, subject, &serde_json::json!({ "kind": kind, "reason": reason }), now)
    }

    /// The same by its name in the log. Names of events that change a table are refused: those have methods of their own.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] for such a name; [`StoreError::Database`].
    pub fn log_event(
        &mut self,
        what: &'static str,
        subject: &str,
        body: &impl Serialize,
        now: Timestamp,
    ) -> Result<(), StoreError> {
        let body = self.raw(body)?;
        match Event::read(what, subject, body.get()) {
            Ok(event) if !event.changes_tables() => self.commit(&event, now),
            _ => Err(StoreError::NotAllowed { what: format!("{what:?} is an event of its own and cannot be written like this") }),
        }
    }
}
