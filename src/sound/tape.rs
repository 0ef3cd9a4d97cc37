//! A WAV file that grows: its header is valid at every moment, so that whatever ends the program leaves a file that opens.

use super::error::SoundError;
use crate::units::SampleRate;
use std::fs::{File, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// How samples are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SampleForm {
    /// Whole numbers of 24 bits.
    #[default]
    Int24,
    /// Float of 32 bits: nothing is clamped.
    Float32,
}

impl SampleForm {
    fn bytes(self) -> u16 {
        match self {
            Self::Int24 => 3,
            Self::Float32 => 4,
        }
    }
}

/// RIFF head, format chunk, data chunk's head: the same length for both forms.
const HEAD: usize = 44;

/// A growing file of one channel.
#[derive(Debug)]
pub struct Tape {
    file: File,
    path: PathBuf,
    rate: SampleRate,
    form: SampleForm,
    data: u64,
    bytes: Vec<u8>,
}

fn cannot(path: &Path, reason: &dyn ToString) -> SoundError {
    SoundError::CannotWrite { path: path.to_owned(), reason: reason.to_string() }
}

impl Tape {
    /// Begins a file, never over something.
    ///
    /// # Errors
    /// [`SoundError::Exists`], [`SoundError::CannotWrite`].
    pub fn create(path: &Path, rate: SampleRate, form: SampleForm) -> Result<Self, SoundError> {
        let file = OpenOptions::new().write(true).create_new(true).open(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::AlreadyExists => SoundError::Exists { path: path.to_owned() },
            _ => cannot(path, &e),
        })?;
        let mut tape = Self { file, path: path.to_owned(), rate, form, data: 0, bytes: Vec::new() };
        let head = tape.head();
        tape.file.write_all(&head).map_err(|e| cannot(path, &e))?;
        Ok(tape)
    }

    /// The header for what is there.
    fn head(&self) -> [u8; HEAD] {
        let data = u32::try_from(self.data).unwrap_or(u32::MAX);
        let bytes = self.form.bytes();
        let tag: u16 = if self.form == SampleForm::Int24 { 1 } else { 3 };
        let mut head = [0; HEAD];
        let mut at = 0;
        let mut put = |part: &[u8]| {
            head[at..at + part.len()].copy_from_slice(part);
            at += part.len();
        };
        put(b"RIFF");
        put(&(data + data % 2 + 36).to_le_bytes());
        put(b"WAVEfmt ");
        put(&16u32.to_le_bytes());
        put(&tag.to_le_bytes());
        put(&1u16.to_le_bytes());
        put(&self.rate.hz().to_le_bytes());
        put(&(self.rate.hz() * u32::from(bytes)).to_le_bytes());
        put(&bytes.to_le_bytes());
        put(&(8 * bytes).to_le_bytes());
        put(b"data");
        put(&data.to_le_bytes());
        head
    }

    /// Adds samples: first they are written, then the header says that they are there.
    ///
    /// # Errors
    /// [`SoundError::CannotWrite`]: a full disk, or more than the format can say (4 hours at 96 kHz). What was there stays readable.
    pub fn write(&mut self, samples: impl Iterator<Item = f32>) -> Result<(), SoundError> {
        self.bytes.clear();
        for sample in samples {
            match self.form {
                SampleForm::Int24 => {
                    let step = (f64::from(sample) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32;
                    self.bytes.extend_from_slice(&step.to_le_bytes()[..3]);
                }
                SampleForm::Float32 => self.bytes.extend_from_slice(&sample.to_le_bytes()),
            }
        }
        let data = self.data + self.bytes.len() as u64;
        if data > u64::from(u32::MAX) - 64 {
            return Err(cannot(&self.path, &"a WAV file holds 4 GB at most"));
        }
        let failed = |e: std::io::Error| cannot(&self.path, &e);
        self.file.seek(SeekFrom::Start(HEAD as u64 + self.data)).map_err(failed)?;
        self.file.write_all(&self.bytes).map_err(failed)?;
        self.data = data;
        let head = self.head();
        let failed = |e: std::io::Error| cannot(&self.path, &e);
        self.file.seek(SeekFrom::Start(0)).map_err(failed)?;
        self.file.write_all(&head).map_err(failed)
    }

    /// Frames that are there.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.data / u64::from(self.form.bytes())
    }

    /// Ends the file; it is on the disk when this returns.
    ///
    /// # Errors
    /// [`SoundError::CannotWrite`].
    pub fn finish(mut self) -> Result<PathBuf, SoundError> {
        let failed = |e: std::io::Error| cannot(&self.path, &e);
        if self.data % 2 == 1 {
            self.file.seek(SeekFrom::Start(HEAD as u64 + self.data)).map_err(failed)?;
            self.file.write_all(&[0]).map_err(failed)?;
        }
        self.file.sync_all().map_err(failed)?;
        Ok(self.path)
    }
}
