//! Opening, locking, healing, and the one way in which anything is changed.

use super::error::StoreError;
use super::event::Event;
use super::files::PrivateFolder;
use super::lock::{RecordersLock, WritersLock};
use super::{files, migrate, schema, versions};
use crate::model::ids::TrialId;
use crate::model::outside::{Clock, SystemClock};
use crate::model::trial::{TrialRecord, TrialState};
use jiff::Timestamp;
use rusqlite::config::DbConfig;
use rusqlite::limits::Limit;
use rusqlite::{Connection, OpenFlags};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// No record of a session is longer.
const LONGEST_TEXT: i32 = 64 << 20;

/// An open session. A writer holds the folder's lock for as long as it lives; readers never wait for it.
pub struct Session {
    pub(super) folder: PathBuf,
    pub(super) connection: Connection,
    /// Present in a writer. After the connection: dropped in this order, the file is closed before another writer may come.
    pub(super) lock: Option<WritersLock>,
    healed: Vec<TrialId>,
    /// Changes are being gathered into one transaction.
    pub(super) batch: bool,
    /// Where nothing may be written beside the file, a copy is read; it goes when the session is closed.
    _copy: Option<PrivateFolder>,
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
        let mut session = Self::make(folder, now)?;
        session.commit(&Event::SessionBegun(migrate::fresh_id()?), now)?;
        session.set_note("made-at", &now.to_string(), now)?;
        if let Some(title) = title {
            session.set_note("title", title, now)?;
        }
        files::sync_folder(folder)?;
        Ok(session)
    }

    /// The same without an entry in its log.
    pub(super) fn make(folder: &Path, now: Timestamp) -> Result<Self, StoreError> {
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
        files::create_private(&folder.join("session.db"))?;
        let mut session = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        session.lock = Some(lock);
        session.prepare_writer()?;
        session.migrate("making the tables", now)?;
        Ok(session)
    }

    /// Opens a session to read it. A writer may be at work at the same time; where nothing may be written, nothing is.
    ///
    /// # Errors
    /// [`StoreError`]: missing, no session, newer, damaged, not as this program makes it.
    pub fn open_read(folder: &Path) -> Result<Self, StoreError> {
        let session = Self::open_unchecked(folder)?;
        session.refuse_foreign(versions::newest())?;
        Ok(session)
    }

    /// The same for an audit, which tells what is foreign in a file instead of refusing it: ask [`Session::foreign`] before anything
    /// else. No query runs longer than a session of that size can need.
    ///
    /// # Errors
    /// [`StoreError`]: missing, no session, newer, damaged.
    pub fn open_audit(folder: &Path) -> Result<Self, StoreError> {
        let mut session = Self::open_unchecked(folder)?;
        session.limit_time()?;
        Ok(session)
    }

    fn open_unchecked(folder: &Path) -> Result<Self, StoreError> {
        Self::must_be_there(folder)?;
        match Self::open_beside_writers(folder) {
            Err(e) if e.is_for_want_of_writing() => Self::open_without_writing(folder),
            other => other,
        }
    }

    fn open_beside_writers(folder: &Path) -> Result<Self, StoreError> {
        let session = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let version = session.check_version()?;
        if version == versions::newest() {
            return Ok(session);
        }
        // An older program made it: brought up to date once, under the writers' lock, with a copy of what it was beside it.
        session.refuse_foreign(version)?;
        drop(session);
        let lock = WritersLock::take(folder)?;
        let mut older = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        older.lock = Some(lock);
        older.prepare_writer()?;
        older.migrate("bringing the tables up to date", SystemClock.now())?;
        drop(older);
        Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_ONLY)
    }

    /// In a folder where nothing may be written SQLite cannot lay its shared memory beside the file, take over what a writer left, or bring
    /// an older file up to date: all that is done in a copy.
    fn open_without_writing(folder: &Path) -> Result<Self, StoreError> {
        let copy = PrivateFolder::new()?;
        for name in ["session.db", "session.db-wal"] {
            copy.take(&folder.join(name))?;
        }
        let mut session = Self::connect(folder, copy.path(), OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        let version = session.check_version()?;
        if version != versions::newest() {
            session.refuse_foreign(version)?;
            let (id, beside) = (migrate::fresh_id()?, copy.path().to_owned());
            migrate::apply(&mut session.connection, &|v| beside.join(format!("schema-{v}.db")), &id, SystemClock.now())
                .map_err(|e| session.database("bringing a copy up to date", e))?;
        }
        session._copy = Some(copy);
        Ok(session)
    }

    fn migrate(&mut self, doing: &'static str, now: Timestamp) -> Result<(), StoreError> {
        let (folder, id) = (self.folder.clone(), migrate::fresh_id()?);
        migrate::apply(&mut self.connection, &|version| folder.join(format!("session-schema-{version}.db")), &id, now)
            .map_err(|e| self.database(doing, e))?;
        // Codes of invitations lie in it.
        files::make_private(&folder.join("session.db"))
    }

    /// Opens a session to change it. A trial that an ended process left open becomes void (see [`Session::healed`]); part files are
    /// removed.
    ///
    /// # Errors
    /// [`StoreError::Locked`] at once when another process writes; otherwise as [`Session::open_read`].
    pub fn open_write(folder: &Path, now: Timestamp) -> Result<Self, StoreError> {
        Self::must_be_there(folder)?;
        // A newer session is refused before anything, the lock file included, is touched.
        let looked = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .and_then(|reader| reader.check_version().and_then(|version| reader.refuse_foreign(version)));
        if let Err(error) = looked {
            // Where nothing may be written the system says so more plainly of the lock file.
            let _lock = if error.is_for_want_of_writing() { Some(WritersLock::take(folder)?) } else { None };
            return Err(error);
        }
        let lock = WritersLock::take(folder)?;
        let mut session = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        session.lock = Some(lock);
        session.prepare_writer()?;
        session.migrate("bringing the tables up to date", now)?;
        // What a process wrote whose sync failed is seen here: nobody is told of it before it is on the disk.
        session.sync()?;
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
        for name in ["session.db", "session.db-wal", "session.db-shm", "session.db-journal", "session.lock", "recording.lock"] {
            files::no_link(&folder.join(name))?;
        }
        Ok(())
    }

    /// Opens the file in `at`, which is the session's folder or a copy of it.
    fn connect(folder: &Path, at: &Path, flags: OpenFlags) -> Result<Self, StoreError> {
        let failed = |source| StoreError::Database { folder: folder.to_owned(), doing: "opening", source };
        let flags = flags | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(at.join("session.db"), flags).map_err(failed)?;
        // The file may come from anywhere: nothing in its schema may call a function, no text is larger than any record, no statement and no
        // trigger goes deeper than this program's own.
        let guard = || -> rusqlite::Result<()> {
            connection.set_limit(Limit::SQLITE_LIMIT_LENGTH, LONGEST_TEXT)?;
            connection.set_limit(Limit::SQLITE_LIMIT_SQL_LENGTH, 100_000)?;
            connection.set_limit(Limit::SQLITE_LIMIT_TRIGGER_DEPTH, 2)?;
            connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
            connection.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
            Ok(())
        };
        guard().map_err(failed)?;
        Ok(Self { folder: folder.to_owned(), connection, lock: None, healed: Vec::new(), batch: false, _copy: None })
    }

    /// Before any table is asked anything: the tables, indexes and triggers are those that this program makes, and no others.
    fn refuse_foreign(&self, version: i64) -> Result<(), StoreError> {
        match schema::refused(&self.connection, version).map_err(|e| self.database("opening", e))? {
            Some(what) => Err(StoreError::Foreign { folder: self.folder.clone(), what }),
            None => Ok(()),
        }
    }

    /// What is in the file's schema that this program does not make: then nothing else of it should be asked.
    ///
    /// # Errors
    /// [`StoreError`] when not even that can be read.
    pub fn foreign(&self) -> Result<Option<String>, StoreError> {
        schema::refused(&self.connection, versions::newest()).map_err(|e| self.database("opening", e))
    }

    fn limit_time(&mut self) -> Result<(), StoreError> {
        let bytes = fs::metadata(self.folder.join("session.db")).map_or(0, |m| m.len());
        let end = Instant::now() + Duration::from_secs(60 + bytes / 200_000);
        self.connection.progress_handler(1_000_000, Some(move || Instant::now() > end)).map_err(|e| self.database("opening", e))
    }

    /// Refuses a folder whose file system has no locks, before anybody is invited into it. That another process has the lock is no refusal.
    ///
    /// # Errors
    /// [`StoreError::NoLocks`]; otherwise as [`Session::open_read`].
    pub fn can_be_locked(folder: &Path) -> Result<(), StoreError> {
        Self::must_be_there(folder)?;
        let _lock = match WritersLock::take(folder) {
            Err(StoreError::Locked { .. }) => return Ok(()),
            other => other?,
        };
        // SQLite locks in a way of its own, which the file system has to know as well.
        let session = Self::connect(folder, folder, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        session.check_version()?;
        session
            .connection
            .execute_batch("BEGIN IMMEDIATE; ROLLBACK")
            .map_err(|e| StoreError::NoLocks { folder: folder.to_owned(), source: std::io::Error::other(e.to_string()) })
    }

    /// Keeps other sittings from recording into a session, not others from writing to it, for as long as what is returned lives.
    ///
    /// # Errors
    /// [`StoreError::Recording`] at once when another sitting records; [`StoreError::NoLocks`]; no session.
    pub fn recording_alone(folder: &Path) -> Result<RecordersLock, StoreError> {
        Self::must_be_there(folder)?;
        RecordersLock::take(folder)
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
        let found = versions::version(&self.connection).map_err(damaged)?;
        let id: i32 = self.connection.query_row("PRAGMA application_id", [], |r| r.get(0)).map_err(damaged)?;
        if found > versions::newest() {
            return Err(StoreError::Newer { folder: self.folder.clone(), found, known: versions::newest() });
        }
        if id != versions::APPLICATION_ID || found < 1 {
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
        if matches!(source.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase))
            || matches!(source, rusqlite::Error::Utf8Error(..) | rusqlite::Error::InvalidColumnType(..))
        {
            return StoreError::Damaged { folder: self.folder.clone(), what: source.to_string() };
        }
        StoreError::Database { folder: self.folder.clone(), doing, source }
    }
}
