//! What was worked out of recordings once is not worked out again: it is kept in the user's own cache under everything that it depends on.
//!
//! `$XDG_CACHE_HOME/cabjury`, else `~/.cache/cabjury` (XDG Base Directory Specification). The key holds the records of all takes, the
//! hashes of their recordings among them, and the program itself: another file, another setup or another build is another key. Nothing is lost
//! with the folder, and nothing in it is trusted further than its own key: what cannot be read is worked out anew.

use crate::model::digest::Sha256Hex;
use crate::model::failure::Failure;
use crate::model::session::Take;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

/// So many results are kept; the oldest make room.
const KEPT: usize = 200;

/// What a result depends on.
pub(crate) struct Of {
    key: Option<String>,
}

impl Of {
    /// A session's takes, whose files were found to have the bytes that were recorded.
    pub(crate) fn verified(takes: &[Take]) -> Self {
        let of = serde_json::to_string(takes).ok();
        let key = of.zip(program()).map(|(of, program)| Sha256Hex::of(format!("{program}\n{of}").as_bytes()).to_string());
        Self { key }
    }

    /// A result of that name: as it was kept, else by working it out.
    ///
    /// # Errors
    /// Those of the work.
    pub(crate) fn or<T: Serialize + DeserializeOwned>(
        &self,
        what: &str,
        work: impl FnOnce() -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let path = folder().zip(self.key.as_ref()).map(|(f, key)| f.join(format!("{what}-{key}.json")));
        let Some(path) = path else { return work() };
        if let Some(kept) = std::fs::read(&path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()) {
            return Ok(kept);
        }
        let found = work()?;
        // A cache that cannot be written costs time alone.
        let _ = keep(&path, &found);
        Ok(found)
    }
}

fn folder() -> Option<PathBuf> {
    user_folder("XDG_CACHE_HOME", ".cache")
}

/// The program's own folder below one of the user's (XDG Base Directory Specification): a variable's, else one below the home. None where the
/// system names no home.
pub(crate) fn user_folder(variable: &str, below_home: &str) -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    // A relative path is to be passed over (the specification's word).
    let folder = set(variable).filter(|p| p.is_absolute()).or_else(|| Some(set("HOME")?.join(below_home)))?;
    Some(folder.join("cabjury"))
}

/// The program that works it out: a build that finds other numbers has another size or time.
fn program() -> Option<String> {
    let file = std::env::current_exe().and_then(std::fs::metadata).ok()?;
    let built = file.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
    Some(format!("{} {} {}", env!("CARGO_PKG_VERSION"), file.len(), built.as_nanos()))
}

fn keep<T: Serialize>(path: &Path, found: &T) -> std::io::Result<()> {
    let Some(folder) = path.parent() else { return Ok(()) };
    std::fs::create_dir_all(folder)?;
    let text = serde_json::to_vec(found)?;
    // Whole or not at all, also when two programs work out the same.
    let part = path.with_extension(format!("{}.part", std::process::id()));
    std::fs::write(&part, text)?;
    std::fs::rename(&part, path)?;
    make_room(folder)
}

fn make_room(folder: &Path) -> std::io::Result<()> {
    let mut all: Vec<_> = std::fs::read_dir(folder)?
        .flatten()
        .filter_map(|entry| Some((entry.metadata().ok()?.modified().ok()?, entry.path())))
        .collect();
    all.sort();
    all.iter().rev().skip(KEPT).try_for_each(|(_, path)| std::fs::remove_file(path))
}
