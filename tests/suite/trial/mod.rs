//! Draws, commitments, methods.

mod claims;
mod crossed;
pub(crate) mod draws;
pub(crate) mod evening;
mod glances;
pub(crate) mod plans;
mod preference;
mod service;
mod verdicts;
mod watched;
mod wiped;
