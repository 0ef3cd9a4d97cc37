//! The defaults file: what is the same every evening, `cabjury/defaults.toml` below the configuration folder (XDG Base Directory
//! Specification: `$XDG_CONFIG_HOME`, else `~/.config`).

use crate::capture::remembered::user_folder;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// What the file may say.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Defaults {
    /// The output device of `listen`.
    pub(crate) device: Option<String>,
    /// The trials of `plan`.
    pub(crate) trials: Option<u32>,
    /// The mic of `plan`.
    pub(crate) mic: Option<MicName>,
    /// False: no list of the sessions that were opened last is kept.
    pub(crate) recent: Option<bool>,
    /// Where all that comes from.
    #[serde(skip)]
    pub(crate) from: PathBuf,
}

/// The file's place; none where the system names no home.
fn place() -> Option<PathBuf> {
    Some(user_folder("XDG_CONFIG_HOME", ".config")?.join("defaults.toml"))
}

/// Reads the file; without one there are no defaults of your own.
///
/// # Errors
/// It cannot be read, or says what it cannot say.
pub(crate) fn read() -> Result<Defaults, Failure> {
    let Some(path) = place() else { return Ok(Defaults::default()) };
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if matches!(e.kind(), std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory) => {
            return Ok(Defaults::default());
        }
        // A home that may not be looked into is somebody else's: it says nothing about this person's defaults.
        Err(_) if path.parent().is_some_and(|folder| std::fs::read_dir(folder).is_err()) => return Ok(Defaults::default()),
        Err(e) => return Err(faulty(&path, &e)),
    };
    let defaults: Defaults = toml::from_str(&text).map_err(|e| faulty(&path, &e.message()))?;
    Ok(Defaults { from: path, ..defaults })
}

fn faulty(path: &Path, why: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be used: {why}", path.display());
    Failure::at_path(
        "faulty-defaults",
        Fate::Unfit,
        path,
        message,
        "it may say device = \"...\", trials = 20, mic = \"...\", recent = false; correct it or move it away",
    )
}
