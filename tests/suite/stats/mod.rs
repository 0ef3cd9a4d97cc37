//! Exact tests, intervals, d-prime, power, evidence, panels: check values and published tables.

pub mod cases;
mod edges;
mod program;
mod properties;
mod standing;
mod tables;
mod verdicts;
