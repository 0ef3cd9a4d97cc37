//! The session's folder and file: migrations, records, the append-only chained log.
//!
//! * [`session`]: opening, locking, healing
//! * [`event`]: every kind of event, written and read in one file; `kept`: a record beside its text
//! * `change`: the one way in which anything is changed
//! * `apply`: what an event does to the tables, when it happens and in a replay
//! * [`replay`]: the log as fresh tables; `inspect`: what of the tables and the schema it does not tell, with `compare` and `schema`
//! * `secret`: what is kept beside the log
//! * `reading`: records, counts, notes
//! * [`versions`]: numbered SQL files; [`migrate`]: bringing an older file up to date
//! * [`recordings`]: takes, matching runs, clips, meter readings
//! * [`tests`]: sealed tests, listeners, trials, invitations
//! * [`montages`]: blind montages with their keys, counts of answers
//! * `lock`: who writes, and who records
//! * [`log`]: entries and their hashes; [`chain`]: walking them
//! * [`files`]: names, rights and durability; `kept_files`: read-only copies that nothing overwrites
//! * [`rescue`]: what can still be read of a damaged file
//! * [`rebuild`]: a session made again out of that; `salvaged`: rows as the events that made them
//! * [`error`]: what can go wrong

mod apply;
pub mod chain;
mod change;
mod compare;
pub mod error;
pub mod event;
pub mod files;
mod inspect;
mod kept;
mod kept_files;
mod lock;
pub mod log;
pub mod migrate;
pub mod misfit;
pub mod montages;
pub mod random;
mod reading;
pub mod rebuild;
pub mod recordings;
pub mod replay;
pub mod rescue;
mod salvaged;
mod schema;
mod secret;
pub mod session;
pub mod tests;
pub mod versions;

pub use chain::ChainState;
pub use error::StoreError;
pub use lock::RecordersLock;
pub use log::LogEntry;
pub use secret::KeptKey;
pub use session::Session;
