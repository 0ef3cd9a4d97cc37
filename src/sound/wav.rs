//! Our own RIFF / RF64 / BW64 / Wave64 walker.
//!
//! The general libraries read several of these files as other audio without an error (24 bits left-justified in 32, two data chunks, a
//! recorder that died before it wrote the sizes); here such a file is read right, with a finding, or refused by name. The walker goes
//! forward only, hashes as it goes, and allocates from bytes that are present, never from a size field.
//!
//! Sources: RIFF/WAVE, EBU Tech 3285 (`bext`), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64); layouts partly from memory.

use super::error::SoundError;
use super::source::{BLOCK_FRAMES, HashingReader, Head, Sink};
use super::unpack::{Coding, unpack};
use super::wave64::{WAVE64, WAVE64_ID, WAVE64_NAME, unwrapped};
use crate::model::audio::{FaultKind, FileFacts, Finding, Severity};
use crate::units::SampleRate;
use std::path::Path;

#[derive(Debug, Clone, Copy)]
struct Format {
    head: Head,
    coding: Coding,
    bits: u16,
}

/// The state of one walk.
struct Walk<'a> {
    path: &'a Path,
    reader: HashingReader,
    container: &'static str,
    data_size_64: Option<u64>,
    format: Option<Format>,
    frames: u64,
    data_chunks: u32,
    time_reference: Option<u64>,
    cue_points: Vec<u64>,
    findings: Vec<Finding>,
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).map_or(0, |b| u16::from_le_bytes([b[0], b[1]]))
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).map_or(0, |b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}

/// Walks a WAV file from its first byte.
pub(super) fn walk(path: &Path, reader: HashingReader, sink: &mut Sink<'_>) -> Result<FileFacts, SoundError> {
    let mut walk = Walk {
        path,
        reader,
        container: "WAV",
        data_size_64: None,
        format: None,
        frames: 0,
        data_chunks: 0,
        time_reference: None,
        cue_points: Vec::new(),
        findings: Vec::new(),
    };
    walk.head()?;
    while walk.chunk(sink)? {}
    walk.finish()
}

