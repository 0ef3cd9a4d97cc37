#![doc = include_str!("../README.md")]

pub mod circuit;
pub mod cli;
pub mod jobs;
pub mod model;
pub mod report;
pub mod signal;
pub mod sound;
pub mod stats;
pub mod store;
pub mod trial;
pub mod units;
pub mod web;
