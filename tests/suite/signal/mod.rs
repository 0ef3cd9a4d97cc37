//! Loudness, alignment, matching, faults: check values and standards.

mod alignment;
mod cases;
mod edges;
mod faults;
mod library;
mod program;
mod properties;
mod recipe;
mod respond;
mod standards;
