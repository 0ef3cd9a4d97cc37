//! Sentences, plots, wiring drawings, the page: numbers in, text out; touches no file.
//!
//! * [`sentence`]: the verdict in one sentence, with its evidence and its limits

pub mod sentence;
