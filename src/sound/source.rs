//! What every reader of audio files is handed and hands on: blocks, their head, bytes that are hashed on the way.

use super::error::SoundError;
use crate::model::audio::Sha256Hex;
use crate::units::SampleRate;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Frames in a block that a reader hands out, at most.
pub const BLOCK_FRAMES: usize = 16_384;

/// What is known before the first block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Frames per second.
    pub rate: SampleRate,
    /// Number of channels, 1 to 64.
    pub channels: u16,
    /// Bytes of one frame of all channels in the file; 0 where frames are packed.
    pub frame_bytes: u16,
}

/// Takes blocks as they are decoded: planar, shape channels x (1 to [`BLOCK_FRAMES`]) frames.
pub type Sink<'a> = dyn FnMut(Head, &[Vec<f32>]) + 'a;

pub(super) fn hash_rest(path: &Path, file: &mut File) -> Result<Sha256Hex, SoundError> {
    let mut digest = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    loop {
        match file.read(&mut buffer).map_err(|e| SoundError::io(path, e))? {
            0 => return Ok(Sha256Hex::from_bytes(&digest.finalize())),
            n => digest.update(&buffer[..n]),
        }
    }
}

/// A forward reader that hashes every byte that passes and knows how many are left.
pub(super) struct HashingReader {
    file: File,
    digest: Sha256,
    len: u64,
    pos: u64,
    /// Bytes read ahead by [`HashingReader::peek`].
    ahead: Vec<u8>,
}

impl HashingReader {
    pub(super) fn new(file: File, len: u64) -> Self {
        Self { file, digest: Sha256::new(), len, pos: 0, ahead: Vec::new() }
    }

    /// Bytes that are left.
    pub(super) fn left(&self) -> u64 {
        self.len.saturating_sub(self.pos)
    }

    /// Up to `n` bytes, fewer at the end of the file. `n` is a number of ours, never one out of a file.
    pub(super) fn bytes(&mut self, n: usize) -> std::io::Result<Vec<u8>> {
        let mut out = vec![0; n];
        let got = self.fill(&mut out)?;
        out.truncate(got);
        Ok(out)
    }

    /// Fills the buffer as far as the file goes; returns how far.
    pub(super) fn fill(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let mut got = self.ahead.len().min(out.len());
        out[..got].copy_from_slice(&self.ahead[..got]);
        self.ahead.drain(..got);
        while got < out.len() {
            match self.file.read(&mut out[got..])? {
                0 => break,
                n => got += n,
            }
        }
        self.digest.update(&out[..got]);
        self.pos += got as u64;
        Ok(got)
    }

    /// The next up to `n` bytes, left where they are.
    pub(super) fn peek(&mut self, n: usize) -> std::io::Result<&[u8]> {
        if self.ahead.len() < n {
            let missing = n - self.ahead.len();
            self.file.by_ref().take(missing as u64).read_to_end(&mut self.ahead)?;
        }
        Ok(&self.ahead[..n.min(self.ahead.len())])
    }

    /// Passes over up to `n` bytes, hashing them.
    pub(super) fn skip(&mut self, mut n: u64) -> std::io::Result<()> {
        let mut buffer = [0; 1 << 14];
        while n > 0 {
            let part = usize::try_from(n).unwrap_or(buffer.len()).min(buffer.len());
            match self.fill(&mut buffer[..part])? {
                0 => break,
                got => n -= got as u64,
            }
        }
        Ok(())
    }

    /// Reads the rest and gives the hash of the whole file.
    pub(super) fn finish(mut self) -> std::io::Result<Sha256Hex> {
        self.skip(u64::MAX)?;
        Ok(Sha256Hex::from_bytes(&self.digest.finalize()))
    }
}
