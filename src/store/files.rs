//! Read-only copies under the session's folder that nothing overwrites.

use super::error::StoreError;
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::bundle::{MANIFEST, Manifest};
use sha2::{Digest, Sha256};
use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

fn failed(path: &Path, doing: &'static str, source: std::io::Error) -> StoreError {
    StoreError::File { path: path.to_owned(), doing, source }
}

/// Makes a folder's new names durable. Where a folder cannot be opened for that (Windows), the system does it by itself.
pub(super) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    match File::open(folder) {
        Ok(open) => open.sync_all().map_err(|e| failed(folder, "syncing the folder", e)),
        Err(_) => Ok(()),
    }
}

impl Session {
    /// Copies a recording into `takes/`, read-only, under a name made of its hash and of what it was `called`, so that a lost database can be
    /// rebuilt by hand, and returns the path relative to the folder. If the very same bytes are there already (a copy whose record was never
    /// written), that file is used.
    ///
    /// # Errors
    /// [`StoreError::File`] when reading or writing fails; [`StoreError::NotAllowed`] when the bytes no longer have the hash (the file
    /// changed while it was being read).
    pub fn keep_recording(&self, source: &Path, sha256: &Sha256Hex, called: &str) -> Result<String, StoreError> {
        let extension = source
            .extension()
            .map(|e| e.to_string_lossy().to_ascii_lowercase())
            .filter(|e| e.len() <= 5 && e.chars().all(|c| c.is_ascii_alphanumeric()));
        let head = &sha256.as_str()[..24];
        let name = match plain_stem(called).as_str() {
            "" => format!("{head}.{}", extension.as_deref().unwrap_or("audio")),
            stem => format!("{head}-{stem}.{}", extension.as_deref().unwrap_or("audio")),
        };
        let folder = self.folder().join("takes");
        let (path, part) = (folder.join(&name), folder.join(format!(".{name}.part")));
        let relative = format!("takes/{name}");
        if path.exists() {
            return if hash(&path)? == *sha256 { Ok(relative) } else { Err(StoreError::FileTaken { path }) };
        }
        // A part file of a process that was killed: ours now, since the session is locked.
        let _ = fs::remove_file(&part);
        let copied = copy(source, &part)?;
        if copied != *sha256 {
            let _ = fs::remove_file(&part);
            let what = format!("{} changed while it was being read; nothing was kept", source.display());
            return Err(StoreError::NotAllowed { what });
        }
        let mut permissions = fs::metadata(&part).map_err(|e| failed(&part, "reading", e))?.permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&part, permissions).map_err(|e| failed(&part, "making it read-only", e))?;
        // Nothing has the name (checked above, and the session is locked): a rename cannot overwrite.
        fs::rename(&part, &path).map_err(|e| failed(&path, "naming the copy", e))?;
        sync_folder(&folder)?;
        Ok(relative)
    }

    /// Writes the records of one moment as a file of their own, without a journal beside it. The same records give the same bytes.
    ///
    /// # Errors
    /// [`StoreError::Database`] when reading or writing fails.
    pub fn copy_records(&self, to: &Path) -> Result<(), StoreError> {
        self.connection()
            .execute("VACUUM INTO ?1", [to.to_string_lossy().as_ref()])
            .map(|_| ())
            .map_err(|e| self.database("copying the records", e))
    }

    /// False in a copy that was shared for its numbers only: recordings and clips were left out, as its manifest says.
    #[must_use]
    pub fn has_audio(&self) -> bool {
        let manifest = fs::read(self.folder().join(MANIFEST)).ok();
        manifest.and_then(|bytes| serde_json::from_slice::<Manifest>(&bytes).ok()).is_none_or(|m| m.audio)
    }

    /// The full path of a file whose path relative to the folder is kept in a record.
    #[must_use]
    pub fn absolute(&self, relative: &str) -> PathBuf {
        self.folder().join(relative)
    }

    /// Removes part files that a killed process left behind.
    pub(super) fn sweep(&self) {
        for folder in ["takes", "clips", "reports"] {
            let Ok(entries) = fs::read_dir(self.folder().join(folder)) else { continue };
            for entry in entries.flatten() {
                let name = entry.file_name();
                let name = name.to_string_lossy();
                if name.starts_with('.') && name.ends_with(".part") {
                    // Best effort: a part file does no harm.
                    let _ = fs::remove_file(entry.path());
                }
            }
        }
    }
}

/// A file's name without its ending, in characters that every file system takes; at most 60 of them.
fn plain_stem(called: &str) -> String {
    let stem = Path::new(called).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let plain = stem.chars().map(|c| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') { c } else { '-' });
    plain.take(60).collect::<String>().trim_matches('-').to_owned()
}

fn copy(source: &Path, part: &Path) -> Result<Sha256Hex, StoreError> {
    let mut from = File::open(source).map_err(|e| failed(source, "reading", e))?;
    let mut to = OpenOptions::new().write(true).create_new(true).open(part).map_err(|e| failed(part, "writing", e))?;
    let mut digest = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    let copied = loop {
        match from.read(&mut buffer) {
            Ok(0) => break Ok(()),
            Ok(n) => {
                digest.update(&buffer[..n]);
                if let Err(e) = to.write_all(&buffer[..n]) {
                    break Err(failed(part, "writing", e));
                }
            }
            Err(e) => break Err(failed(source, "reading", e)),
        }
    };
    let synced = copied.and_then(|()| to.sync_all().map_err(|e| failed(part, "syncing", e)));
    if synced.is_err() {
        let _ = fs::remove_file(part);
    }
    synced.map(|()| Sha256Hex::from_bytes(&digest.finalize()))
}

fn hash(path: &Path) -> Result<Sha256Hex, StoreError> {
    let mut file = File::open(path).map_err(|e| failed(path, "reading", e))?;
    let mut digest = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    loop {
        match file.read(&mut buffer).map_err(|e| failed(path, "reading", e))? {
            0 => return Ok(Sha256Hex::from_bytes(&digest.finalize())),
            n => digest.update(&buffer[..n]),
        }
    }
}
