//! Draws, commitments, methods.

mod claims;
mod crossed;
pub(crate) mod draws;
mod glances;
mod preference;
mod service;
mod watched;
