//! Draws, commitments, methods.

mod claims;
pub(crate) mod draws;
mod glances;
mod preference;
mod service;
mod watched;
