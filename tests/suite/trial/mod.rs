//! Draws, commitments, methods.

mod claims;
pub(crate) mod draws;
mod glances;
pub(crate) mod plans;
mod preference;
mod service;
mod watched;
