//! FLAC, AIFF, CAF, ALAC, MP3, Ogg Vorbis and Opus through symphonia. A panic in a decoder becomes an error that names the file.

use super::error::SoundError;
use super::opus::{Opus, RATE as OPUS_RATE};
use super::source::{BLOCK_FRAMES, Head, Sink, hash_rest};
use crate::model::audio::{FaultKind, FileFacts, Finding, Severity};
use crate::units::SampleRate;
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use symphonia::core::codecs::audio::well_known::{CODEC_ID_ALAC, CODEC_ID_FLAC, CODEC_ID_OPUS};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::packet::Packet;

/// What a decoder gave.
struct Decoded {
    head: Head,
    frames: u64,
    bits: Option<u16>,
    damaged: u32,
    short_by: u64,
    /// Whether the coding keeps every sample, whatever the container.
    lossless: bool,
    opus: bool,
}

/// The format by its first bytes: name, and whether it throws something away. Anything else is refused before a decoder sees it.
fn by_magic(magic: &[u8]) -> Option<(&'static str, bool, &'static str)> {
    match magic {
        [b'f', b'L', b'a', b'C', ..] => Some(("FLAC", false, "flac")),
        [b'F', b'O', b'R', b'M', _, _, _, _, b'A', b'I', b'F', b'F' | b'C', ..] => Some(("AIFF", false, "aiff")),
        [b'c', b'a', b'f', b'f', ..] => Some(("CAF", false, "caf")),
        [b'O', b'g', b'g', b'S', ..] => Some(("Ogg", true, "ogg")),
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => Some(("MP4", false, "m4a")),
        [b'I', b'D', b'3', ..] => Some(("MP3", true, "mp3")),
        [0xFF, second, ..] if second & 0xE0 == 0xE0 => Some(("MP3", true, "mp3")),
        _ => None,
    }
}

/// Decodes a file that is no WAV.
pub(super) fn run(path: &Path, magic: &[u8], file: File, sink: &mut Sink<'_>) -> Result<FileFacts, SoundError> {
    let Some((name, lossy, extension)) = by_magic(magic) else {
        let reason = "its first bytes belong to no format that is known here".to_owned();
        return Err(SoundError::NotAudio { path: path.to_owned(), reason });
    };
    let mut hashed = File::open(path).map_err(|e| SoundError::io(path, e))?;
    let sha256 = hash_rest(path, &mut hashed)?;
    let decoded = catch_unwind(AssertUnwindSafe(|| decode(path, file, extension, sink))).unwrap_or_else(|_| {
        Err(SoundError::Decoder { path: path.to_owned(), reason: format!("the {name} decoder broke down on it") })
    })?;
    let mut findings = Vec::new();
    let mut find = |kind, severity, detail: String| findings.push(Finding { kind, severity, detail });
    // Ogg holds FLAC and Opus too.
    let lossy = lossy && !decoded.lossless;
    let name = match name {
        "Ogg" if decoded.lossless => "Ogg, FLAC",
        "Ogg" if decoded.opus => "Opus",
        name => name,
    };
    if lossy {
        let detail =
            format!("{name} throws part of the sound away: what is missing cannot be matched. Use the original recording.");
        find(FaultKind::Lossy, Severity::Note, detail);
    }
    if decoded.damaged > 0 {
        let detail = format!("{} packets were damaged and left out: the timing is broken from there on.", decoded.damaged);
        find(FaultKind::Truncated, Severity::Stop, detail);
    }
    if decoded.short_by > 0 {
        let detail = format!("The file ends {} frames before its header says: copied only in part?", decoded.short_by);
        find(FaultKind::Truncated, Severity::Warn, detail);
    }
    Ok(FileFacts {
        format: name.to_owned(),
        lossy,
        rate: decoded.head.rate,
        bits: decoded.bits,
        channels: decoded.head.channels,
        frames: decoded.frames,
        sha256,
        time_reference: None,
        cue_points: Vec::new(),
        findings,
    })
}

