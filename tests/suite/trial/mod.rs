//! Draws, commitments, methods.

mod claims;
mod crossed;
pub(crate) mod draws;
mod glances;
pub(crate) mod plans;
mod preference;
mod service;
mod watched;
