//! Read-only copies under the session's folder that nothing overwrites.

use super::error::StoreError;
use super::files::{abandoned, failed, no_link, plain_name, sync_folder};
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::bundle::{MANIFEST, Manifest};
use crate::model::session::{Clip, Take};
use sha2::{Digest, Sha256};
use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

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
        let (path, part) = (folder.join(&name), folder.join(format!(".{name}.{}.part", std::process::id())));
        let relative = format!("takes/{name}");
        if path.exists() {
            return if hash(&path)? == *sha256 { Ok(relative) } else { Err(StoreError::FileTaken { path }) };
        }
        // A part file of an earlier try of ours, or of a killed process whose number we have.
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
        // Whoever was quicker has copied the same bytes: the name is made of their hash.
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

    /// The full path of a file whose path relative to the folder is kept in a record. Records are read by [`Session::takes`] and
    /// [`Session::clips`], which refuse paths that lead elsewhere.
    #[must_use]
    pub fn absolute(&self, relative: &str) -> PathBuf {
        self.folder().join(relative)
    }

    /// Refuses a path in a record that is not a plain name in one of the session's folders, or leads to a link, a device, a folder.
    pub(super) fn check_path(&self, relative: &str) -> Result<(), StoreError> {
        let path = self.absolute(relative);
        let untrusted = |what: &str| Err(StoreError::Untrusted { path: path.clone(), what: what.to_owned() });
        let Some((folder @ ("takes" | "clips"), name)) = relative.split_once('/') else {
            return untrusted("its record's path is not in takes/ or clips/");
        };
        if !plain_name(name) {
            return untrusted("its record's path is not a plain name");
        }
        for part in [self.folder().join(folder), path.clone()] {
            no_link(&part)?;
        }
        match fs::symlink_metadata(&path) {
            Ok(found) if !found.is_file() => untrusted("it is not a plain file"),
            _ => Ok(()),
        }
    }

    /// The file of a take, after its bytes were held against the recorded hash. In a copy that was shared without recordings a file may be
    /// missing: then the reader of it says so.
    ///
    /// # Errors
    /// [`StoreError::OtherBytes`], [`StoreError::Untrusted`]; [`StoreError::File`] when it cannot be read.
    pub fn verified_take(&self, take: &Take) -> Result<PathBuf, StoreError> {
        self.verified(&take.path, &take.sha256, take.id.as_str())
    }

    /// The same for a clip.
    ///
    /// # Errors
    /// As [`Session::verified_take`].
    pub fn verified_clip(&self, clip: &Clip) -> Result<PathBuf, StoreError> {
        self.verified(&clip.path, &clip.sha256, clip.id.as_str())
    }

    fn verified(&self, relative: &str, wanted: &Sha256Hex, name: &str) -> Result<PathBuf, StoreError> {
        self.check_path(relative)?;
        let path = self.absolute(relative);
        if hash(&path)? == *wanted { Ok(path) } else { Err(StoreError::OtherBytes { path, name: name.to_owned() }) }
    }

    /// Makes everything durable that can be read here, also what a process wrote whose own sync failed.
    ///
    /// # Errors
    /// [`StoreError::File`] when the disk refuses.
    pub fn sync(&self) -> Result<(), StoreError> {
        for name in ["session.db-wal", "session.db"] {
            let path = self.folder().join(name);
            match OpenOptions::new().write(true).open(&path) {
                Ok(file) => file.sync_all().map_err(|e| failed(&path, "syncing", e))?,
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
                Err(e) => return Err(failed(&path, "syncing", e)),
            }
        }
        Ok(())
    }

    /// Removes what killed processes left behind: part files, and uploads that nobody is sending any more. Links are not followed.
    pub(super) fn sweep(&self) {
        for part in ["takes", "clips", "reports", "incoming"] {
            let folder = self.folder().join(part);
            if !fs::symlink_metadata(&folder).is_ok_and(|m| m.is_dir()) {
                continue;
            }
            let Ok(entries) = fs::read_dir(&folder) else { continue };
            for entry in entries.flatten() {
                let name = entry.file_name();
                let name = name.to_string_lossy();
                let left_over = if part == "incoming" {
                    abandoned(&name)
                } else {
                    name.starts_with('.') && name.ends_with(".part") && ended(&name)
                };
                if left_over && entry.file_type().is_ok_and(|t| t.is_file()) {
                    // Best effort: a part file does no harm.
                    let _ = fs::remove_file(entry.path());
                }
            }
            if part == "incoming" {
                // Only when nothing is on its way.
                let _ = fs::remove_dir(&folder);
            }
        }
    }
}

/// False for a part file whose own process (the number before its ending) is still at it. The names of older versions held no number.
fn ended(name: &str) -> bool {
    let number = name.trim_end_matches(".part").rsplit('.').next().and_then(|n| n.parse::<u32>().ok());
    number.is_none_or(|n| abandoned(&n.to_string()))
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
    File::open(path).and_then(Sha256Hex::of_reader).map_err(|e| failed(path, "reading", e))
}
