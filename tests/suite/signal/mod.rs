//! Loudness, alignment, matching, faults: check values and standards.

mod cases;
mod library;
mod recipe;
mod respond;
mod standards;
