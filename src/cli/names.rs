//! `names`: what a session's setups, mics, takes, tests are called, for the shells' completions. Not in the help: nobody types it.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::store::Session;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury names setups evening";

/// Whose names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Kind {
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
    pub(crate) kind: Kind,
    /// The session's folder.
    #[arg(default_value = ".")]
    pub(crate) root: PathBuf,
}

/// Prints them, one a line; nothing where there is no session.
#[expect(clippy::unnecessary_wraps, reason = "every command has the same form")]
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    // A completion never speaks: without a session there is nothing to complete.
    for name in names(args).unwrap_or_default() {
        shell.put(&name);
    }
    Ok(Outcome::Done)
}

fn names(args: &Args) -> Result<Vec<String>, Failure> {
    let session = Session::open_read(&args.root)?;
    let rig = session.rig()?;
    Ok(match args.kind {
        Kind::Setups => rig.setups.iter().map(|s| s.name.to_string()).collect(),
        Kind::Mics => rig.mics.iter().map(|m| m.name.to_string()).chain(rig.blends.iter().map(|b| b.name.to_string())).collect(),
        Kind::Takes => session.takes()?.iter().filter(|t| t.withdrawn.is_none()).map(|t| t.id.to_string()).collect(),
        Kind::Tests => session.tests()?.iter().map(|t| t.plan.test.to_string()).collect(),
    })
}
