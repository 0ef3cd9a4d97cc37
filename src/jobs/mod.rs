//! One file per thing a person asks for. Jobs introduce the rooms to each other and return values; they print nothing.

pub mod error;

pub use error::JobError;
