//! Draws, commitments, methods.

mod claims;
mod draws;
mod glances;
mod preference;
mod service;
mod watched;
