//! What can go wrong with a session's folder.

use crate::model::explain::{Explain, Fate};
use std::path::{Path, PathBuf};

/// A session that cannot be opened, read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder does not exist.
    #[error("{folder} does not exist", folder = folder.display())]
    Missing {
        /// The folder.
        folder: PathBuf,
    },
    /// There is no session in the folder.
    #[error("{folder} holds no session: there is no session.db in it", folder = folder.display())]
    NotASession {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder is there already and not empty.
    #[error("{folder} exists already and is not empty", folder = folder.display())]
    FolderTaken {
        /// The folder.
        folder: PathBuf,
    },
    /// Another process is writing.
    #[error("{folder} is being written by another cabjury process", folder = folder.display())]
    Locked {
        /// The folder.
        folder: PathBuf,
    },
    /// A recording is under way.
    #[error("a recording into {folder} is under way already", folder = folder.display())]
    Recording {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder's file system cannot lock.
    #[error("{folder} cannot be locked against a second writer: {source}", folder = folder.display())]
    NoLocks {
        /// The folder.
        folder: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file holds tables, views or triggers that this program does not make.
    #[error("{folder}/session.db is refused: {what}", folder = folder.display())]
    Foreign {
        /// The folder.
        folder: PathBuf,
        /// The first of them.
        what: String,
    },
    /// A record leads out of the session's folder, or to something that is not a plain file.
    #[error("{path} is refused: {what}", path = path.display())]
    Untrusted {
        /// Where it leads.
        path: PathBuf,
        /// What is wrong with that.
        what: String,
    },
    /// A recording or clip has other bytes than were recorded.
    #[error("{path} does not have the bytes that were recorded for {name}", path = path.display())]
    OtherBytes {
        /// The file.
        path: PathBuf,
        /// Its take or clip.
        name: String,
    },
    /// The operating system gives no random bytes.
    #[error("the operating system gives no random bytes: {source}")]
    NoRandomness {
        /// What it said.
        source: getrandom::Error,
    },
    /// The session was made by a newer program.
    #[error("{folder} was made by a newer cabjury (schema {found}; this one knows up to {known}) and was left untouched", folder = folder.display())]
    Newer {
        /// The folder.
        folder: PathBuf,
        /// The schema's number in the file.
        found: i64,
        /// The newest number that is known here.
        known: i64,
    },
    /// The file is damaged, or no database.
    #[error("{folder}/session.db is damaged: {what}", folder = folder.display())]
    Damaged {
        /// The folder.
        folder: PathBuf,
        /// What was found.
        what: String,
    },
    /// The database refused.
    #[error("{folder}/session.db: {doing} failed: {source}", folder = folder.display())]
    Database {
        /// The folder.
        folder: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// A file or folder of the session cannot be written or read.
    #[error("{path}: {doing} failed: {source}", path = path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file with that name is there already.
    #[error("{path} exists already and is never overwritten", path = path.display())]
    FileTaken {
        /// The file.
        path: PathBuf,
    },
    /// The key of a montage was not revealed, and its file is not here.
    #[error("the key of {montage} is not here: {path} is missing", path = path.display())]
    KeyAway {
        /// Where it was looked for.
        path: PathBuf,
        /// The montage.
        montage: String,
    },
    /// No record has that name.
    #[error("the session has no {what} {name:?}")]
    NoSuch {
        /// The kind of record.
        what: &'static str,
        /// The name that was given.
        name: String,
    },
    /// The change is not allowed: a finished trial, a closed test.
    #[error("{what}")]
    NotAllowed {
        /// What was refused and why.
        what: String,
    },
}

impl Explain for StoreError {
    fn kind(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "missing-folder",
            Self::NotASession { .. } => "not-a-session",
            Self::FolderTaken { .. } | Self::FileTaken { .. } => "exists-already",
            Self::Locked { .. } => "session-locked",
            Self::Recording { .. } => "recording-already",
            Self::NoLocks { .. } => "no-locks",
            Self::Foreign { .. } => "foreign-schema",
            Self::Untrusted { .. } => "untrusted-path",
            Self::OtherBytes { .. } => "changed-recording",
            Self::NoRandomness { .. } => "no-randomness",
            Self::Newer { .. } => "newer-session",
            Self::Damaged { .. } => "damaged-session",
            Self::Database { .. } => "database",
            Self::File { .. } => "file",
            Self::KeyAway { .. } => "key-away",
            Self::NoSuch { .. } => "no-such-record",
            Self::NotAllowed { .. } => "not-allowed",
        }
    }

    fn next(&self) -> String {
        match self {
            Self::Missing { .. } | Self::NotASession { .. } => {
                "check the folder's name, or make a session with: cabjury new FOLDER"
            }
            Self::FolderTaken { .. } => "choose another folder; nothing in this one was touched",
            Self::Locked { .. } => "finish the other command (a listener may be in the middle of a trial), then try again",
            Self::Recording { .. } => "leave that one first: on the desk's page Record, or where cabjury record runs",
            Self::NoLocks { .. } => {
                "keep the session on a disk of this computer: a network share without locks would let two programs write at once"
            }
            Self::Foreign { .. } => {
                "another program changed this session: cabjury audit FOLDER says what; get it again from where it was made, or save its \
                 records with: cabjury rescue FOLDER NEW-FOLDER"
            }
            Self::Untrusted { .. } => "do not use this session before you know who made it; cabjury audit FOLDER says more",
            Self::OtherBytes { .. } => {
                "put the recording back from a backup, or withdraw the take and take the recording in anew; nothing was written"
            }
            Self::NoRandomness { .. } => "nothing is drawn without them; restart the computer or try another one",
            Self::Newer { .. } => "use the newer program, or one at least as new as the session",
            Self::Damaged { .. } => {
                "restore the folder from a backup, or save what can still be read with: cabjury rescue FOLDER NEW-FOLDER; the recordings \
                 under takes/ are plain files"
            }
            Self::Database { source, .. } if is_full(source) => {
                "make room on the disk, then repeat the command: nothing half-done was kept"
            }
            Self::Database { .. } | Self::File { .. } => {
                "check that the disk has room and that you may write to the folder, then repeat"
            }
            Self::FileTaken { .. } => "choose another name; nothing was overwritten",
            Self::KeyAway { .. } => {
                "the key stays with who made the montage: put its file there, or count and reveal on the computer that has it"
            }
            Self::NoSuch { .. } => "see what there is with: cabjury status FOLDER",
            Self::NotAllowed { .. } => "see where the session stands with: cabjury status FOLDER",
        }
        .to_owned()
    }

    fn fate(&self) -> Fate {
        match self {
            Self::Missing { .. }
            | Self::NotASession { .. }
            | Self::Damaged { .. }
            | Self::Foreign { .. }
            | Self::Untrusted { .. }
            | Self::OtherBytes { .. }
            | Self::KeyAway { .. }
            | Self::NoSuch { .. } => Fate::Unfit,
            Self::FolderTaken { .. } | Self::FileTaken { .. } | Self::Newer { .. } | Self::NotAllowed { .. } => Fate::Refused,
            Self::Recording { .. } => Fate::Refused,
            Self::Locked { .. }
            | Self::NoLocks { .. }
            | Self::NoRandomness { .. }
            | Self::Database { .. }
            | Self::File { .. } => Fate::Failed,
        }
    }

    fn path(&self) -> Option<&Path> {
        match self {
            Self::Missing { folder }
            | Self::NotASession { folder }
            | Self::FolderTaken { folder }
            | Self::Locked { folder }
            | Self::Recording { folder }
            | Self::NoLocks { folder, .. }
            | Self::Foreign { folder, .. }
            | Self::Newer { folder, .. }
            | Self::Damaged { folder, .. }
            | Self::Database { folder, .. } => Some(folder),
            Self::File { path, .. }
            | Self::FileTaken { path }
            | Self::Untrusted { path, .. }
            | Self::OtherBytes { path, .. }
            | Self::KeyAway { path, .. } => Some(path),
            Self::NoSuch { .. } | Self::NotAllowed { .. } | Self::NoRandomness { .. } => None,
        }
    }
}

fn is_full(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull)
}

/// An event found nothing to change: then no record has that name.
pub(super) fn no_such(error: StoreError, what: &'static str, name: &str) -> StoreError {
    if error.changed_nothing() { StoreError::NoSuch { what, name: name.to_owned() } } else { error }
}

/// The same where the record is there, but not in the state for it.
pub(super) fn not_allowed(error: StoreError, what: impl FnOnce() -> String) -> StoreError {
    if error.changed_nothing() { StoreError::NotAllowed { what: what() } } else { error }
}

impl StoreError {
    /// Nothing may be written here, and that alone was missing.
    pub(super) fn is_for_want_of_writing(&self) -> bool {
        use rusqlite::ErrorCode::{CannotOpen, ReadOnly};
        use std::io::ErrorKind::{PermissionDenied, ReadOnlyFilesystem};
        match self {
            Self::Database { source, .. } => matches!(source.sqlite_error_code(), Some(CannotOpen | ReadOnly)),
            Self::File { source, .. } => matches!(source.kind(), PermissionDenied | ReadOnlyFilesystem),
            _ => false,
        }
    }

    fn changed_nothing(&self) -> bool {
        matches!(self, Self::Database { source: rusqlite::Error::QueryReturnedNoRows, .. })
    }
}
