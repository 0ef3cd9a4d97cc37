//! `bundle`: the session as one zip, entries stored and in a fixed order, so that the same session gives the same bytes.

use crate::model::audio::Sha256Hex;
use crate::model::bundle::{BundledFile, FORMAT, MANIFEST, Manifest};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use crate::publish::unbundle::{BLOCK, cannot_read, sweep};
use crate::sound::read::hash_file;
use crate::sound::write::give_name;
use crate::store::files::plain_name;
use crate::store::{Session, versions};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// From this size on an entry needs the format's 64-bit fields.
const LARGE: u64 = 0xFFFF_0000;

/// The document of `bundle`.
#[derive(Debug, Clone, Serialize)]
pub struct BundleDoc {
    /// The bundle.
    pub path: String,
    /// Its size.
    pub bytes: u64,
    /// Its hash.
    pub sha256: String,
    /// Files in it, the manifest not counted.
    pub files: usize,
    /// False when recordings and clips were left out.
    pub audio: bool,
    /// Entries of the log.
    pub records: u64,
    /// Hash of the last of them: the same after unbundling.
    pub head_sha256: String,
    /// What the next owner should know.
    pub warnings: Vec<String>,
}

fn cannot(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space, then run it again")
}

/// Files of the session's folder, by their path in the bundle.
fn gather(folder: &Path, without_audio: bool, warnings: &mut Vec<String>) -> Result<BTreeMap<String, PathBuf>, Failure> {
    let mut out = BTreeMap::new();
    let parts: &[&str] = if without_audio { &["reports"] } else { &["takes", "clips", "reports"] };
    for part in parts {
        let place = folder.join(part);
        let Ok(entries) = fs::read_dir(&place) else { continue };
        for entry in entries {
            let entry = entry.map_err(|e| cannot_read(&place, &e))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let regular = entry.file_type().is_ok_and(|t| t.is_file());
            if regular && plain_name(&name) {
                out.insert(format!("{part}/{name}"), entry.path());
            } else if !name.ends_with(".part") {
                warnings.push(format!("{part}/{name} was left out: it is not a file that this program made"));
            }
        }
    }
    Ok(out)
}

/// A copy of the records that is removed when it is no longer needed.
struct Snapshot(PathBuf);

impl Drop for Snapshot {
    fn drop(&mut self) {
        // Best effort: a copy that stays behind does no harm.
        let _ = fs::remove_file(&self.0);
    }
}

/// Writes a bundle. Another process may be at work on the session: the records are those of one moment.
///
/// # Errors
/// Something has that name; the session cannot be read; the disk refuses.
pub fn bundle(folder: &Path, out: &Path, without_audio: bool, progress: &dyn Progress) -> Result<BundleDoc, Failure> {
    if fs::symlink_metadata(out).is_ok() {
        let message = format!("{} exists already and is never overwritten", out.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, out, message, "choose another name with --out"));
    }
    let session = Session::open_read(folder)?;
    let beside = |tail: &str| {
        let name = out.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        out.with_file_name(format!(".{name}.{}.{tail}", std::process::id()))
    };
    let name = out.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    sweep(out.parent().unwrap_or(Path::new("")), &format!(".{name}."));
    let snapshot = Snapshot(beside("db"));
    session.copy_records(&snapshot.0)?;
    let mut warnings = Vec::new();
    let mut files = gather(folder, without_audio, &mut warnings)?;
    files.insert("session.db".to_owned(), snapshot.0.clone());
    missing(&session, &files, without_audio, &mut warnings)?;
    let chain = session.chain()?;
    let mut listed = Vec::new();
    for (i, (path, source)) in files.iter().enumerate() {
        let bytes = fs::metadata(source).map_err(|e| cannot_read(source, &e))?.len();
        listed.push(BundledFile { path: path.clone(), bytes, sha256: hash_file(source)? });
        progress.step("hashing", i as u64 + 1, files.len() as u64);
        go_on(out, progress)?;
    }
    let manifest = Manifest {
        format: FORMAT.to_owned(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        schema: versions::newest(),
        records: chain.records,
        head_sha256: chain.head,
        audio: !without_audio,
        files: listed,
    };
    let part = beside("part");
    let written = write(&part, &manifest, &files, progress).and_then(|()| Ok(give_name(&part, out)?));
    if written.is_err() {
        // Best effort: the error that matters is the first one.
        let _ = fs::remove_file(&part);
    }
    written?;
    Ok(BundleDoc {
        path: out.display().to_string(),
        bytes: fs::metadata(out).map_err(|e| cannot_read(out, &e))?.len(),
        sha256: hash_file(out)?.to_string(),
        files: manifest.files.len(),
        audio: manifest.audio,
        records: manifest.records,
        head_sha256: manifest.head_sha256,
        warnings,
    })
}

