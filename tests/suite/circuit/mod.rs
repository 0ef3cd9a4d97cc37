//! Wirings, loads, meters, drives: published examples, ngspice values, invariants.

mod cases;
mod commands;
mod edges;
mod gate;
mod handbook;
mod invariants;
mod same;

pub(crate) use commands::SHEET;
