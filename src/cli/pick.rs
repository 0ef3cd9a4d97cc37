//! Choosing by numbers on a terminal: one of a few ways on, or one of the sessions that lie at hand.

use super::ask;
use super::recent;
use super::shell::Shell;
use crate::capture::sessions::{SessionEntry, entry, near};
use crate::model::failure::Failure;
use crate::report::text::count;
use std::path::{Path, PathBuf};

/// So many sessions are offered.
const OFFERED: usize = 9;

/// Asks for one of the lines by its number; Enter is the first. None when the input ends.
pub(crate) fn one_of(shell: &mut Shell, lines: &[String]) -> Result<Option<usize>, Failure> {
    for (n, line) in lines.iter().enumerate() {
        shell.say(&format!("  {}  {line}", n + 1));
    }
    shell.flush();
    loop {
        let Some(answer) = ask::answer("Number, or Enter for 1: ")? else { return Ok(None) };
        match answer.parse::<usize>() {
            _ if answer.is_empty() => return Ok(Some(0)),
            Ok(n) if (1..=lines.len()).contains(&n) => return Ok(Some(n - 1)),
            _ => shell.say(&format!("Type a number from 1 to {}; Ctrl-C ends.", lines.len())),
        }
    }
}

/// The sessions that were opened last, then those near the current folder.
pub(crate) fn at_hand() -> Vec<PathBuf> {
    let mut found = recent::sessions();
    for folder in near(Path::new(".")) {
        // The same session by another way to it is offered once.
        let Ok(whole) = folder.canonicalize() else { continue };
        if !found.contains(&whole) {
            found.push(whole);
        }
    }
    found.truncate(OFFERED);
    let here = std::env::current_dir().unwrap_or_default();
    let short = |p: PathBuf| p.strip_prefix(&here).ok().filter(|s| !s.as_os_str().is_empty()).map(Path::to_owned).unwrap_or(p);
    found.into_iter().map(short).collect()
}

/// Asks for one of the sessions or for another folder; where it is meant so, for a new one too. None when the input ends.
pub(crate) fn session(shell: &mut Shell, found: &[PathBuf], or_new: bool) -> Result<Option<PathBuf>, Failure> {
    let mut lines: Vec<String> = found.iter().map(|f| described(&entry(f))).collect();
    if or_new {
        lines.push("a new session".to_owned());
    }
    lines.push("another folder".to_owned());
    let Some(chosen) = one_of(shell, &lines)? else { return Ok(None) };
    match found.get(chosen) {
        Some(folder) => Ok(Some(folder.clone())),
        None if or_new && chosen == found.len() => new_folder(shell),
        None => folder_of_session(shell),
    }
}

/// Asks for a folder that is not there yet, or is empty. None when the input ends.
pub(crate) fn new_folder(shell: &mut Shell) -> Result<Option<PathBuf>, Failure> {
    let free = |folder: &Path| !folder.exists() || std::fs::read_dir(folder).is_ok_and(|mut f| f.next().is_none());
    let names = std::iter::once("evening".to_owned()).chain((2..).map(|n| format!("evening-{n}")));
    let proposed = names.take(1000).find(|n| free(Path::new(n))).unwrap_or_default();
    loop {
        let Some(answer) = ask::answer(&format!("Folder of the new session, or Enter for {proposed}: "))? else {
            return Ok(None);
        };
        let folder = if answer.is_empty() { PathBuf::from(&proposed) } else { path(&answer) };
        if free(&folder) {
            return Ok(Some(folder));
        }
        shell.say(&format!("{} holds something already; nothing is ever written over. Name a new folder.", folder.display()));
    }
}

/// Asks for a session's folder until it is one.
fn folder_of_session(shell: &mut Shell) -> Result<Option<PathBuf>, Failure> {
    loop {
        let Some(answer) = ask::answer("The session's folder: ")? else { return Ok(None) };
        let folder = path(&answer);
        if folder.join("session.db").is_file() {
            return Ok(Some(folder));
        }
        shell.say(&match answer.as_str() {
            "" => "Type the folder's name; Ctrl-C ends.".to_owned(),
            _ => format!("{} holds no session.", folder.display()),
        });
    }
}

fn described(s: &SessionEntry) -> String {
    let state = match (&s.next, &s.problem) {
        (_, Some(problem)) => format!("cannot be read: {problem}"),
        (Some(next), _) => format!("{}; next: {}", count(s.takes, "take", "takes"), next.what),
        _ => count(s.takes, "take", "takes"),
    };
    format!("{}  ({state})", s.session)
}

/// A path as it was typed, or dropped by a file manager: in quotes, with backslashes before spaces, with `~` for the home folder.
pub(crate) fn path(typed: &str) -> PathBuf {
    let typed = typed.trim();
    let quoted = |q: char| typed.strip_prefix(q).and_then(|t| t.strip_suffix(q));
    let bare = quoted('\'').or_else(|| quoted('"'));
    // A name may hold a backslash of its own.
    let text = match bare {
        Some(inside) => inside.to_owned(),
        None if cfg!(unix) && !Path::new(typed).exists() => typed.replace("\\ ", " "),
        None => typed.to_owned(),
    };
    let home = std::env::var_os("HOME").filter(|h| !h.is_empty());
    match (text.strip_prefix("~/"), home) {
        (Some(rest), Some(home)) if bare.is_none() => PathBuf::from(home).join(rest),
        _ => PathBuf::from(text),
    }
}
