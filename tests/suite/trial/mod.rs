//! Draws, commitments, methods.

mod claims;
mod crossed;
mod draws;
mod glances;
mod preference;
mod service;
mod watched;
