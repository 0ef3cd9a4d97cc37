//! The session's folder and file: migrations, records, the append-only chained log.
//!
//! * [`session`]: opening, locking, healing, and the one way in which anything is changed
//! * [`migrate`]: numbered SQL files, newer schemas refused untouched
//! * [`recordings`]: takes, matching runs, clips, meter readings
//! * [`tests`]: sealed tests, listeners, trials, invitations
//! * [`montages`]: blind montages with their keys, counts of answers
//! * `lock`: the writers' lock
//! * [`log`]: the chain
//! * [`files`]: read-only copies that nothing overwrites
//! * [`rescue`]: what can still be read of a damaged file
//! * [`error`]: what can go wrong

pub mod error;
pub mod files;
mod lock;
pub mod log;
pub mod migrate;
pub mod montages;
pub mod random;
pub mod recordings;
pub mod rescue;
pub mod session;
pub mod tests;

pub use error::StoreError;
pub use log::{ChainState, LogEntry};
pub use session::Session;
