//! `completions`: shell completions, generated from the command line's own description.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use clap::CommandFactory;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury completions bash > ~/.local/share/bash-completion/completions/cabjury";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The shell.
    pub(crate) shell: clap_complete::Shell,
}

/// Prints the completions.
#[expect(clippy::unnecessary_wraps, reason = "every command has the same form")]
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut super::Cli::command(), "cabjury", &mut text);
    shell.put(&String::from_utf8_lossy(&text));
    Ok(Outcome::Done)
}
