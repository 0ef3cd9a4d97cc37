//! `names`: what a session's setups, mics, takes, tests are called, for the shells' completions. Not in the help: nobody types it.

use super::shell::{Outcome, Shell};
use crate::capture::sessions::{Kind, names};
use crate::model::failure::Failure;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury names setups evening";

/// Whose names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum KindArg {
    /// Setups.
    Setups,
    /// Mics and blends.
    Mics,
    /// Takes in use.
    Takes,
    /// Sealed tests.
    Tests,
}

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Whose names.
    pub(crate) kind: KindArg,
    /// The session's folder.
    #[arg(default_value = ".")]
    pub(crate) root: PathBuf,
}

/// Prints them, one a line; nothing where there is no session.
#[expect(clippy::unnecessary_wraps, reason = "every command has the same form")]
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    // A completion never speaks: without a session there is nothing to complete.
    let kind = match args.kind {
        KindArg::Setups => Kind::Setups,
        KindArg::Mics => Kind::Mics,
        KindArg::Takes => Kind::Takes,
        KindArg::Tests => Kind::Tests,
    };
    for name in names(&args.root, kind).unwrap_or_default() {
        shell.put(&name);
    }
    Ok(Outcome::Done)
}
