//! The hall: a blind test for an audience of thousands.
//!
//! PostgreSQL keeps what must not be lost, any web server carries the sound, and any number of replicas between them hold nothing.
//!
//! * `key`: the hall's key, visitors' codes, the engineer's key; `error`: what can go wrong
//! * `database`: connections with a deadline, migrations; `records`: every statement that is sent to it
//! * `sounds`: where sounds are kept; [`publish`](mod@publish): a sealed test goes out
//! * `visit`: a visitor's trials: the desk's draw, seat and receipt, with nothing kept in memory
//! * `serve`: one replica; `house`: what its requests use; `answers`: the visitors' addresses; `pages`: what people see;
//!   `guard` and `limits`: what stands before them; `metrics`: counters
//! * [`running`]: close, status; [`collect`](mod@collect): trials with opened orders into the session

mod answers;
pub mod collect;
mod database;
mod error;
pub mod guard;
mod house;
mod key;
mod limits;
mod metrics;
mod pages;
pub mod publish;
mod records;
pub mod running;
mod serve;
mod sounds;
mod visit;

pub use error::HallError;
pub use house::Log;
pub use key::{ENV_DATABASE, ENV_KEY, HallKey};
pub use serve::{Options, Ready, serve};

use crate::model::failure::Failure;

/// Runs a command's work on the database to its end.
fn waited<T>(work: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|e| HallError::Start(e.to_string()))?;
    runtime.block_on(work)
}
