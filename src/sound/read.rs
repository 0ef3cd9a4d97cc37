//! Any audio file to planar `f32`, in blocks or whole, with the SHA-256 of its bytes.

use super::error::SoundError;
use super::source::{HashingReader, Head, Sink, hash_rest};
use super::{au, decode, wav};
use crate::model::audio::{Audio, FileFacts, Sha256Hex, ShapeError};
use crate::units::SampleRate;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Reads a file from beginning to end in blocks. Memory does not grow with the file's length.
///
/// # Errors
/// [`SoundError`] names the file and says what it is instead of audio. Blocks may have been handed out before an error appears, so a
/// caller keeps nothing until this returns.
pub fn stream(path: &Path, sink: &mut Sink<'_>) -> Result<FileFacts, SoundError> {
    let mut file = File::open(path).map_err(|e| SoundError::io(path, e))?;
    let meta = file.metadata().map_err(|e| SoundError::io(path, e))?;
    if meta.is_dir() {
        let reason = "it is a folder".to_owned();
        return Err(SoundError::NotAudio { path: path.to_owned(), reason });
    }
    let mut magic = Vec::with_capacity(12);
    file.by_ref().take(12).read_to_end(&mut magic).map_err(|e| SoundError::io(path, e))?;
    if magic.is_empty() {
        return Err(SoundError::Empty { path: path.to_owned() });
    }
    file.seek(SeekFrom::Start(0)).map_err(|e| SoundError::io(path, e))?;
    let facts = if matches!(magic.get(..4), Some(b"RIFF" | b"RF64" | b"BW64" | b"RIFX" | b"riff")) {
        wav::walk(path, HashingReader::new(file, meta.len()), sink)?
    } else if magic.starts_with(b".snd") {
        au::read(path, HashingReader::new(file, meta.len()), sink)?
    } else {
        decode::run(path, &magic, file, sink)?
    };
    if facts.frames == 0 {
        return Err(SoundError::NoFrames { path: path.to_owned() });
    }
    Ok(facts)
}

/// Reads a whole file into memory, shape channels x frames.
///
/// # Errors
/// As [`stream`].
pub fn read_all(path: &Path) -> Result<(Audio, FileFacts), SoundError> {
    read_beginning(path, usize::MAX)
}

/// Reads the first `most` frames of a file into memory, shape channels x frames. The facts are those of the whole file.
///
/// # Errors
/// As [`stream`].
pub fn read_beginning(path: &Path, most: usize) -> Result<(Audio, FileFacts), SoundError> {
    let mut kept = Kept::of(path, most);
    let facts = stream(path, &mut |head, block| kept.push(head, block))?;
    Ok((kept.audio(facts.rate)?, facts))
}

/// What is kept of a file as it passes, from its first frame on.
pub struct Kept<'p> {
    path: &'p Path,
    most: usize,
    len: u64,
    planes: Vec<Vec<f32>>,
}

impl<'p> Kept<'p> {
    /// At most `most` frames of a file.
    #[must_use]
    pub fn of(path: &'p Path, most: usize) -> Self {
        // Room for the bytes that are really there, whatever the header says.
        let len = std::fs::metadata(path).map_or(0, |m| m.len());
        Self { path, most, len, planes: Vec::new() }
    }

    /// The next block, shape channels x frames.
    pub fn push(&mut self, head: Head, block: &[Vec<f32>]) {
        if self.planes.is_empty() && head.frame_bytes > 0 {
            let frames = usize::try_from(self.len / u64::from(head.frame_bytes)).unwrap_or(0);
            self.planes = block.iter().map(|_| Vec::with_capacity(frames.min(self.most))).collect();
        }
        self.planes.resize_with(block.len(), Vec::new);
        for (plane, part) in self.planes.iter_mut().zip(block) {
            plane.extend_from_slice(&part[..part.len().min(self.most - plane.len())]);
        }
    }

    /// What was kept, shape channels x frames.
    ///
    /// # Errors
    /// The blocks were of different shapes.
    pub fn audio(self, rate: SampleRate) -> Result<Audio, SoundError> {
        let refused = |e: ShapeError| SoundError::Decoder { path: self.path.to_owned(), reason: e.to_string() };
        Audio::new(rate, self.planes).map_err(refused)
    }
}

/// SHA-256 of a file's bytes.
///
/// # Errors
/// [`SoundError`] when the file cannot be read.
pub fn hash_file(path: &Path) -> Result<Sha256Hex, SoundError> {
    let mut file = File::open(path).map_err(|e| SoundError::io(path, e))?;
    hash_rest(path, &mut file)
}
