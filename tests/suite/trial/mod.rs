//! Draws, commitments, methods.

mod draws;
mod preference;
mod service;
