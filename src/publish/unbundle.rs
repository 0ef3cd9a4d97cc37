//! `unbundle`: nothing in a bundle is believed. Everything is checked, then written beside the target, then named.

use crate::model::audio::Sha256Hex;
use crate::model::bundle::{BundledFile, FORMAT, MANIFEST, Manifest};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use crate::store::files::{abandoned, plain_name};
use crate::store::{Session, versions};
use serde::Serialize;
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{BufReader, Read, Seek, Write};
use std::path::{Path, PathBuf};
use zip::read::ZipArchive;

/// Bytes that are in memory at a time.
pub(crate) const BLOCK: usize = 1 << 18;

pub(crate) fn cannot_read(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be read: {error}", path.display());
    Failure::at_path("cannot-read", Fate::Unfit, path, message, "check the file and the permissions, then run it again")
}

/// A manifest that is larger than this belongs to no session.
const LARGEST_MANIFEST: u64 = 64 << 20;

/// The document of `unbundle`.
#[derive(Debug, Clone, Serialize)]
pub struct UnbundleDoc {
    /// The session's folder.
    pub session: String,
    /// Files that were checked and written.
    pub files: usize,
    /// False when recordings and clips had been left out.
    pub audio: bool,
    /// Entries of the log.
    pub records: u64,
    /// Hash of the last of them: the same as before bundling.
    pub head_sha256: String,
}

fn unfit(file: &Path, what: impl std::fmt::Display) -> Failure {
    let message = format!("{} is refused: {what}", file.display());
    Failure::at_path("bundle", Fate::Unfit, file, message, "get the bundle again from where it was made; nothing was written")
}

fn cannot(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space, then run it again")
}

/// A folder on its way in; gone when it is dropped before it got its name.
struct Tray {
    path: PathBuf,
    named: bool,
}

impl Drop for Tray {
    fn drop(&mut self) {
        if !self.named {
            // Best effort: it lies under a temporary name.
            let _ = fs::remove_dir_all(&self.path);
        }
    }
}

/// Removes what killed processes left of the same work: trays, copies of records, half bundles.
pub(crate) fn sweep(beside: &Path, head: &str) {
    let Ok(entries) = fs::read_dir(if beside.as_os_str().is_empty() { Path::new(".") } else { beside }) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some((pid, "part" | "db")) = name.strip_prefix(head).and_then(|rest| rest.split_once('.')) else { continue };
        if pid.bytes().all(|b| b.is_ascii_digit()) && abandoned(pid) {
            // Best effort, and links are not followed: what stays behind lies under a temporary name.
            let _ = if entry.file_type().is_ok_and(|t| t.is_dir()) {
                fs::remove_dir_all(entry.path())
            } else {
                fs::remove_file(entry.path())
            };
        }
    }
}

/// Unpacks a bundle into a new or empty folder.
///
/// # Errors
/// The folder holds something; the bundle is damaged, hostile or newer; the disk refuses. Then nothing is written.
pub fn unbundle(file: &Path, folder: &Path, progress: &dyn Progress) -> Result<UnbundleDoc, Failure> {
    let taken = fs::symlink_metadata(folder).is_ok() && !fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_none());
    if taken {
        let message = format!("{} holds something already, and nothing is overwritten", folder.display());
        return Err(Failure::at_path("folder-taken", Fate::Refused, folder, message, "name a new or empty folder"));
    }
    let open = File::open(file).map_err(|e| cannot_read(file, &e))?;
    let size = open.metadata().map_err(|e| cannot_read(file, &e))?.len();
    let mut zip = ZipArchive::new(BufReader::with_capacity(BLOCK, open))
        .map_err(|e| unfit(file, format!("it cannot be read as a bundle ({e})")))?;
    let manifest = manifest(file, &mut zip)?;
    check_entries(file, size, &mut zip, &manifest)?;
    let parent = folder.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut tray = Tray { path: parent.join(format!(".{name}.{}.part", std::process::id())), named: false };
    sweep(parent, &format!(".{name}."));
    fs::create_dir_all(&tray.path).map_err(|e| cannot(&tray.path, &e))?;
    for part in ["takes", "clips", "reports"] {
        fs::create_dir_all(tray.path.join(part)).map_err(|e| cannot(&tray.path, &e))?;
    }
    let mut buffer = vec![0; BLOCK];
    for (i, listed) in manifest.files.iter().enumerate() {
        write_one(file, &mut zip, listed, &tray.path, &mut buffer)?;
        progress.step("unbundling", i as u64 + 1, manifest.files.len() as u64);
    }
    let text = serde_json::to_vec_pretty(&manifest).map_err(|e| cannot(&tray.path, &e))?;
    fs::write(tray.path.join(MANIFEST), text).map_err(|e| cannot(&tray.path, &e))?;
    verify(file, &tray.path, &manifest)?;
    // An empty folder may be there: it gives way. Anything else makes this fail.
    let _ = fs::remove_dir(folder);
    fs::rename(&tray.path, folder).map_err(|e| cannot(folder, &e))?;
    tray.named = true;
    Ok(UnbundleDoc {
        session: folder.display().to_string(),
        files: manifest.files.len(),
        audio: manifest.audio,
        records: manifest.records,
        head_sha256: manifest.head_sha256,
    })
}

