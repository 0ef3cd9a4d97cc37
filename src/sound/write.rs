//! Writing 24-bit WAV: first under a temporary name beside the final one, synced, then given its name - and never over something.

use super::error::SoundError;
use super::wav_notes::{Notes, put_mask};
use crate::model::audio::Audio;
use crate::units::SampleRate;
use std::fs::{self, File, OpenOptions};
use std::io::{BufWriter, Cursor, Seek, Write};
use std::path::{Path, PathBuf};

fn cannot(path: &Path, reason: &dyn ToString) -> SoundError {
    SoundError::CannotWrite { path: path.to_owned(), reason: reason.to_string() }
}

/// Writes planar samples (channels x frames, full scale 1.0) as 24-bit PCM. The samples must lie on the 24-bit grid already if they were
/// dithered; others are rounded to the nearest step. Values outside full scale are clamped.
///
/// The file appears under its name only when it is complete and on disk.
///
/// # Errors
/// [`SoundError::Exists`] when there is something under that name; [`SoundError::CannotWrite`] otherwise.
pub fn write_wav24(path: &Path, audio: &Audio) -> Result<(), SoundError> {
    write_wav24_with(path, audio, None)
}

/// The same with title, origin and named places behind the samples.
///
/// # Errors
/// As [`write_wav24`].
pub fn write_wav24_with(path: &Path, audio: &Audio, notes: Option<&Notes>) -> Result<(), SoundError> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(SoundError::Exists { path: path.to_owned() });
    }
    let part = temporary(path);
    let written = fill(&part, audio, notes).and_then(|()| give_name(&part, path));
    if written.is_err() {
        // Best effort: a part file under its temporary name does no harm, and the error that matters is the first one.
        let _ = fs::remove_file(&part);
    }
    written
}

/// Writes a finished file under its name, all or nothing: like a sound file first under a temporary name, and never over something.
///
/// # Errors
/// [`SoundError::Exists`] when there is something under that name; [`SoundError::CannotWrite`] otherwise.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), SoundError> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(SoundError::Exists { path: path.to_owned() });
    }
    let part = temporary(path);
    let fill = || -> std::io::Result<()> {
        let mut file = OpenOptions::new().write(true).create_new(true).open(&part)?;
        file.write_all(bytes)?;
        file.sync_all()
    };
    let written = fill().map_err(|e| cannot(path, &e)).and_then(|()| give_name(&part, path));
    if written.is_err() {
        // Best effort: the error that matters is the first one.
        let _ = fs::remove_file(&part);
    }
    written
}

fn temporary(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

fn fill(part: &Path, audio: &Audio, notes: Option<&Notes>) -> Result<(), SoundError> {
    let channels = u16::try_from(audio.channels().len()).map_err(|_| cannot(part, &"more than 65535 channels"))?;
    let spec =
        hound::WavSpec { channels, sample_rate: audio.rate().hz(), bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let file = OpenOptions::new().write(true).create_new(true).open(part).map_err(|e| cannot(part, &e))?;
    let mut keep = file.try_clone().map_err(|e| cannot(part, &e))?;
    put(BufWriter::with_capacity(1 << 18, file), spec, audio).map_err(|e| cannot(part, &e))?;
    put_mask(&mut keep, channels).map_err(|e| cannot(part, &e))?;
    if let Some(notes) = notes {
        notes.append(&mut keep).map_err(|e| cannot(part, &e))?;
    }
    keep.sync_all().map_err(|e| cannot(part, &e))
}

fn put<W: Write + Seek>(to: W, spec: hound::WavSpec, audio: &Audio) -> Result<(), hound::Error> {
    let mut writer = hound::WavWriter::new(to, spec)?;
    for frame in 0..audio.frames() {
        for channel in audio.channels() {
            let step = (f64::from(channel[frame]) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0);
            writer.write_sample(step as i32)?;
        }
    }
    writer.finalize()
}

/// The same as a file in memory.
///
/// # Errors
/// [`SoundError::CannotWrite`] when it has more channels or frames than the format can say.
pub fn wav24_bytes(audio: &Audio) -> Result<Vec<u8>, SoundError> {
    let nowhere = Path::new("(memory)");
    let channels = u16::try_from(audio.channels().len()).map_err(|_| cannot(nowhere, &"more than 65535 channels"))?;
    let spec =
        hound::WavSpec { channels, sample_rate: audio.rate().hz(), bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut bytes = Vec::with_capacity(audio.frames() * usize::from(channels) * 3 + 100);
    put(Cursor::new(&mut bytes), spec, audio).map_err(|e| cannot(nowhere, &e))?;
    put_mask(&mut Cursor::new(&mut bytes), channels).map_err(|e| cannot(nowhere, &e))?;
    Ok(bytes)
}

/// The head of a 24-bit WAV of so many frames: what follows it is interleaved samples of three bytes, little end first.
///
/// # Errors
/// [`SoundError::CannotWrite`] when it has more channels or frames than the format can say.
pub fn wav24_head(rate: SampleRate, channels: usize, frames: usize) -> Result<Vec<u8>, SoundError> {
    let nowhere = Path::new("(memory)");
    let empty = Audio::new(rate, vec![Vec::new(); channels]).map_err(|e| cannot(nowhere, &e))?;
    let mut head = wav24_bytes(&empty)?;
    let data = frames as u64 * channels as u64 * 3;
    let all = data + head.len() as u64 - 8;
    let (Ok(data), Ok(all)) = (u32::try_from(data), u32::try_from(all)) else {
        return Err(cannot(nowhere, &"it is longer than a WAV can be"));
    };
    head[4..8].copy_from_slice(&all.to_le_bytes());
    let at = head.len() - 4;
    head[at..].copy_from_slice(&data.to_le_bytes());
    Ok(head)
}

/// Interleaved 24-bit samples of planes that lie on the grid.
pub fn wav24_samples(planes: &[Vec<f32>], out: &mut Vec<u8>) {
    for frame in 0..planes.first().map_or(0, Vec::len) {
        for plane in planes {
            let step = (f64::from(plane[frame]) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0);
            out.extend_from_slice(&(step as i32).to_le_bytes()[..3]);
        }
    }
}

/// Gives a finished file its name unless something has that name: a hard link fails where a rename would overwrite.
///
/// # Errors
/// [`SoundError::Exists`] or [`SoundError::CannotWrite`].
pub fn give_name(part: &Path, path: &Path) -> Result<(), SoundError> {
    match fs::hard_link(part, path) {
        Ok(()) => {}
        Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => return Err(SoundError::Exists { path: path.to_owned() }),
        // Some file systems (exFAT on a USB disk) know no hard links.
        Err(_) if fs::symlink_metadata(path).is_err() => {
            fs::rename(part, path).map_err(|e| cannot(path, &e))?;
            return sync_folder(path);
        }
        Err(e) => return Err(cannot(path, &e)),
    }
    fs::remove_file(part).map_err(|e| cannot(part, &e))?;
    sync_folder(path)
}

/// Makes a new name durable. Where a folder cannot be opened for that (Windows), the system does it by itself.
fn sync_folder(path: &Path) -> Result<(), SoundError> {
    match path.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| File::open("."), File::open) {
        Ok(folder) => folder.sync_all().map_err(|e| cannot(path, &e)),
        Err(_) => Ok(()),
    }
}
