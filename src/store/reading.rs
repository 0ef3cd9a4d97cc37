//! Records, counts and notes, read.

use super::apply::SESSION_ID;
use super::error::StoreError;
use super::log;
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::ids::SessionId;
use crate::model::rig::Rig;
use rusqlite::OptionalExtension;
use serde::de::DeserializeOwned;

impl Session {
    /// Records whose JSON is the only column of a query.
    pub(super) fn records<T: DeserializeOwned>(&self, sql: &str, params: impl rusqlite::Params) -> Result<Vec<T>, StoreError> {
        let mut all = Vec::new();
        self.each_record(sql, params, &mut |record| all.push(record))?;
        Ok(all)
    }

    /// The same, one after another, read straight from the page.
    pub(super) fn each_record<T: DeserializeOwned>(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        each: &mut dyn FnMut(T),
    ) -> Result<(), StoreError> {
        let read = || -> rusqlite::Result<Result<(), serde_json::Error>> {
            let mut statement = self.connection.prepare_cached(sql)?;
            let mut rows = statement.query(params)?;
            while let Some(row) = rows.next()? {
                match serde_json::from_str(row.get_ref(0)?.as_str()?) {
                    Ok(record) => each(record),
                    Err(error) => return Ok(Err(error)),
                }
            }
            Ok(Ok(()))
        };
        read()
            .map_err(|e| self.database("reading", e))?
            .map_err(|e| StoreError::Damaged { folder: self.folder.clone(), what: format!("a record cannot be read: {e}") })
    }

    /// One number of a query.
    pub(super) fn number(&self, sql: &str, params: impl rusqlite::Params) -> Result<i64, StoreError> {
        self.connection.query_row(sql, params, |row| row.get(0)).map_err(|e| self.database("counting", e))
    }

    /// The session's id, drawn when it was made (or when an older session was brought up to date). A copy keeps it.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when there is none.
    pub fn id(&self) -> Result<SessionId, StoreError> {
        let damaged = |what: String| StoreError::Damaged { folder: self.folder.clone(), what };
        let text = self.note(SESSION_ID)?.ok_or_else(|| damaged("it has no session id".to_owned()))?;
        SessionId::new(&text).map_err(|e| damaged(e.to_string()))
    }

    /// The hash of the last entry of the log; 64 zeros when there is none.
    ///
    /// # Errors
    /// [`StoreError::Database`]; [`StoreError::Damaged`] when it is not a hash.
    pub fn head(&self) -> Result<Sha256Hex, StoreError> {
        let (_, hash) = log::last(&self.connection).map_err(|e| self.database("reading the log", e))?;
        Sha256Hex::parse(&hash).map_err(|e| StoreError::Damaged { folder: self.folder.clone(), what: e.to_string() })
    }

    /// A note by its key.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn note(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.connection
            .query_row("SELECT value FROM note WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(|e| self.database("reading a note", e))
    }

    /// The rig; empty when none was read in yet.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn rig(&self) -> Result<Rig, StoreError> {
        Ok(self.records("SELECT record FROM rig", [])?.pop().unwrap_or_default())
    }
}
