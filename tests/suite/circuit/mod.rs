//! Wirings, loads, meters, drives: published examples, ngspice values, invariants.

mod cases;
mod commands;
mod edges;
mod handbook;
mod invariants;
mod same;
