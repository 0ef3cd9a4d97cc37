//! A new session by questions: its folder, then recordings one by one or a folder of them.

use super::ask;
use super::pick::{self, path};
use super::shell::{Outcome, Shell};
use super::values::NamedFile;
use super::{new, take};
use crate::capture::pattern::recordings;
use crate::capture::session::new as make;
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::SystemClock;
use crate::model::rig::{Rig, Setup};
use crate::report::text::count;
use std::path::{Path, PathBuf};

/// What came of the questions.
pub(super) enum Begun {
    /// The input ended; nothing was made.
    Left,
    /// The session lies there.
    Session(PathBuf),
    /// The recordings were not fit, or a load must not be connected; all was said.
    Not(Outcome),
}

/// The recordings: files with their setups, or a folder with the setups that its names tell.
enum Given {
    Files(Vec<NamedFile>),
    Folder(PathBuf, Vec<SetupName>),
}

/// Asks for everything that a session needs to begin, and makes it.
pub(super) fn session(shell: &mut Shell) -> Result<Begun, Failure> {
    let Some(folder) = pick::new_folder(shell)? else { return Ok(Begun::Left) };
    shell.say("Which recordings? One of each setup is enough, all of the same DI. A folder's name takes all in it.");
    let Some(given) = recordings_given(shell)? else { return Ok(Begun::Left) };
    let made = match given {
        Given::Files(named) => of_files(shell, &folder, named)?,
        Given::Folder(dir, setups) => of_folder(shell, &folder, &dir, setups)?,
    };
    Ok(if made == Outcome::Done { Begun::Session(folder) } else { Begun::Not(made) })
}

fn of_files(shell: &mut Shell, folder: &Path, named: Vec<NamedFile>) -> Result<Outcome, Failure> {
    let words: Vec<String> = named.iter().map(|n| format!("{}={}", n.setup, quoted(&n.file))).collect();
    shell.say("");
    shell.say(&format!("The same by one command:\n  cabjury new {} {}", quoted(folder), words.join(" ")));
    shell.say("");
    new::run(&new::Args { folder: folder.to_owned(), title: None, sheet: None, recordings: named }, shell)
}

/// A session of those setups first, then all recordings by their names: the setups were agreed to.
fn of_folder(shell: &mut Shell, folder: &Path, dir: &Path, setups: Vec<SetupName>) -> Result<Outcome, Failure> {
    let named = |name| Setup { name, wiring: None, tap_ohm: None };
    let rig = Rig { setups: setups.into_iter().map(named).collect(), ..Rig::default() };
    make(folder, None, Some(rig), &[], &SystemClock, &shell.progress())?;
    let done = take::run(&take::Args::of_folder(folder, dir), shell)?;
    shell.say(&format!("More of them later:\n  cabjury take {} {}", quoted(folder), quoted(dir)));
    Ok(done)
}

/// Asks until there are two files or more, or a folder. None when the input ends.
fn recordings_given(shell: &mut Shell) -> Result<Option<Given>, Failure> {
    let mut named: Vec<NamedFile> = Vec::new();
    loop {
        let question = match named.len() {
            0 => "First recording, or a folder: ",
            1 => "Second recording: ",
            _ => "One more, or Enter when these are all: ",
        };
        let Some(answer) = ask::answer(question)? else { return Ok(None) };
        let file = path(&answer);
        if answer.is_empty() && named.len() >= 2 {
            return Ok(Some(Given::Files(named)));
        } else if answer.is_empty() {
            shell.say("Type a file's name; a comparison needs two.");
        } else if file.is_dir() {
            if let Some(setups) = setups_in(shell, &file)? {
                return Ok(Some(Given::Folder(file, setups)));
            }
        } else if !file.is_file() {
            shell.say(&format!("There is no file {}.", file.display()));
        } else if named.iter().any(|n| n.file == file) {
            shell.say("That one is named already.");
        } else {
            let Some(setup) = setup_of(shell, &file, &named)? else { return Ok(None) };
            named.push(NamedFile { setup, file });
        }
    }
}

/// Asks what a recording's setup is called; its file's name is proposed.
fn setup_of(shell: &mut Shell, file: &Path, named: &[NamedFile]) -> Result<Option<SetupName>, Failure> {
    let taken = |name: &SetupName| named.iter().any(|n| n.setup == *name);
    let proposed = from_name(file).filter(|n| !taken(n));
    let offer = proposed.as_ref().map_or_else(String::new, |p| format!(", or Enter for {p}"));
    loop {
        let Some(answer) = ask::answer(&format!("  Its setup{offer}: "))? else { return Ok(None) };
        let name = match &proposed {
            Some(proposed) if answer.is_empty() => Ok(proposed.clone()),
            _ => SetupName::new(&answer),
        };
        match name {
            Ok(name) if taken(&name) => shell.say(&format!("{name} has a recording already; give this one another name.")),
            Ok(name) => return Ok(Some(name)),
            Err(error) => shell.say(&error.to_string()),
        }
    }
}

/// A file's name without its ending and without the number of its take.
fn from_name(file: &Path) -> Option<SetupName> {
    let stem = file.file_stem()?.to_str()?;
    let bare = stem.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end_matches(['-', '_', ' ', '.']);
    SetupName::new(if bare.is_empty() || bare == stem { stem } else { bare }).ok()
}

/// The setups that the names of a folder's recordings tell; none when they do not tell, or it is not meant so.
fn setups_in(shell: &mut Shell, dir: &Path) -> Result<Option<Vec<SetupName>>, Failure> {
    let files = recordings(dir)?;
    let mut setups: Vec<(SetupName, usize)> = Vec::new();
    for name in files.iter().filter_map(|f| from_name(f)) {
        match setups.iter_mut().find(|(n, _)| *n == name) {
            Some((_, takes)) => *takes += 1,
            None => setups.push((name, 1)),
        }
    }
    if setups.len() < 2 {
        shell.say(&format!("The names in {} tell no two setups apart.", dir.display()));
        shell.say("Name the files after their setups, as in series-1.wav and parallel-1.wav, or type them one by one.");
        return Ok(None);
    }
    shell.say(&format!("{} in {}, by their names:", count(files.len(), "recording", "recordings"), dir.display()));
    for (name, takes) in &setups {
        shell.say(&format!("  {name}: {}", count(*takes, "take", "takes")));
    }
    shell.flush();
    if ask::yes("Are these the setups?")? {
        return Ok(Some(setups.into_iter().map(|(name, _)| name).collect()));
    }
    shell.say("Type them one by one then; several mics need a rig sheet first: cabjury sheet --help");
    Ok(None)
}
