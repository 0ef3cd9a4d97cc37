//! What can go wrong in the hall. No message holds a password, a code or an order.

use crate::model::explain::{Explain, Fate};

/// An error of the hall.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum HallError {
    /// The address of the database cannot be read.
    #[error("the database's address cannot be read: {0}")]
    Address(String),
    /// The database does not answer, or went away in the middle.
    #[error("the database cannot be reached: {0}")]
    Unreachable(String),
    /// All connections are in use and stayed so, or an answer took too long.
    #[error("the hall is busy: the database did not answer in time")]
    Busy,
    /// A statement was refused.
    #[error("the database refused: {0}")]
    Refused(String),
    /// The database was made by a newer program.
    #[error("the database has migration {found}, and {known} is the newest that is known here")]
    Newer {
        /// The database's.
        found: i32,
        /// This program's.
        known: i32,
    },
    /// No key.
    #[error("the hall's key is missing: {0}")]
    NoKey(String),
    /// Not this test's key.
    #[error("this is not the key that the test was published with")]
    WrongKey,
    /// The test is not in this database.
    #[error("{0} is not published in this database")]
    NotPublished(String),
    /// The test cannot be given to an audience.
    #[error("{0}")]
    Unfit(String),
    /// It is open still.
    #[error("{0} is still open")]
    Open(String),
    /// It is closed.
    #[error("{0} is closed")]
    Closed(String),
    /// The server cannot start.
    #[error("the hall cannot start: {0}")]
    Start(String),
    /// A sound cannot be kept.
    #[error("a sound cannot be written to the store: {0}")]
    Store(String),
    /// What was collected before is another file.
    #[error("{0} was collected before, and holds something else")]
    Collected(String),
}

impl HallError {
    /// Trying again later may do.
    #[must_use]
    pub fn passes(&self) -> bool {
        matches!(self, Self::Unreachable(_) | Self::Busy | Self::Refused(_))
    }
}

impl Explain for HallError {
    fn kind(&self) -> &'static str {
        match self {
            Self::Address(_) => "hall-address",
            Self::Unreachable(_) => "hall-database",
            Self::Busy => "hall-busy",
            Self::Refused(_) => "hall-refused",
            Self::Newer { .. } => "hall-newer",
            Self::NoKey(_) => "hall-no-key",
            Self::WrongKey => "hall-wrong-key",
            Self::NotPublished(_) => "hall-not-published",
            Self::Unfit(_) => "hall-unfit",
            Self::Open(_) => "hall-open",
            Self::Closed(_) => "hall-closed",
            Self::Start(_) => "hall-start",
            Self::Store(_) => "hall-store",
            Self::Collected(_) => "hall-collected",
        }
    }
    fn next(&self) -> String {
        match self {
            Self::Address(_) => "give it as postgres://USER@HOST/NAME, or postgres:///NAME?host=/FOLDER/OF/ITS/SOCKET",
            Self::Unreachable(_) => "see that PostgreSQL runs and lets this user in, then try again",
            Self::Busy => "try again in a moment; if it stays so, start more replicas or a larger database",
            Self::Refused(_) => "see PostgreSQL's own log; is its disk full?",
            Self::Newer { .. } => "use the program that migrated it, or a newer one",
            Self::NoKey(_) => "name the file with --key, or put the key into the environment as CABJURY_HALL_KEY",
            Self::WrongKey => "give the key file that hall publish wrote; without it no order can be opened",
            Self::NotPublished(_) => "publish it with: cabjury hall publish, or name another database",
            Self::Unfit(_) => "seal a test for an audience: cabjury plan FOLDER --compare S1,S2 --audience",
            Self::Open(_) => "close it first: cabjury hall close",
            Self::Closed(_) => "collect what was answered: cabjury hall collect",
            Self::Start(_) => "choose another address with --listen, or close other programs",
            Self::Store(_) => "make room, or give a folder that can be written to with --sound",
            Self::Collected(_) => "keep both files and compare them; the session stays as it is",
        }
        .to_owned()
    }
    fn fate(&self) -> Fate {
        match self {
            Self::Address(_) => Fate::WrongUse,
            Self::Unreachable(_) | Self::Busy | Self::Refused(_) | Self::Start(_) | Self::Store(_) => Fate::Failed,
            Self::Unfit(_) | Self::Open(_) | Self::Closed(_) | Self::Collected(_) => Fate::Refused,
            Self::Newer { .. } | Self::NoKey(_) | Self::WrongKey | Self::NotPublished(_) => Fate::Unfit,
        }
    }
}

impl From<tokio_postgres::Error> for HallError {
    fn from(error: tokio_postgres::Error) -> Self {
        match error.as_db_error() {
            // 57: the server ends or was told to; 53: out of room or connections; 57014: a statement that took too long.
            Some(db) if db.code().code() == "57014" => Self::Busy,
            Some(db) if db.code().code().starts_with("57") => Self::Unreachable(db.message().to_owned()),
            Some(db) => Self::Refused(db.message().to_owned()),
            None => Self::Unreachable(error.to_string()),
        }
    }
}
