//! Opening, locking, healing, and the one way in which anything is changed.

use super::error::StoreError;
use super::event::Event;
use super::lock::WritersLock;
use super::{files, migrate};
use crate::model::ids::TrialId;
use crate::model::outside::{Clock, SystemClock};
use crate::model::trial::{TrialRecord, TrialState};
use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags};
use std::fs;
use std::path::{Path, PathBuf};

/// An open session. A writer holds the folder's lock for as long as it lives; readers never wait for it.
pub struct Session {
    pub(super) folder: PathBuf,
    pub(super) connection: Connection,
    /// Present in a writer. After the connection: dropped in this order, the file is closed before another writer may come.
    pub(super) lock: Option<WritersLock>,
    healed: Vec<TrialId>,
    /// Changes are being gathered into one transaction.
    pub(super) batch: bool,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The connection is left out on purpose: nothing about a session's contents belongs into debug output.
        f.debug_struct("Session").field("folder", &self.folder).field("writes", &self.lock.is_some()).finish_non_exhaustive()
    }
}

impl Session {
    /// Makes a session in a new or empty folder, and opens it for writing.
    ///
    /// # Errors
    /// [`StoreError::FolderTaken`] when the folder holds something; [`StoreError::File`] when it cannot be made.
    pub fn create(folder: &Path, title: Option<&str>, now: Timestamp) -> Result<Self, StoreError> {
        let failed = |path: &Path, source| StoreError::File { path: path.to_owned(), doing: "making the folder", source };
        if fs::symlink_metadata(folder).is_ok() {
            let empty = fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_none());
            if !empty {
                return Err(StoreError::FolderTaken { folder: folder.to_owned() });
            }
        }
        for part in ["", "takes", "clips", "reports"] {
            let path = folder.join(part);
            fs::create_dir_all(&path).map_err(|e| failed(&path, e))?;
        }
        let lock = WritersLock::take(folder)?;
        let mut session = Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
        session.lock = Some(lock);
        session.prepare_writer()?;
        session.migrate("making the tables", now)?;
        session.commit(&Event::SessionBegun(migrate::fresh_id()?), now)?;
        session.set_note("made-at", &now.to_string(), now)?;
        if let Some(title) = title {
            session.set_note("title", title, now)?;
        }
        files::sync_folder(folder)?;
        Ok(session)
    }

    /// Opens a session to read it. A writer may be at work at the same time.
    ///
    /// # Errors
    /// [`StoreError`]: missing, no session, newer, damaged.
    pub fn open_read(folder: &Path) -> Result<Self, StoreError> {
        Self::must_be_there(folder)?;
        let session = Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let version = match session.check_version() {
            Err(StoreError::Database { source, .. }) if cannot_open(&source) => return Self::open_unwritable(folder),
            other => other?,
        };
        if version == migrate::newest() {
            return Ok(session);
        }
        // An older program made it: brought up to date once, under the writers' lock, with a copy of what it was beside it.
        drop(session);
        let lock = WritersLock::take(folder)?;
        let mut older = Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        older.lock = Some(lock);
        older.prepare_writer()?;
        older.migrate("bringing the tables up to date", SystemClock.now())?;
        drop(older);
        Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_ONLY)
    }

    /// In a folder where nothing may be written SQLite cannot lay its shared memory beside the file. Where no writer left anything to be
    /// taken over, the file alone is the whole session and is read as it is.
    fn open_unwritable(folder: &Path) -> Result<Self, StoreError> {
        let left_over = fs::metadata(folder.join("session.db-wal")).is_ok_and(|m| m.len() > 0);
        let path = folder.join("session.db");
        let text = path.to_str().filter(|_| !left_over);
        let Some(text) = text else {
            return Err(StoreError::Unwritable { folder: folder.to_owned() });
        };
        let escaped = text.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
        let failed = |source| StoreError::Database { folder: folder.to_owned(), doing: "opening", source };
        let connection = Connection::open_with_flags(format!("file:{escaped}?immutable=1"), flags).map_err(failed)?;
        let session = Self { folder: folder.to_owned(), connection, lock: None, healed: Vec::new(), batch: false };
        if session.check_version()? != migrate::newest() {
            return Err(StoreError::Unwritable { folder: folder.to_owned() });
        }
        Ok(session)
    }

    fn migrate(&mut self, doing: &'static str, now: Timestamp) -> Result<(), StoreError> {
        let (folder, id) = (self.folder.clone(), migrate::fresh_id()?);
        migrate::apply(&mut self.connection, &|version| folder.join(format!("session-schema-{version}.db")), &id, now)
            .map_err(|e| self.database(doing, e))
    }

    /// Opens a session to change it. A trial that an ended process left open becomes void (see [`Session::healed`]); part files are
    /// removed.
    ///
    /// # Errors
    /// [`StoreError::Locked`] at once when another process writes; otherwise as [`Session::open_read`].
    pub fn open_write(folder: &Path, now: Timestamp) -> Result<Self, StoreError> {
        Self::must_be_there(folder)?;
        // A newer session is refused before anything, the lock file included, is touched.
        Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_ONLY)?.check_version()?;
        let lock = WritersLock::take(folder)?;
        let mut session = Self::connect(folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        session.lock = Some(lock);
        session.prepare_writer()?;
        session.migrate("bringing the tables up to date", now)?;
        session.sweep();
        session.heal(now)?;
        Ok(session)
    }

    pub(super) fn must_be_there(folder: &Path) -> Result<(), StoreError> {
        let looked = |path: &Path| match fs::metadata(path) {
            Ok(found) => Ok(Some(found)),
            Err(e) if matches!(e.kind(), std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory) => Ok(None),
            // A folder that may not be looked into is not one without a session.
            Err(e) => Err(StoreError::File { path: path.to_owned(), doing: "looking into the folder", source: e }),
        };
        if looked(folder)?.is_none_or(|m| !m.is_dir()) {
            return Err(StoreError::Missing { folder: folder.to_owned() });
        }
        if looked(&folder.join("session.db"))?.is_none_or(|m| !m.is_file()) {
            return Err(StoreError::NotASession { folder: folder.to_owned() });
        }
        Ok(())
    }

    fn connect(folder: &Path, flags: OpenFlags) -> Result<Self, StoreError> {
        let path = folder.join("session.db");
        let flags = flags | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(&path, flags).map_err(|source| StoreError::Database {
            folder: folder.to_owned(),
            doing: "opening",
            source,
        })?;
        Ok(Self { folder: folder.to_owned(), connection, lock: None, healed: Vec::new(), batch: false })
    }

    fn prepare_writer(&self) -> Result<(), StoreError> {
        let set = || -> rusqlite::Result<()> {
            self.connection.pragma_update(None, "journal_mode", "WAL")?;
            // A pick must survive a power cut: with FULL, a WAL commit is synced before it returns (SQLite's documentation of PRAGMA
            // synchronous; from memory).
            self.connection.pragma_update(None, "synchronous", "FULL")?;
            self.connection.pragma_update(None, "foreign_keys", "ON")
        };
        set().map_err(|e| self.database("preparing", e))
    }

    /// The schema's number, if it is one that is known here.
    fn check_version(&self) -> Result<i64, StoreError> {
        let damaged = |e: rusqlite::Error| self.database("opening", e);
        let found = migrate::version(&self.connection).map_err(damaged)?;
        let id: i32 = self.connection.query_row("PRAGMA application_id", [], |r| r.get(0)).map_err(damaged)?;
        if found > migrate::newest() {
            return Err(StoreError::Newer { folder: self.folder.clone(), found, known: migrate::newest() });
        }
        if id != migrate::APPLICATION_ID || found < 1 {
            let what = "it is a database, but none that cabjury made".to_owned();
            return Err(StoreError::Damaged { folder: self.folder.clone(), what });
        }
        Ok(found)
    }

    /// An open trial can only be one of a process that has ended: its order is lost with that process. It is void and drawn anew.
    fn heal(&mut self, now: Timestamp) -> Result<(), StoreError> {
        let open: Vec<TrialRecord> = self.records("SELECT record FROM trial WHERE state = 'open'", [])?;
        for mut trial in open {
            self.healed.push(trial.id.clone());
            let reason = "the program ended while the trial was open".to_owned();
            trial.state = TrialState::Void { reason, at: now };
            self.end_trial(&trial, now)?;
        }
        Ok(())
    }

    /// Trials that were found open when the session was opened for writing, and are void now.
    #[must_use]
    pub fn healed(&self) -> &[TrialId] {
        &self.healed
    }

    /// The session's folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }

    pub(super) fn database(&self, doing: &'static str, source: rusqlite::Error) -> StoreError {
        use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
        if matches!(source.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase)) {
            return StoreError::Damaged { folder: self.folder.clone(), what: source.to_string() };
        }
        StoreError::Database { folder: self.folder.clone(), doing, source }
    }
}

fn cannot_open(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(rusqlite::ErrorCode::CannotOpen)
}
