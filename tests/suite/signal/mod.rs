//! Loudness, alignment, matching, faults: check values and standards.

mod alignment;
mod cases;
mod edges;
mod excerpts;
mod faults;
mod levels;
mod library;
mod program;
mod properties;
mod recipe;
mod respond;
mod standards;