fn decode(path: &Path, file: File, extension: &str, sink: &mut Sink<'_>) -> Result<Decoded, SoundError> {
    let refused = |reason: String| SoundError::Decoder { path: path.to_owned(), reason };
    let source = MediaSourceStream::new(Box::new(file), symphonia::core::io::MediaSourceStreamOptions::default());
    let mut hint = Hint::new();
    hint.with_extension(extension);
    let mut format: Box<dyn FormatReader + '_> = symphonia::default::get_probe()
        .probe(&hint, source, Default::default(), Default::default())
        .map_err(|e| refused(format!("its header cannot be read ({e})")))?;
    let track = format.default_track(TrackType::Audio).ok_or_else(|| refused("it holds no audio track".into()))?;
    let params = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(|| refused("its coding is not stated".into()))?;
    let bits = params.bits_per_sample.and_then(|b| u16::try_from(b).ok()).filter(|b| *b > 0);
    let (lossless, packed) = (matches!(params.codec, CODEC_ID_FLAC | CODEC_ID_ALAC), params.codec == CODEC_ID_ALAC);
    let opus = params.codec == CODEC_ID_OPUS;
    // What an encoder asks to leave out before the first frame is not part of the recording.
    let left_out = if opus { track.delay.unwrap_or(0) } else { 0 };
    let promised = track.num_frames.map(|n| n.saturating_sub(left_out.into()));
    let track_id = track.id;
    let unknown = |coding: String| SoundError::Coding { path: path.to_owned(), coding };
    let mut decoder = if opus {
        Coder::Opus(Box::new(Opus::of(params.extra_data.as_deref().unwrap_or_default()).map_err(unknown)?))
    } else {
        let made = symphonia::default::get_codecs().make_audio_decoder(params, &AudioDecoderOptions::default());
        Coder::Plain(made.map_err(|e| unknown(format!("a coding that is not known here ({e})")))?)
    };
    let mut out = Blocks { head: None, frames: 0, largest: 0, planes: Vec::new(), path };
    let mut damaged = 0;
    loop {
        let packet = match format.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => break,
            // The file ends within a packet: what came before is kept, and the count against the header tells.
            Err(Error::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => break,
            Err(e) => return Err(refused(e.to_string())),
        };
        if packet.track_id != track_id {
            continue;
        }
        match decoder.decode(&packet, &mut out.planes) {
            Ok(rate) => out.hand_out(rate, sink)?,
            Err(Error::DecodeError(_) | Error::IoError(_)) => damaged += 1,
            Err(e) => return Err(refused(e.to_string())),
        }
    }
    let head = out.head.ok_or_else(|| SoundError::NoFrames { path: path.to_owned() })?;
    let short_by = promised.unwrap_or(0).saturating_sub(out.frames);
    // A container that counts packets counts the last one as full.
    let short_by = if packed && short_by < out.largest { 0 } else { short_by };
    Ok(Decoded { head, frames: out.frames, bits, damaged, short_by, lossless, opus })
}

/// Who decodes packets.
enum Coder {
    Plain(Box<dyn AudioDecoder>),
    Opus(Box<Opus>),
}

impl Coder {
    /// Decodes a packet into planes; the rate.
    fn decode(&mut self, packet: &Packet, planes: &mut Vec<Vec<f32>>) -> Result<u32, Error> {
        match self {
            Self::Plain(decoder) => {
                let buffer = decoder.decode(packet)?;
                buffer.copy_to_vecs_planar(planes);
                Ok(buffer.spec().rate())
            }
            Self::Opus(decoder) => {
                let whole = decoder.decode(&packet.data, packet.trim_end.get(), planes);
                if whole { Ok(OPUS_RATE) } else { Err(Error::DecodeError("a damaged packet of Opus")) }
            }
        }
    }
}

/// Hands decoded packets on, and insists that rate and channels stay what they were.
struct Blocks<'a> {
    head: Option<Head>,
    frames: u64,
    /// Frames of the largest packet.
    largest: u64,
    planes: Vec<Vec<f32>>,
    path: &'a Path,
}

impl Blocks<'_> {
    fn hand_out(&mut self, rate: u32, sink: &mut Sink<'_>) -> Result<(), SoundError> {
        let bad = |reason: String| SoundError::BadHeader { path: self.path.to_owned(), reason };
        let rate = SampleRate::new(rate).map_err(|e| bad(e.to_string()))?;
        let channels = u16::try_from(self.planes.len()).ok().filter(|c| (1..=64).contains(c));
        let channels = channels.ok_or_else(|| bad(format!("{} channels; 1 to 64 were wanted", self.planes.len())))?;
        let head = Head { rate, channels, frame_bytes: 0 };
        if self.head.is_some_and(|h| h != head) {
            return Err(bad("rate or channels change in the middle of the file".into()));
        }
        self.head = Some(head);
        let frames = self.planes[0].len();
        self.frames += frames as u64;
        self.largest = self.largest.max(frames as u64);
        if frames == 0 {
            return Ok(());
        }
        if frames <= BLOCK_FRAMES {
            sink(head, &self.planes);
            return Ok(());
        }
        for start in (0..frames).step_by(BLOCK_FRAMES) {
            let end = (start + BLOCK_FRAMES).min(frames);
            let part: Vec<Vec<f32>> = self.planes.iter().map(|p| p[start..end].to_vec()).collect();
            sink(head, &part);
        }
        Ok(())
    }
}
