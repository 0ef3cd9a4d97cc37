//! Draws, commitments, methods.

mod claims;
mod draws;
mod preference;
mod service;
mod watched;
