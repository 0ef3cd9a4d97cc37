//! What happens when something outside goes wrong: killed programs, full disks, missing rights, clocks that run backwards, folders that move.
//! Nothing acknowledged is lost, no half file has its final name, the message says what to do, and the next start goes on.

mod disk;
mod killed;
mod rescue;
mod soak;
mod system;

pub(crate) use disk::SmallDisk;

use crate::program::Desk;
use cabjury::model::audio::Sha256Hex;
use cabjury::store::Session;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Rounds: a short form here, `CABJURY_ROUNDS` in `tests/long`.
fn rounds(short: usize) -> usize {
    std::env::var("CABJURY_ROUNDS").ok().and_then(|r| r.parse().ok()).unwrap_or(short)
}

/// Names in a folder, those of unfinished files left out.
fn names(folder: &Path) -> BTreeSet<String> {
    let name = |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().to_string_lossy().into_owned();
    std::fs::read_dir(folder).into_iter().flatten().map(name).filter(|n| !n.starts_with('.')).collect()
}

/// Unfinished files in a folder.
fn parts(folder: &Path) -> Vec<PathBuf> {
    let hidden = |p: &PathBuf| p.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
    std::fs::read_dir(folder).into_iter().flatten().map(|e| e.unwrap().path()).filter(hidden).collect()
}

/// Every recorded take and clip is there with its bytes, and what else has a final name is whole: a take's name is the head of its hash, a
/// clip is read to its end.
fn all_files_are_whole(folder: &Path) {
    let session = Session::open_read(folder).unwrap();
    let hash = |path: &Path| Sha256Hex::of(&std::fs::read(path).unwrap());
    for take in session.takes().unwrap() {
        assert!(hash(&folder.join(&take.path)) == take.sha256, "{} is not what was recorded", take.path);
    }
    for clip in session.clips().unwrap() {
        assert!(hash(&folder.join(&clip.path)) == clip.sha256, "{} is not what was recorded", clip.path);
    }
    for name in names(&folder.join("takes")) {
        let head = name.split(['.', '-']).next().unwrap();
        assert!(hash(&folder.join("takes").join(&name)).as_str().starts_with(head), "takes/{name} is half a file");
    }
    for name in names(&folder.join("clips")) {
        let path = folder.join("clips").join(&name);
        let reader = hound::WavReader::open(&path).unwrap_or_else(|e| panic!("clips/{name}: {e}"));
        assert!(reader.into_samples::<i32>().all(|s| s.is_ok()), "clips/{name} is half a file");
    }
}

/// The session verifies.
#[track_caller]
fn verifies(desk: &Desk, session: &str) {
    let audit = desk.run(&["audit", session, "--json"]).ends(0).json();
    assert_eq!(audit["ok"], true, "{audit:#}");
}

/// The message of a failure that a musician can act on.
#[track_caller]
fn tells(said: &crate::program::Said, words: &[&str]) {
    assert!(said.err.contains("next: "), "{}", said.err);
    for word in words {
        assert!(said.err.contains(word), "{word:?} is not in: {}", said.err);
    }
}
