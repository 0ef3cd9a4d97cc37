//! Exact tests, intervals, d-prime, power, evidence, panels: check values and published tables.

mod cases;
mod properties;
mod tables;