fn missing(
    session: &Session,
    files: &BTreeMap<String, PathBuf>,
    without_audio: bool,
    warnings: &mut Vec<String>,
) -> Result<(), Failure> {
    if session.montages()?.iter().any(|m| m.revealed.is_none()) {
        warnings.push("it holds the key of a blind montage that is not revealed yet: do not hand it to the audience".to_owned());
    }
    if without_audio {
        return Ok(());
    }
    let wanted = session.takes()?.into_iter().map(|t| t.path).chain(session.clips()?.into_iter().map(|c| c.path));
    for path in wanted.filter(|p| !files.contains_key(p)) {
        let line = format!("{path} is missing in the session and so in the bundle: audit it");
        if !warnings.contains(&line) {
            warnings.push(line);
        }
    }
    Ok(())
}

fn options(bytes: u64) -> SimpleFileOptions {
    // A fixed time: the same session gives the same bytes.
    SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(zip::DateTime::default())
        .unix_permissions(0o644)
        .large_file(bytes >= LARGE)
}

fn write(part: &Path, manifest: &Manifest, files: &BTreeMap<String, PathBuf>, progress: &dyn Progress) -> Result<(), Failure> {
    let file = File::options().write(true).create_new(true).open(part).map_err(|e| cannot(part, &e))?;
    let keep = file.try_clone().map_err(|e| cannot(part, &e))?;
    let mut zip = ZipWriter::new(BufWriter::with_capacity(BLOCK, file));
    let head = serde_json::to_vec_pretty(manifest).map_err(|e| cannot(part, &e))?;
    zip.start_file(MANIFEST, options(head.len() as u64)).map_err(|e| cannot(part, &e))?;
    zip.write_all(&head).map_err(|e| cannot(part, &e))?;
    let mut buffer = vec![0; BLOCK];
    for (i, listed) in manifest.files.iter().enumerate() {
        let Some(source) = files.get(&listed.path) else { continue };
        zip.start_file(listed.path.as_str(), options(listed.bytes)).map_err(|e| cannot(part, &e))?;
        let copied = copy(source, &mut zip, &mut buffer, &|| go_on(part, progress))?;
        if copied != (listed.bytes, listed.sha256.clone()) {
            let message = format!("{} changed while it was being bundled", source.display());
            return Err(Failure::at_path(
                "changed",
                Fate::Failed,
                source,
                message,
                "let the other program finish, then run it again",
            ));
        }
        progress.step("bundling", i as u64 + 1, manifest.files.len() as u64);
    }
    let mut writer = zip.finish().map_err(|e| cannot(part, &e))?;
    writer.flush().map_err(|e| cannot(part, &e))?;
    keep.sync_all().map_err(|e| cannot(part, &e))
}

/// The engineer has not asked for the end.
fn go_on(out: &Path, progress: &dyn Progress) -> Result<(), Failure> {
    if progress.stopped() {
        let message = "the bundle was stopped; nothing of it is left";
        return Err(Failure::at_path("stopped", Fate::Failed, out, message, "run it again when there is time"));
    }
    Ok(())
}

fn copy(
    source: &Path,
    to: &mut dyn Write,
    buffer: &mut [u8],
    go_on: &dyn Fn() -> Result<(), Failure>,
) -> Result<(u64, Sha256Hex), Failure> {
    use sha2::Digest;
    let mut from = File::open(source).map_err(|e| cannot_read(source, &e))?;
    let (mut bytes, mut digest) = (0, sha2::Sha256::new());
    loop {
        go_on()?;
        let n = from.read(buffer).map_err(|e| cannot_read(source, &e))?;
        if n == 0 {
            return Ok((bytes, Sha256Hex::from_bytes(&digest.finalize())));
        }
        digest.update(&buffer[..n]);
        to.write_all(&buffer[..n]).map_err(|e| cannot(source, &e))?;
        bytes += n as u64;
    }
}
