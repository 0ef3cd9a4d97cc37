//! 24-bit FLAC, frames coded in parallel; like WAV first under a temporary name, and never over something.

use super::error::SoundError;
use super::write::give_name;
use crate::model::audio::Audio;
use flacenc::bitsink::ByteSink;
use flacenc::component::{BitRepr, Frame, Stream};
use flacenc::error::Verify;
use flacenc::source::{Context, Fill, FrameBuf};
use rayon::prelude::*;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::Path;

/// Frames per block: what the format's subset allows at every rate up to 48 kHz (RFC 9639, section 7).
const BLOCK: usize = 4096;

fn cannot(path: &Path, reason: &dyn std::fmt::Debug) -> SoundError {
    SoundError::CannotWrite { path: path.to_owned(), reason: format!("{reason:?}") }
}

/// Writes planar samples (channels x frames, full scale 1.0) that lie on the 24-bit grid as FLAC of 24 bits.
///
/// # Errors
/// [`SoundError::Exists`] when there is something under that name; [`SoundError::CannotWrite`] otherwise.
pub fn write_flac24(path: &Path, audio: &Audio) -> Result<(), SoundError> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(SoundError::Exists { path: path.to_owned() });
    }
    let bytes = encode(path, audio)?;
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let part = path.with_file_name(format!(".{name}.{}.part", std::process::id()));
    let fill = || -> std::io::Result<()> {
        let mut file = OpenOptions::new().write(true).create_new(true).open(&part)?;
        file.write_all(&bytes)?;
        file.sync_all()
    };
    let written = fill().map_err(|e| cannot(path, &e)).and_then(|()| give_name(&part, path));
    if written.is_err() {
        // Best effort: the error that matters is the first one.
        let _ = fs::remove_file(&part);
    }
    written
}

fn interleaved(audio: &Audio) -> Vec<i32> {
    let channels = audio.channels();
    let step = |v: f32| (f64::from(v) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32;
    (0..audio.frames()).flat_map(|i| channels.iter().map(move |c| step(c[i]))).collect()
}

fn encode(path: &Path, audio: &Audio) -> Result<Vec<u8>, SoundError> {
    let channels = audio.channels().len();
    let config = flacenc::config::Encoder::default().into_verified().map_err(|e| cannot(path, &e))?;
    let mut stream = Stream::new(audio.rate().hz() as usize, channels, 24).map_err(|e| cannot(path, &e))?;
    stream.stream_info_mut().set_block_sizes(BLOCK, BLOCK).map_err(|e| cannot(path, &e))?;
    let samples = interleaved(audio);
    let info = stream.stream_info().clone();
    let frames: Vec<Frame> = samples
        .par_chunks(BLOCK * channels)
        .enumerate()
        .map(|(number, block)| {
            let mut buffer = FrameBuf::with_size(channels, block.len() / channels).map_err(|e| cannot(path, &e))?;
            buffer.fill_interleaved(block).map_err(|e| cannot(path, &e))?;
            flacenc::encode_fixed_size_frame(&config, &buffer, number, &info).map_err(|e| cannot(path, &e))
        })
        .collect::<Result<_, SoundError>>()?;
    for frame in frames {
        stream.add_frame(frame);
    }
    let mut context = Context::new(24, channels);
    context.fill_interleaved(&samples).map_err(|e| cannot(path, &e))?;
    let info = stream.stream_info_mut();
    info.set_md5_digest(&context.md5_digest());
    info.set_total_samples(audio.frames());
    let mut sink = ByteSink::new();
    stream.write(&mut sink).map_err(|e| cannot(path, &e))?;
    Ok(sink.into_inner())
}
