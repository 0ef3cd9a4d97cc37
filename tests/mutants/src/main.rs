//! Tries every mutant of some rooms: which change of the code does no test notice?
//!
//! cargo-mutants names the mutants and would build the crate anew for each, half a minute every time: two days for all. Here they are
//! written into one build, each behind a switch in the environment; every test is run once to learn which of them it reaches; then each
//! mutant is tried against the tests that reach it, the quickest first, until one fails.
//!
//! Usage, in the project's folder: `tests/long mutants [ROOM ...]`, rooms are circuit, signal, stats, trial. It needs cargo-mutants on the
//! PATH. What is known already is in `target/mutants/outcome.tsv`: it goes on there; delete the file to begin anew.
//! `CABJURY_MUTANTS_WITHIN=300` stops after so many minutes, `CABJURY_MUTANTS_ONLY=TEXT` tries those whose name contains the text,
//! `CABJURY_MUTANTS_AGAIN=1` tries once more what survived, `CABJURY_MUTANTS_TESTS="ONE OTHER"` asks only tests with such a name.
//! `CABJURY_MUTANTS_MOST=10` asks no tests that take longer than so many seconds together: a quick first round, before one of `AGAIN`.

mod build;
mod merge;
mod run;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let rooms: Vec<String> = std::env::args().skip(1).collect();
    let rooms = if rooms.is_empty() { ["circuit", "signal", "stats", "trial"].map(str::to_owned).to_vec() } else { rooms };
    let build = build::build()?;
    run::run(&build, &rooms)
}
