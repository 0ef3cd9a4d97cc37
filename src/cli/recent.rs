//! The sessions that were opened last: `cabjury/recent` below the state folder (XDG Base Directory Specification: `$XDG_STATE_HOME`, else
//! `~/.local/state`). One path a line, the newest first, for the owner alone, and only of sessions that somebody opened at a terminal.

use super::defaults;
use crate::capture::remembered::user_folder;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

/// So many paths are kept.
const KEPT: usize = 20;

/// The file's place; none where the system names no home.
fn place() -> Option<PathBuf> {
    Some(user_folder("XDG_STATE_HOME", ".local/state")?.join("recent"))
}

fn written(place: &Path) -> Vec<PathBuf> {
    // A list that cannot be read offers nothing: every session can still be named.
    let text = std::fs::read_to_string(place).unwrap_or_default();
    text.lines().map(PathBuf::from).filter(|p| p.is_absolute()).collect()
}

/// The sessions that were opened last and are still there.
pub(crate) fn sessions() -> Vec<PathBuf> {
    place().map(|p| written(&p)).unwrap_or_default().into_iter().filter(|p| p.join("session.db").is_file()).collect()
}

/// Puts a session first, where somebody sits at a terminal and the defaults file does not say `recent = false`.
pub(crate) fn remember(folder: &Path) {
    let wanted = || defaults::read().is_ok_and(|d| d.recent.unwrap_or(true));
    if !std::io::stdin().is_terminal() || !std::io::stdout().is_terminal() || !wanted() {
        return;
    }
    let (Some(place), Ok(path)) = (place(), folder.canonicalize()) else { return };
    // One path a line: a name that breaks lines, or is no text, cannot stand in the list.
    if !path.join("session.db").is_file() || path.to_str().is_none_or(|text| text.contains(['\n', '\r'])) {
        return;
    }
    let mut paths = written(&place);
    paths.retain(|p| *p != path);
    paths.insert(0, path);
    paths.truncate(KEPT);
    // Nothing depends on the list: the command that it would be written for has done its work all the same.
    let _ = write(&place, &paths);
}

fn write(place: &Path, paths: &[PathBuf]) -> std::io::Result<()> {
    let folder = place.parent().unwrap_or(place);
    make_folder(folder)?;
    let beside = folder.join(format!("recent.{}", std::process::id()));
    let mut file = own_file(&beside)?;
    let text: String = paths.iter().map(|p| format!("{}\n", p.display())).collect();
    file.write_all(text.as_bytes()).and_then(|()| std::fs::rename(&beside, place)).inspect_err(|_| {
        let _ = std::fs::remove_file(&beside);
    })
}

#[cfg(unix)]
fn make_folder(folder: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::DirBuilderExt;
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)
}

#[cfg(not(unix))]
fn make_folder(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)
}

/// A new file for its owner alone; a link that lies there is not followed.
fn own_file(path: &Path) -> std::io::Result<std::fs::File> {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}
