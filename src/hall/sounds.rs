//! Where sounds are kept: a folder that a web server serves. Another store stands behind the same trait.

use super::HallError;
use super::key::Id;
use crate::model::digest::hex;
use crate::sound::write::write_new;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// All sounds bear this time (2000-01-01): a web server tells a file's time, and the order of writing could tell the clips.
const ONE_TIME: Duration = Duration::from_secs(946_684_800);

/// A place for sounds that never change.
pub(super) trait SoundStore: Sync {
    /// Keeps a sound under its name, for ever.
    fn put(&self, name: &Id, wav: &[u8]) -> Result<(), HallError>;
}

/// The file's name of a sound.
pub(super) fn file_name(name: &Id) -> String {
    format!("{}.wav", hex(name))
}

/// A folder.
pub(super) struct Folder(PathBuf);

impl Folder {
    /// The folder, made if it is not there.
    pub(super) fn at(path: &Path) -> Result<Self, HallError> {
        std::fs::create_dir_all(path).map_err(|e| HallError::Store(format!("{}: {e}", path.display())))?;
        Ok(Self(path.to_owned()))
    }
}

impl SoundStore for Folder {
    fn put(&self, name: &Id, wav: &[u8]) -> Result<(), HallError> {
        let path = self.0.join(file_name(name));
        let failed = |e: &dyn std::fmt::Display| HallError::Store(format!("{}: {e}", path.display()));
        write_new(&path, wav).map_err(|e| failed(&e))?;
        let file = std::fs::File::options().write(true).open(&path).map_err(|e| failed(&e))?;
        file.set_modified(SystemTime::UNIX_EPOCH + ONE_TIME).map_err(|e| failed(&e))
    }
}
