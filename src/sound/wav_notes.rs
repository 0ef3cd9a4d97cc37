//! What a WAV file says about itself beside the samples: which loudspeaker a channel is for, title, origin, named places. Chunks that a
//! player does not know are passed over.

use std::io::{self, Seek, SeekFrom, Write};

/// Title, origin and named places of a sound.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Notes {
    /// Its title.
    pub title: String,
    /// What made it, and the line by which its session can be recognised.
    pub comment: String,
    /// Day and time of making, `2026-03-01T20:10:00Z`.
    pub made_at: String,
    /// Places: first frame and name.
    pub places: Vec<(u64, String)>,
}

/// Where `hound` puts the channel mask of the extensible format: RIFF head (12), chunk head (8), and 20 bytes into the chunk.
const MASK_AT: u64 = 40;

/// Loudspeakers by number of channels, as bits of the extensible format (Microsoft, `WAVEFORMATEXTENSIBLE`, `dwChannelMask`): one channel is
/// front centre, two are front left and right. More have no place that could be known.
#[must_use]
pub fn mask(channels: u16) -> u32 {
    match channels {
        1 => 0x4,
        2 => 0x3,
        _ => 0,
    }
}

/// Puts the mask into the head of a finished 24-bit file.
///
/// # Errors
/// The writer refuses.
pub fn put_mask(to: &mut (impl Write + Seek), channels: u16) -> io::Result<()> {
    to.seek(SeekFrom::Start(MASK_AT))?;
    to.write_all(&mask(channels).to_le_bytes())?;
    to.seek(SeekFrom::End(0)).map(|_| ())
}

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut out = id.to_vec();
    out.extend(u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
    out.extend(body);
    if body.len() % 2 == 1 {
        out.push(0);
    }
    out
}

fn text(id: &[u8; 4], said: &str) -> Vec<u8> {
    chunk(id, &[said.as_bytes(), &[0]].concat())
}

/// ASCII in a field of fixed length, the rest zero.
fn field(said: &str, length: usize) -> Vec<u8> {
    let ascii = said.chars().map(|c| if c.is_ascii() { c as u8 } else { b'?' });
    let mut out: Vec<u8> = ascii.take(length).collect();
    out.resize(length, 0);
    out
}

/// The broadcast extension (EBU Tech 3285, version 1): description, originator, reference, date, time, and where it begins: 0.
fn bext(notes: &Notes) -> Vec<u8> {
    let mut body = field(&notes.title, 256);
    body.extend(field("cabjury", 32));
    body.extend(field("", 32));
    body.extend(field(notes.made_at.get(..10).unwrap_or_default(), 10));
    body.extend(field(notes.made_at.get(11..19).unwrap_or_default(), 8));
    body.extend(0u64.to_le_bytes());
    body.extend(1u16.to_le_bytes());
    body.resize(602, 0);
    body.extend(notes.comment.chars().filter(char::is_ascii).map(|c| c as u8));
    chunk(b"bext", &body)
}

/// Cue points and their names (Microsoft, Multimedia Programming Interface and Data Specifications 1.0).
fn cues(places: &[(u64, String)]) -> Vec<u8> {
    let at = |frame: u64| u32::try_from(frame).unwrap_or(u32::MAX).to_le_bytes();
    let mut points = u32::try_from(places.len()).unwrap_or(u32::MAX).to_le_bytes().to_vec();
    let mut names = b"adtl".to_vec();
    for (i, (frame, name)) in places.iter().enumerate() {
        let id = u32::try_from(i + 1).unwrap_or(u32::MAX).to_le_bytes();
        points.extend(id);
        points.extend(at(*frame));
        points.extend(b"data");
        points.extend([0; 8]);
        points.extend(at(*frame));
        names.extend(chunk(b"labl", &[&id[..], name.as_bytes(), &[0]].concat()));
    }
    [chunk(b"cue ", &points), chunk(b"LIST", &names)].concat()
}

impl Notes {
    /// All chunks, to stand behind the samples.
    #[must_use]
    pub fn chunks(&self) -> Vec<u8> {
        let day = self.made_at.get(..10).unwrap_or_default();
        let info = [
            b"INFO".to_vec(),
            text(b"INAM", &self.title),
            text(b"ICMT", &self.comment),
            text(b"ICRD", day),
            text(b"ISFT", "cabjury"),
        ]
        .concat();
        let mut out = [bext(self), chunk(b"LIST", &info)].concat();
        if !self.places.is_empty() {
            out.extend(cues(&self.places));
        }
        out
    }

    /// Appends the chunks to a finished file of so many bytes, and says so in its head.
    ///
    /// # Errors
    /// The file would be larger than its format can say, or the writer refuses.
    pub fn append(&self, to: &mut (impl Write + Seek)) -> io::Result<()> {
        let end = to.seek(SeekFrom::End(0))?;
        let chunks = self.chunks();
        let pad = end % 2;
        let whole = u32::try_from(end + pad + chunks.len() as u64 - 8).map_err(io::Error::other)?;
        to.write_all(&vec![0; pad as usize])?;
        to.write_all(&chunks)?;
        to.seek(SeekFrom::Start(4))?;
        to.write_all(&whole.to_le_bytes())?;
        to.seek(SeekFrom::End(0)).map(|_| ())
    }
}
