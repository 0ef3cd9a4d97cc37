//! `sessions`: which sessions lie under a folder.

use super::shell::{Outcome, Shell};
use crate::capture::sessions::sessions;
use crate::model::failure::Failure;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury sessions

On a terminal, cabjury alone asks what to do, and offers the sessions that you opened last.
Their paths, and nothing else, are kept in $XDG_STATE_HOME/cabjury/recent (else in
~/.local/state/cabjury/recent), readable by you only; a folder that is gone is not offered.
recent = false in $XDG_CONFIG_HOME/cabjury/defaults.toml (else ~/.config) keeps no list.";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The folder to look through; default the one you are in.
    #[arg(value_name = "FOLDER", default_value = ".")]
    pub(crate) root: PathBuf,
}

/// Lists the sessions.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = sessions(&args.root)?;
    if doc.sessions.is_empty() {
        shell.say(&format!("no session lies under {}; make one with: cabjury new FOLDER", args.root.display()));
    }
    for s in &doc.sessions {
        let title = s.title.as_ref().filter(|t| !s.session.ends_with(t.as_str())).map_or_else(String::new, |t| format!(", {t}"));
        shell.say(&format!("{}{title}", shell.strong(&s.session)));
        if let Some(next) = &s.next {
            shell.say(&format!("  {}; next: {}", count(s.takes, "take", "takes"), next.what));
        }
        if let Some(problem) = &s.problem {
            shell.say(&format!("  cannot be read: {problem}"));
        }
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
