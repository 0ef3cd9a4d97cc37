//! The one integration binary: one module per topic, so that it links once.
#![allow(
    clippy::allow_attributes,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::too_many_lines,
    clippy::float_cmp,
    reason = "in a test a failed expectation is the point, and exact values are compared on purpose"
)]

/// Counts allocations where a test forbids them (the audio thread).
#[global_allocator]
static ALLOCATIONS: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;

/// Wirings, loads, meters, drives: published examples, ngspice values, invariants.
mod circuit;
/// The program as a person runs it: exit codes, help, documents.
mod cli;
/// What happens when something outside goes wrong.
mod faults;
/// The rooms import only what the table in DEVELOPERS.md allows.
mod floors;
/// The fuzzer's corpora.
mod fuzzed;
/// Texts that people see, kept as files.
mod golden;
/// The audience's server against a real PostgreSQL.
#[cfg(feature = "hall")]
mod hall;
/// One evening's work from recordings to verdict.
mod journey;
/// Sound to test with.
mod material;
/// The player through the silent device and ALSA's file capture.
mod player;
/// Runs the built program in a folder of its own.
mod program;
/// What leaves the room: montages, votes, bundles.
mod publish;
/// The tool plays the DI and records every mic itself.
mod record;
/// Pages, plots, sentences.
mod report;
/// Loudness, alignment, matching, faults: check values and standards.
mod signal;
/// Audio files of every kind, good and bad.
mod sound;
/// Exact tests, intervals, d-prime, panels, preference: check values and published tables.
mod stats;
/// Session folder, migrations, log chain.
mod store;
/// Licences, compiler, package.
mod supply;
/// Draws, commitments, methods.
mod trial;
/// A session with real clips and a sealed test.
mod trial_support;
/// The desk and the listening page, without a socket.
mod web;
/// What somebody outside vouches for.
#[cfg(feature = "timestamps")]
mod witness;
