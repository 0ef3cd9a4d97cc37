//! AU (Sun, NeXT): a header of 24 bytes or more, then big-endian samples (layout from memory, and as ffmpeg writes it).

use super::error::SoundError;
use super::source::{BLOCK_FRAMES, HashingReader, Head, Sink};
use crate::model::audio::{FaultKind, FileFacts, Finding, Severity};
use crate::units::SampleRate;
use std::path::Path;

/// Longest header that is passed over: text may stand in it.
const HEADER: u32 = 1 << 20;

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).map_or(0, |b| u32::from_be_bytes([b[0], b[1], b[2], b[3]]))
}

/// What the header says.
struct Header {
    head: Head,
    bytes: usize,
    float: bool,
    /// Bytes of audio; none where the writer did not know.
    size: Option<u64>,
}

impl Header {
    fn read(path: &Path, reader: &mut HashingReader) -> Result<Self, SoundError> {
        let io = |e| SoundError::io(path, e);
        let bad = |reason: String| SoundError::BadHeader { path: path.to_owned(), reason };
        let head = reader.bytes(24).map_err(io)?;
        if head.len() < 24 {
            return Err(bad("it ends within its header".to_owned()));
        }
        let (begin, size, rate, channels) = (u32_at(&head, 4), u32_at(&head, 8), u32_at(&head, 16), u32_at(&head, 20));
        let (bytes, float) = match u32_at(&head, 12) {
            2 => (1, false),
            3 => (2, false),
            4 => (3, false),
            5 => (4, false),
            6 => (4, true),
            7 => (8, true),
            coding => {
                let coding = format!("compressed audio (AU coding {coding})");
                return Err(SoundError::Coding { path: path.to_owned(), coding });
            }
        };
        let rate =
            SampleRate::new(rate).map_err(|_| bad(format!("a sample rate of {rate} Hz; 1000 to 768000 Hz were wanted")))?;
        let Some(channels) = u16::try_from(channels).ok().filter(|c| (1..=64).contains(c)) else {
            return Err(bad(format!("{channels} channels; 1 to 64 were wanted")));
        };
        if !(24..=HEADER).contains(&begin) {
            return Err(bad(format!("its audio begins at byte {begin}; 24 to {HEADER} were wanted")));
        }
        reader.skip(u64::from(begin - 24)).map_err(io)?;
        let head = Head { rate, channels, frame_bytes: channels * bytes };
        Ok(Self { head, bytes: usize::from(bytes), float, size: (size != u32::MAX).then_some(u64::from(size)) })
    }
}

/// Reads a file from its first byte.
pub(super) fn read(path: &Path, mut reader: HashingReader, sink: &mut Sink<'_>) -> Result<FileFacts, SoundError> {
    let io = |e| SoundError::io(path, e);
    let Header { head, bytes, float, size } = Header::read(path, &mut reader)?;
    let (channels, stride) = (usize::from(head.channels), usize::from(head.frame_bytes));
    let present = reader.left();
    let size = size.unwrap_or(present);
    let (mut left, mut frames, mut cut) = (size.min(present), 0, size > present);
    let mut raw = vec![0; (BLOCK_FRAMES / channels.min(8)) * stride];
    let mut planes = vec![Vec::new(); channels];
    while left > 0 {
        let part = usize::try_from(left).unwrap_or(raw.len()).min(raw.len());
        let got = reader.fill(&mut raw[..part]).map_err(io)?;
        if got == 0 {
            break;
        }
        left -= got as u64;
        let whole = got - got % stride;
        cut |= whole < got;
        for (c, plane) in planes.iter_mut().enumerate() {
            plane.clear();
            plane.extend(raw[..whole].chunks_exact(stride).map(|f| sample(&f[c * bytes..(c + 1) * bytes], float)));
        }
        if whole > 0 {
            sink(head, &planes);
            frames += (whole / stride) as u64;
        }
    }
    let detail = || "The file ends before its header says, or within a frame: copied or downloaded only in part?".to_owned();
    let findings = cut.then(|| Finding { kind: FaultKind::Truncated, severity: Severity::Warn, detail: detail() });
    Ok(FileFacts {
        format: if float { "AU, float" } else { "AU, PCM" }.to_owned(),
        lossy: false,
        rate: head.rate,
        bits: Some(8 * bytes as u16),
        channels: head.channels,
        frames,
        sha256: reader.finish().map_err(io)?,
        time_reference: None,
        cue_points: Vec::new(),
        findings: findings.into_iter().collect(),
    })
}

/// One big-endian sample.
fn sample(bytes: &[u8], float: bool) -> f32 {
    match *bytes {
        [a] => f32::from(i8::from_be_bytes([a])) / 128.0,
        [a, b] => f32::from(i16::from_be_bytes([a, b])) / 32_768.0,
        [a, b, c] => (i32::from_be_bytes([a, b, c, 0]) >> 8) as f32 / 8_388_608.0,
        [a, b, c, d] if float => f32::from_be_bytes([a, b, c, d]),
        [a, b, c, d] => (f64::from(i32::from_be_bytes([a, b, c, d])) / 2_147_483_648.0) as f32,
        [a, b, c, d, e, f, g, h] => f64::from_be_bytes([a, b, c, d, e, f, g, h]) as f32,
        _ => 0.0,
    }
}