fn manifest<R: Read + Seek>(file: &Path, zip: &mut ZipArchive<R>) -> Result<Manifest, Failure> {
    let entry = zip.by_name(MANIFEST).map_err(|_| unfit(file, "it has no manifest, so it is not a bundle of this program"))?;
    let mut bytes = Vec::new();
    // One byte more than allowed tells a manifest that is too large, whatever its size field says.
    entry
        .take(LARGEST_MANIFEST + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| unfit(file, format!("its manifest is damaged ({e})")))?;
    if bytes.len() as u64 > LARGEST_MANIFEST {
        return Err(unfit(file, "its manifest is larger than any session's"));
    }
    // The format is looked at first: a newer manifest may have other fields.
    let any: serde_json::Value =
        serde_json::from_slice(&bytes).map_err(|e| unfit(file, format!("its manifest is damaged ({e})")))?;
    let schema = any.get("schema").and_then(serde_json::Value::as_i64).unwrap_or(0);
    if any.get("format").and_then(serde_json::Value::as_str) != Some(FORMAT) || schema > versions::newest() {
        let message = format!(
            "{} was made by a newer cabjury (its records are version {schema}, this program knows {})",
            file.display(),
            versions::newest()
        );
        return Err(Failure::at_path(
            "newer",
            Fate::Unfit,
            file,
            message,
            "update cabjury, then run it again; nothing was written",
        ));
    }
    serde_json::from_value(any).map_err(|e| unfit(file, format!("its manifest is damaged ({e})")))
}

fn known_path(path: &str) -> bool {
    path == "session.db" || matches!(path.split_once('/'), Some(("takes" | "clips" | "reports", name)) if plain_name(name))
}

/// Names, number, sizes and kinds of all entries, before a byte is written.
fn check_entries<R: Read + Seek>(file: &Path, size: u64, zip: &mut ZipArchive<R>, manifest: &Manifest) -> Result<(), Failure> {
    let mut listed: BTreeSet<String> = BTreeSet::new();
    for f in &manifest.files {
        // Names are compared without capitals: on some file systems two of them would be one file.
        if !known_path(&f.path) || !listed.insert(f.path.to_ascii_lowercase()) {
            return Err(unfit(file, format!("its manifest names {:?}, which a session cannot hold", f.path)));
        }
    }
    if !listed.contains("session.db") {
        return Err(unfit(file, "it holds no records (session.db)"));
    }
    let mut seen = BTreeSet::new();
    for i in 0..zip.len() {
        let entry = zip.by_index_raw(i).map_err(|e| unfit(file, format!("entry {i} is damaged ({e})")))?;
        let name = entry.name().map_err(|e| unfit(file, format!("entry {i} has no readable name ({e})")))?.into_owned();
        let link = entry.unix_mode().is_some_and(|mode| mode & 0o170_000 != 0 && mode & 0o170_000 != 0o100_000);
        if entry.is_dir() || link || entry.encrypted() || entry.compression() != zip::CompressionMethod::Stored {
            return Err(unfit(file, format!("{name:?} is not a plainly stored file")));
        }
        if name != MANIFEST
            && !manifest.files.iter().any(|f| f.path == name && f.bytes == entry.size() && f.bytes == entry.compressed_size())
        {
            return Err(unfit(file, format!("{name:?} is not in its manifest, or has another size there")));
        }
        if !seen.insert(name.clone()) {
            return Err(unfit(file, format!("{name:?} is in it twice")));
        }
    }
    if let Some(lost) = manifest.files.iter().find(|f| !seen.contains(&f.path)) {
        return Err(unfit(file, format!("{} is in its manifest, but not in the bundle", lost.path)));
    }
    let total: u64 = manifest.files.iter().fold(0, |sum: u64, f| sum.saturating_add(f.bytes));
    // Entries are stored as they are: only entries that lie over each other could be more than the bundle.
    if total > size {
        return Err(unfit(file, format!("its files claim {total} bytes, the bundle has {size}: it is made to swell")));
    }
    Ok(())
}

