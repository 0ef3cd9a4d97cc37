//! Names, rights and durability of files: what every writer in the session's folder needs.

use super::error::StoreError;
use crate::model::digest::hex;
use std::fs::{self, File, OpenOptions};
use std::path::{Path, PathBuf};

pub(super) fn failed(path: &Path, doing: &'static str, source: std::io::Error) -> StoreError {
    StoreError::File { path: path.to_owned(), doing, source }
}

/// Makes a folder's new names durable. Where a folder cannot be opened for that (Windows), the system does it by itself.
pub(super) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    match File::open(folder) {
        Ok(open) => open.sync_all().map_err(|e| failed(folder, "syncing the folder", e)),
        Err(_) => Ok(()),
    }
}

/// True for a name that begins with the number of a process that is not running any more. Where processes cannot be looked up, none is.
#[must_use]
pub fn abandoned(name: &str) -> bool {
    let Some(pid) = name.split(['-', '.']).find_map(|part| part.parse::<u32>().ok()) else { return false };
    pid != std::process::id() && Path::new("/proc/self").exists() && !Path::new("/proc").join(pid.to_string()).exists()
}

/// True for names that a session's folders may hold: nothing that could be a path, a hidden file, or a name that some system treats
/// specially.
#[must_use]
pub fn plain_name(name: &str) -> bool {
    let fits =
        (1..=120).contains(&name.len()) && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_'));
    fits && !name.starts_with('.') && !name.ends_with('.')
}

/// Refuses a symbolic link: a session that comes from elsewhere could lead anywhere by it.
pub(super) fn no_link(path: &Path) -> Result<(), StoreError> {
    match fs::symlink_metadata(path) {
        Ok(found) if found.is_symlink() => {
            Err(StoreError::Untrusted { path: path.to_owned(), what: "it is a link to somewhere else".to_owned() })
        }
        _ => Ok(()),
    }
}

/// Makes an empty file that only its owner may read.
pub(super) fn create_private(path: &Path) -> Result<(), StoreError> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).map(|_| ()).map_err(|e| failed(path, "making it", e))
}

/// Takes everybody else's rights from a file. Where there are no such rights, there is nothing to do.
pub(super) fn make_private(path: &Path) -> Result<(), StoreError> {
    #[cfg(unix)]
    {
        let private = std::os::unix::fs::PermissionsExt::from_mode(0o600);
        fs::set_permissions(path, private).map_err(|e| failed(path, "making it private", e))?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

/// Gives a finished file its name.
pub(super) fn give_name(part: &Path, path: &Path) -> Result<(), StoreError> {
    fs::rename(part, path).map_err(|e| failed(path, "naming the copy", e))
}

/// A folder of this process alone, gone when it is dropped.
pub(super) struct PrivateFolder(PathBuf);

impl PrivateFolder {
    pub(super) fn new() -> Result<Self, StoreError> {
        let random = super::random::bytes().map_err(|source| StoreError::NoRandomness { source })?;
        let path = std::env::temp_dir().join(format!("cabjury-{}-{}", std::process::id(), hex(&random[..8])));
        let mut builder = fs::DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(&path).map_err(|e| failed(&path, "making a folder for a copy", e))?;
        Ok(Self(path))
    }

    pub(super) fn path(&self) -> &Path {
        &self.0
    }

    /// Copies a file into it, if there is one.
    pub(super) fn take(&self, source: &Path) -> Result<(), StoreError> {
        let Some(name) = source.file_name() else { return Ok(()) };
        // An empty one tells nothing, and may be another user's.
        if fs::metadata(source).is_ok_and(|m| m.len() == 0) {
            return Ok(());
        }
        let to = self.0.join(name);
        let copied = (|| {
            let mut from = File::open(source)?;
            std::io::copy(&mut from, &mut File::create(&to)?)
        })();
        match copied {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
            other => other.map(|_| ()).map_err(|e| failed(source, "reading", e)),
        }
    }
}

impl Drop for PrivateFolder {
    fn drop(&mut self) {
        // Best effort: it lies among the system's temporary files.
        let _ = fs::remove_dir_all(&self.0);
    }
}
