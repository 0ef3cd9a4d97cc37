//! Draws, commitments, methods.

mod draws;
mod service;
