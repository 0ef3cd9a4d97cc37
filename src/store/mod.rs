//! The session's folder and file: migrations, records, the append-only chained log.
//!
//! * [`session`]: opening, locking, healing
//! * [`event`]: every kind of event, written and read in one file
//! * `change`: the one way in which anything is changed
//! * `apply`: what an event does to the tables, when it happens and in a replay
//! * [`replay`]: the log as fresh tables, and the tables held against them
//! * `compare`, `schema`: rows, and the tables themselves, held against what they should be
//! * `reading`: records, counts, notes
//! * [`migrate`]: numbered SQL files, newer schemas refused untouched
//! * [`recordings`]: takes, matching runs, clips, meter readings
//! * [`tests`]: sealed tests, listeners, trials, invitations
//! * [`montages`]: blind montages with their keys, counts of answers
//! * `lock`: the writers' lock
//! * [`log`]: the chain
//! * [`files`]: read-only copies that nothing overwrites
//! * [`rescue`]: what can still be read of a damaged file
//! * [`error`]: what can go wrong

mod apply;
mod change;
mod compare;
pub mod error;
pub mod event;
pub mod files;
mod lock;
pub mod log;
pub mod migrate;
pub mod montages;
pub mod random;
mod reading;
pub mod recordings;
pub mod replay;
pub mod rescue;
mod schema;
pub mod session;
pub mod tests;

pub use error::StoreError;
pub use log::{ChainState, LogEntry};
pub use session::Session;
