//! The arguments as they were meant: FOLDER may be left out inside a session, and a list may have spaces behind its commas.

use crate::model::explain::quoted;
use clap::CommandFactory;
use std::ffi::{OsStr, OsString};
use std::path::PathBuf;

/// Options that take a list with commas.
const LISTS: [&str; 3] = ["--compare", "--controls", "--looks"];

/// The arguments as the parser shall see them.
pub(super) fn meant(args: Vec<OsString>) -> Vec<OsString> {
    let args = joined(args);
    match session_around() {
        Some(folder) => with_folder(args, &folder),
        None => args,
    }
}

/// `--compare s16, p4` is one list, though a shell makes two words of it.
fn joined(args: Vec<OsString>) -> Vec<OsString> {
    let mut out: Vec<OsString> = Vec::new();
    let mut list = false;
    for arg in args {
        let open = list && out.last().is_some_and(|last| ends_in_comma(last)) && !starts_with_dash(&arg);
        match out.last_mut() {
            Some(last) if open => last.push(arg),
            _ => {
                list = out.last().is_some_and(|l| LISTS.iter().any(|o| l == o))
                    || LISTS.iter().any(|o| begins(&arg, &format!("{o}=")));
                out.push(arg);
            }
        }
    }
    out
}

fn ends_in_comma(text: &OsStr) -> bool {
    text.as_encoded_bytes().ends_with(b",") && text.len() > 1
}

fn starts_with_dash(text: &OsStr) -> bool {
    text.as_encoded_bytes().starts_with(b"-")
}

fn begins(text: &OsStr, with: &str) -> bool {
    text.as_encoded_bytes().starts_with(with.as_bytes())
}

/// The session that the current folder is or lies in, as a short way to it.
fn session_around() -> Option<PathBuf> {
    let here = std::env::current_dir().ok()?;
    let up = here.ancestors().position(|folder| folder.join("session.db").is_file())?;
    Some(if up == 0 { PathBuf::from(".") } else { std::iter::repeat_n("..", up).collect() })
}

/// Puts the folder in where a command needs a session, none was named, and the line is whole with it.
fn with_folder(args: Vec<OsString>, folder: &std::path::Path) -> Vec<OsString> {
    let command = super::Cli::command();
    let Some(at) = command_place(&args) else { return args };
    let needs = |name: &OsStr| {
        let made = ["new", "demo", "unbundle"];
        let name = name.to_str().filter(|n| !made.contains(n))?;
        let first = command.find_subcommand(name)?.get_positionals().next()?.get_id() == "folder";
        first.then_some(())
    };
    if needs(&args[at]).is_none() || args.iter().any(|a| a == "-h" || a == "--help") {
        return args;
    }
    let named = command.clone().try_get_matches_from(&args).ok().and_then(|m| {
        let (_, sub) = m.subcommand()?;
        sub.try_get_one::<PathBuf>("folder").ok()?.cloned()
    });
    if named.is_some_and(|f| f.join("session.db").is_file()) {
        return args;
    }
    let mut with = args.clone();
    with.insert(at + 1, folder.as_os_str().to_owned());
    if command.try_get_matches_from(&with).is_ok() { with } else { args }
}

/// The session behind the command's name, and one that stands further on where none is in its place.
pub(super) fn sessions_in(args: &[OsString]) -> (Option<String>, Option<String>) {
    let Some(at) = command_place(args) else { return (None, None) };
    let session = |arg: &&OsString| std::path::Path::new(arg).join("session.db").is_file();
    let shown = |arg: &OsString| quoted(std::path::Path::new(arg));
    let mut behind = args[at + 1..].iter();
    match behind.next() {
        Some(first) if session(&first) => (Some(shown(first)), None),
        Some(_) => (None, behind.find(session).map(shown)),
        None => (None, None),
    }
}

/// The session that was typed behind the command's name.
pub(super) fn session_among(args: &[OsString]) -> Option<PathBuf> {
    let at = command_place(args)?;
    args[at + 1..].iter().map(PathBuf::from).find(|arg| arg.join("session.db").is_file())
}

/// Where the command's name stands.
fn command_place(args: &[OsString]) -> Option<usize> {
    let mut at = 1;
    while let Some(arg) = args.get(at) {
        if arg == "--color" {
            at += 1;
        } else if !starts_with_dash(arg) {
            return Some(at);
        }
        at += 1;
    }
    None
}
