//! `status`: what is done, the next step, and its command.

use super::shell::{Outcome, Shell};
use crate::capture::session::status;
use crate::model::failure::Failure;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury status evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
}

/// Prints what is done and what comes next.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = status(&args.folder)?;
    shell.say(&shell.strong(doc.title.as_deref().unwrap_or(&doc.session)));
    let width = doc.done.iter().map(|d| d.what.chars().count()).max().unwrap_or(0);
    for line in &doc.done {
        shell.say(&format!("  {:width$}  {}", line.what, line.state));
    }
    shell.say(&format!("next: {}\n  {}", doc.next.what, doc.next.command));
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}
