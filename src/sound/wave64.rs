//! What tells Wave64 and sizes that have wrapped.

/// How a Wave64 file begins, and what follows the four letters of its chunks' ids (Sony, Wave64; from memory, and as ffmpeg writes it).
pub(super) const WAVE64: [u8; 16] = *b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0";
pub(super) const WAVE64_ID: [u8; 12] = *b"\xf3\xac\xd3\x11\x8c\xd1\0\xc0\x4f\x8e\xdb\x8a";
pub(super) const WAVE64_NAME: &str = "Wave64";

/// The size that a size of 32 bits stands for when the file goes on for more than it can count: a writer that did not look has let it wrap.
pub fn unwrapped(size: u64, left: u64) -> u64 {
    const WRAP: u64 = 1 << 32;
    size + left.saturating_sub(size) / WRAP * WRAP
}