impl Walk<'_> {
    fn io(&self, error: std::io::Error) -> SoundError {
        SoundError::io(self.path, error)
    }

    fn bad<T>(&self, reason: impl Into<String>) -> Result<T, SoundError> {
        Err(SoundError::BadHeader { path: self.path.to_owned(), reason: reason.into() })
    }

    fn find(&mut self, kind: FaultKind, severity: Severity, detail: impl Into<String>) {
        self.findings.push(Finding { kind, severity, detail: detail.into() });
    }

    fn bytes(&mut self, n: usize) -> Result<Vec<u8>, SoundError> {
        self.reader.bytes(n).map_err(|e| SoundError::io(self.path, e))
    }

    fn head(&mut self) -> Result<(), SoundError> {
        let head = self.bytes(12)?;
        let not_audio = |reason: &str| SoundError::NotAudio { path: self.path.to_owned(), reason: reason.to_owned() };
        if head.len() < 12 {
            return Err(not_audio("it ends within the first 12 bytes"));
        }
        if head[..4] == WAVE64[..4] {
            return self.head_of_wave64(&head);
        }
        if &head[8..12] != b"WAVE" {
            return Err(not_audio("a RIFF file, but no WAVE"));
        }
        self.container = match &head[..4] {
            b"RIFX" => return Err(SoundError::Coding { path: self.path.to_owned(), coding: "big-endian samples (RIFX)".into() }),
            b"RF64" => "RF64",
            b"BW64" => "BW64",
            _ => "WAV",
        };
        let size = u64::from(u32_at(&head, 4));
        if self.container == "WAV" && size.wrapping_add(8) != self.reader.left() + 12 {
            if size == 0 || size == u64::from(u32::MAX) {
                let detail = "The file's outer size was never written: the recorder stopped early, or it was a stream. The audio was \
                              read to the end of the file; listen to its end.";
                self.find(FaultKind::UnfinishedHeader, Severity::Warn, detail);
            } else if size + 8 < self.reader.left() + 12 {
                let detail = "The file is longer than its outer size says; the audio's own size was followed.";
                self.find(FaultKind::Container, Severity::Note, detail);
            }
        }
        Ok(())
    }

    /// Wave64: 16 bytes of id and 8 of size where RIFF has 4 and 4; the size counts its own 24 bytes, and chunks begin at multiples of 8.
    fn head_of_wave64(&mut self, head: &[u8]) -> Result<(), SoundError> {
        let rest = self.bytes(28)?;
        if head != &WAVE64[..12]
            || rest.len() < 28
            || rest[..4] != WAVE64[12..]
            || &rest[12..16] != b"wave"
            || rest[16..] != WAVE64_ID
        {
            let reason = "it begins like Wave64 and goes on otherwise".to_owned();
            return Err(SoundError::NotAudio { path: self.path.to_owned(), reason });
        }
        self.container = WAVE64_NAME;
        Ok(())
    }

    /// Id and size of the next chunk; none at the end of the file, or where Wave64 has an id that is no four letters (skipped by its size).
    fn chunk_head(&mut self) -> Result<Option<([u8; 4], u64)>, SoundError> {
        let wide = self.container == WAVE64_NAME;
        let head = self.bytes(if wide { 24 } else { 8 })?;
        if head.len() < if wide { 24 } else { 8 } {
            return Ok(None);
        }
        let id = [head[0], head[1], head[2], head[3]];
        if !wide {
            return Ok(Some((id, u64::from(u32_at(&head, 4)))));
        }
        let size = u64_at(&head, 16);
        if size < 24 {
            return self.bad(format!("a chunk of {size} bytes; 24 or more were wanted"));
        }
        Ok(Some((if head[4..16] == WAVE64_ID { id } else { *b"    " }, size - 24)))
    }

    /// Handles one chunk; false at the end of the file.
    fn chunk(&mut self, sink: &mut Sink<'_>) -> Result<bool, SoundError> {
        let Some((id, size)) = self.chunk_head()? else { return Ok(false) };
        if matches!(self.container, "RF64" | "BW64") && self.data_size_64.is_none() && &id != b"ds64" {
            return self.bad(format!("{} without a ds64 chunk in front", self.container));
        }
        let body = size.min(self.reader.left());
        match &id {
            b"ds64" => {
                let chunk = self.keep(body, 28)?;
                self.data_size_64 = Some(u64_at(&chunk, 8));
            }
            b"fmt " => self.format_chunk(body)?,
            b"data" => return self.data_chunk(size, sink),
            b"bext" => {
                let chunk = self.keep(body, 602)?;
                if chunk.len() < 602 {
                    self.find(FaultKind::Container, Severity::Note, "The bext chunk is shorter than 602 bytes and was ignored.");
                } else {
                    self.time_reference = Some(u64_at(&chunk, 338));
                }
            }
            b"cue " => self.cue_chunk(body)?,
            _ => self.reader.skip(body).map_err(|e| SoundError::io(self.path, e))?,
        }
        self.pad(size)?;
        Ok(true)
    }

    /// Reads a chunk's body but keeps only the first `most` bytes.
    fn keep(&mut self, body: u64, most: usize) -> Result<Vec<u8>, SoundError> {
        let wanted = usize::try_from(body).unwrap_or(most).min(most);
        let kept = self.bytes(wanted)?;
        self.reader.skip(body - wanted as u64).map_err(|e| SoundError::io(self.path, e))?;
        Ok(kept)
    }

    fn pad(&mut self, size: u64) -> Result<(), SoundError> {
        let even = if self.container == WAVE64_NAME { 8 } else { 2 };
        self.reader.skip((even - size % even) % even).map_err(|e| self.io(e))
    }

    fn cue_chunk(&mut self, body: u64) -> Result<(), SoundError> {
        // 4 bytes of count, then 24 a point: only points that are really there are read.
        let chunk = self.keep(body, 4 + 24 * 1000)?;
        let count = (u32_at(&chunk, 0) as usize).min(chunk.len().saturating_sub(4) / 24);
        self.cue_points = (0..count).map(|i| u64::from(u32_at(&chunk, 4 + 24 * i + 20))).collect();
        Ok(())
    }

    fn format_chunk(&mut self, body: u64) -> Result<(), SoundError> {
        let chunk = self.keep(body, 40)?;
        if self.format.is_some() {
            self.find(FaultKind::Container, Severity::Warn, "The file has two fmt chunks; the first was followed.");
            return Ok(());
        }
        if chunk.len() < 16 {
            return self.bad(format!("its fmt chunk has {} bytes, 16 or more were wanted", chunk.len()));
        }
        let (tag, channels, rate) = (u16_at(&chunk, 0), u16_at(&chunk, 2), u32_at(&chunk, 4));
        let (align, bits) = (u16_at(&chunk, 12), u16_at(&chunk, 14));
        let tag = if tag == 0xFFFE { self.extensible_tag(&chunk)? } else { tag };
        let coding = match (tag, bits) {
            (1, 8) => Coding::U8,
            (1, 9..=32) => Coding::Int(usize::from(bits.div_ceil(8))),
            (3, 32) => Coding::F32,
            (3, 64) => Coding::F64,
            (1 | 3, _) => return self.bad(format!("{bits} bits per sample; 8, 16, 20, 24, 32, or float 32, 64 were wanted")),
            (tag, _) => {
                return Err(SoundError::Coding { path: self.path.to_owned(), coding: coding_name(tag) });
            }
        };
        let Ok(rate) = SampleRate::new(rate) else {
            return self.bad(format!("a sample rate of {rate} Hz; 1000 to 768000 Hz were wanted"));
        };
        if !(1..=64).contains(&channels) {
            return self.bad(format!("{channels} channels; 1 to 64 were wanted"));
        }
        let wanted = usize::from(channels) * coding.bytes();
        if usize::from(align) != wanted {
            return self.bad(format!("{align} bytes per frame, but {channels} channels of {bits} bits make {wanted}"));
        }
        self.format = Some(Format { head: Head { rate, channels, frame_bytes: align }, coding, bits });
        Ok(())
    }

    /// The tag behind WAVE_FORMAT_EXTENSIBLE: the GUID's first two bytes, if the rest is the one that all PCM and float GUIDs share.
    fn extensible_tag(&self, chunk: &[u8]) -> Result<u16, SoundError> {
        const REST: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71];
        if chunk.len() < 40 || chunk[26..40] != REST {
            return Err(SoundError::Coding {
                path: self.path.to_owned(),
                coding: "an unknown sample format (extensible)".into(),
            });
        }
        Ok(u16_at(chunk, 24))
    }

    fn data_chunk(&mut self, size: u64, sink: &mut Sink<'_>) -> Result<bool, SoundError> {
        let Some(format) = self.format else {
            return self.bad("its audio comes before the fmt chunk that describes it");
        };
        let left = self.reader.left();
        let mut size = match self.data_size_64 {
            Some(long) if size == u64::from(u32::MAX) => long,
            _ => size,
        };
        let never = size == u64::from(u32::MAX) && self.data_size_64.is_none() && self.container == "WAV";
        if never || size == 0 && !self.honest_empty()? {
            let detail = "The size of the audio was never written: the recorder stopped early, or it was a stream. All that is there \
                          was read; listen to its end.";
            self.find(FaultKind::UnfinishedHeader, Severity::Warn, detail);
            size = left;
        } else if self.container == "WAV" && unwrapped(size, left) != size {
            size = unwrapped(size, left);
            let detail = "The audio is over 4 GiB, more than its size can say; it was read as what the file's length says. Record to RF64, \
                          BW64 or Wave64.";
            self.find(FaultKind::Container, Severity::Warn, detail);
        } else if size > left {
            let detail =
                format!("The file ends {} bytes before its header says: copied or downloaded only in part?", size - left);
            self.find(FaultKind::Truncated, Severity::Warn, detail);
        }
        self.data_chunks += 1;
        if self.data_chunks == 2 {
            let detail = "The file has two data chunks; they were read one after the other. Check the place where they meet.";
            self.find(FaultKind::Container, Severity::Warn, detail);
        }
        self.samples(format, size.min(left), sink)?;
        self.pad(size)?;
        Ok(true)
    }

    /// A data size of 0 is honest when another chunk or nothing follows; otherwise the recorder died before it wrote the size.
    fn honest_empty(&mut self) -> Result<bool, SoundError> {
        let left = self.reader.left();
        let next = self.reader.peek(8).map_err(|e| SoundError::io(self.path, e))?;
        let looks_like_a_chunk = next.len() == 8
            && next[..4].iter().all(|b| b.is_ascii_alphanumeric() || *b == b' ')
            && u64::from(u32_at(next, 4)) + 8 <= left;
        Ok(next.is_empty() || looks_like_a_chunk)
    }

    fn samples(&mut self, format: Format, size: u64, sink: &mut Sink<'_>) -> Result<(), SoundError> {
        let channels = usize::from(format.head.channels);
        let stride = channels * format.coding.bytes();
        let mut planes = vec![Vec::new(); channels];
        let block = BLOCK_FRAMES / channels.min(8);
        let mut raw = vec![0; (block * stride).min(usize::try_from(size).unwrap_or(usize::MAX))];
        let mut left = size;
        while left > 0 {
            let part = usize::try_from(left).unwrap_or(raw.len()).min(raw.len());
            let got = self.reader.fill(&mut raw[..part]).map_err(|e| SoundError::io(self.path, e))?;
            if got == 0 {
                break;
            }
            left -= got as u64;
            let whole = got - got % stride;
            if whole < got {
                let detail = "The last frame is incomplete and was left out: copied only in part?";
                self.find(FaultKind::Truncated, Severity::Warn, detail);
            }
            unpack(format.coding, &raw[..whole], &mut planes);
            let frames = whole / stride;
            if frames > 0 {
                sink(format.head, &planes);
                self.frames += frames as u64;
            }
        }
        Ok(())
    }

    fn finish(self) -> Result<FileFacts, SoundError> {
        let Some(format) = self.format else {
            return self.bad("it has no fmt chunk, which says how the audio is stored");
        };
        if self.data_chunks == 0 {
            return self.bad("it has no data chunk, which would hold the audio");
        }
        let coding = if matches!(format.coding, Coding::F32 | Coding::F64) { "float" } else { "PCM" };
        let path = self.path;
        Ok(FileFacts {
            format: format!("{}, {coding}", self.container),
            lossy: false,
            rate: format.head.rate,
            bits: Some(format.bits),
            channels: format.head.channels,
            frames: self.frames,
            sha256: self.reader.finish().map_err(|e| SoundError::io(path, e))?,
            time_reference: self.time_reference,
            cue_points: self.cue_points,
            findings: self.findings,
        })
    }
}

fn coding_name(tag: u16) -> String {
    match tag {
        2 => "ADPCM".to_owned(),
        6 => "A-law".to_owned(),
        7 => "mu-law".to_owned(),
        0x50 | 0x55 => "MPEG audio inside a WAV".to_owned(),
        _ => format!("compressed audio (format tag {tag})"),
    }
}
