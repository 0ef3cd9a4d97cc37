//! `cabjury` alone on a terminal: a few questions instead of the help.

use super::fresh;
use super::pick;
use super::recent;
use super::shell::{Outcome, Shell};
use super::{demo, desk, status};
use crate::model::failure::Failure;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// True when nothing was typed behind the program's name, and somebody is there to be asked.
pub(super) fn meant(args: &[std::ffi::OsString]) -> bool {
    args.len() == 1 && std::io::stdin().is_terminal() && std::io::stdout().is_terminal() && std::io::stderr().is_terminal()
}

/// Asks what to do, and does it.
pub(super) fn run(shell: &mut Shell) -> Result<Outcome, Failure> {
    let found = pick::at_hand();
    shell.say(&shell.strong("cabjury: blind listening for guitar cab wiring"));
    shell.say("Ctrl-C ends, here and at every question. All commands: cabjury --help");
    shell.say("");
    let open = match found.first() {
        Some(last) => format!("open a session; the last one: {}", last.display()),
        None => "open a session".to_owned(),
    };
    let lines = [
        "begin a new session, from two recordings or a folder of them".to_owned(),
        open,
        "see the demo: an invented shootout, from rig to report".to_owned(),
        "work in the browser: the desk".to_owned(),
    ];
    match pick::one_of(shell, &lines)? {
        None => Ok(left(shell)),
        Some(0) => begin(shell),
        Some(1) => open_one(shell, &found),
        Some(2) => {
            let args = demo::Args { folder: None, seed: demo::SEED };
            demo::run(&args, shell)
        }
        Some(_) => desk::run(&desk::Args { browser: true, ..desk::Args::default() }, shell),
    }
}

/// The input ended at a question: nothing was wrong, and nothing is done.
fn left(shell: &mut Shell) -> Outcome {
    shell.say("\nNothing was done.");
    Outcome::Done
}

fn begin(shell: &mut Shell) -> Result<Outcome, Failure> {
    match fresh::session(shell)? {
        fresh::Begun::Left => Ok(left(shell)),
        fresh::Begun::Not(outcome) => Ok(outcome),
        fresh::Begun::Session(folder) => {
            recent::remember(&folder);
            go_on(shell, &folder)
        }
    }
}

fn open_one(shell: &mut Shell, found: &[PathBuf]) -> Result<Outcome, Failure> {
    let Some(folder) = pick::session(shell, found, false)? else { return Ok(left(shell)) };
    let stands = status::run(&status::Args { folder: folder.clone() }, shell)?;
    recent::remember(&folder);
    if stands != Outcome::Done {
        return Ok(stands);
    }
    go_on(shell, &folder)
}

/// In the browser, or by the command that was just named.
fn go_on(shell: &mut Shell, folder: &Path) -> Result<Outcome, Failure> {
    shell.say("");
    let lines = ["go on in the browser".to_owned(), "leave; go on here with the command above".to_owned()];
    match pick::one_of(shell, &lines)? {
        Some(0) => desk::run(&desk::Args { folder: Some(folder.to_owned()), browser: true, ..desk::Args::default() }, shell),
        _ => Ok(Outcome::Done),
    }
}