fn write_one<R: Read + Seek>(
    file: &Path,
    zip: &mut ZipArchive<R>,
    listed: &BundledFile,
    tray: &Path,
    buffer: &mut [u8],
) -> Result<(), Failure> {
    use sha2::Digest;
    let damaged = |what: &dyn std::fmt::Display| unfit(file, format!("{} is damaged ({what})", listed.path));
    let mut entry = zip.by_name(&listed.path).map_err(|e| damaged(&e))?;
    let path = tray.join(&listed.path);
    let mut options = File::options();
    options.write(true).create_new(true);
    #[cfg(unix)]
    if listed.path == "session.db" {
        // Codes of invitations lie in it.
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    }
    let mut out = options.open(&path).map_err(|e| cannot(&path, &e))?;
    let (mut bytes, mut digest) = (0u64, sha2::Sha256::new());
    loop {
        let n = entry.read(buffer).map_err(|e| damaged(&e))?;
        if n == 0 {
            break;
        }
        bytes += n as u64;
        if bytes > listed.bytes {
            return Err(damaged(&"it goes on after its end"));
        }
        digest.update(&buffer[..n]);
        out.write_all(&buffer[..n]).map_err(|e| cannot(&path, &e))?;
    }
    let found = Sha256Hex::from_bytes(&digest.finalize());
    if bytes != listed.bytes || found != listed.sha256 {
        return Err(unfit(file, format!("{} has other bytes than its manifest says (SHA-256 {found})", listed.path)));
    }
    out.sync_all().map_err(|e| cannot(&path, &e))?;
    if listed.path.starts_with("takes/") {
        let mut permissions = out.metadata().map_err(|e| cannot(&path, &e))?.permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&path, permissions).map_err(|e| cannot(&path, &e))?;
    }
    Ok(())
}

/// The records can be opened, their chain holds, and its head is the one in the manifest.
fn verify(file: &Path, tray: &Path, manifest: &Manifest) -> Result<(), Failure> {
    let inside = |e: &dyn std::fmt::Display| {
        unfit(file, format!("its records cannot be used ({})", e.to_string().replace(&tray.display().to_string(), "session")))
    };
    let session = Session::open_audit(tray).map_err(|e| inside(&e))?;
    if let Some(what) = session.foreign().map_err(|e| inside(&e))? {
        return Err(inside(&what));
    }
    let chain = session.chain().map_err(|e| inside(&e))?;
    if let Some((seq, what)) = chain.breaks.first() {
        return Err(unfit(file, format!("log entry {seq} of its records: {what}")));
    }
    // Paths in its records lead into its own folders.
    session.takes().map_err(|e| inside(&e))?;
    session.clips().map_err(|e| inside(&e))?;
    // Records of an older program were brought up to date by now: their log is the beginning of this one.
    let bundled = match i64::try_from(manifest.records) {
        Ok(last) if manifest.schema < versions::newest() => session.chain_piece(i64::MIN..=last).map_err(|e| inside(&e))?,
        _ => chain,
    };
    if bundled.head != manifest.head_sha256 || bundled.records != manifest.records {
        return Err(unfit(file, "the log of its records does not end where its manifest says"));
    }
    // What reads through WAL leaves files beside the database that are no part of the session.
    drop(session);
    for tail in ["session.db-wal", "session.db-shm"] {
        let _ = fs::remove_file(tray.join(tail));
    }
    Ok(())
}
