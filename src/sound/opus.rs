//! Opus in Ogg (RFC 7845 over RFC 6716 and 8251): symphonia takes the packets out of the container, opus-decoder decodes them, to 16 bits.

use opus_decoder::OpusDecoder;

/// Frames per second that every Opus stream is decoded at.
pub(super) const RATE: u32 = 48_000;
/// Frames of the longest packet, 120 ms (RFC 6716, 3.2.5).
const LONGEST: usize = 5_760;

/// A stream of one or two channels.
pub(super) struct Opus {
    decoder: OpusDecoder,
    channels: usize,
    /// Frames at the beginning that the encoder asks to leave out.
    skip: usize,
    /// The gain that the header asks for, as a factor.
    gain: f32,
    pcm: Vec<f32>,
}

impl Opus {
    /// From the identification header (RFC 7845, 5.1): magic, version, channels, pre-skip, rate, gain in 1/256 dB, mapping family.
    /// The error says which coding it is.
    pub(super) fn of(head: &[u8]) -> Result<Self, String> {
        let (magic, rest) = head.split_first_chunk::<8>().ok_or("Opus without a whole header")?;
        let [_, channels, skip_low, skip_high, _, _, _, _, gain_low, gain_high, family] =
            *rest.first_chunk::<11>().ok_or("Opus without a whole header")?;
        if magic != b"OpusHead" {
            return Err("Opus without its header".to_owned());
        }
        if family != 0 || !(1..=2).contains(&channels) {
            return Err(format!("Opus of {channels} channels"));
        }
        let channels = usize::from(channels);
        let decoder = OpusDecoder::new(RATE, channels).map_err(|e| format!("Opus ({e})"))?;
        let gain = f32::from(i16::from_le_bytes([gain_low, gain_high])) / 256.0;
        let skip = usize::from(u16::from_le_bytes([skip_low, skip_high]));
        Ok(Self { decoder, channels, skip, gain: 10f32.powf(gain / 20.0), pcm: vec![0.0; LONGEST * channels] })
    }

    /// Decodes a packet into planes, without what the encoder asks to leave out before and `trim_end` frames behind. False where it is damaged.
    pub(super) fn decode(&mut self, packet: &[u8], trim_end: u64, planes: &mut Vec<Vec<f32>>) -> bool {
        planes.clear();
        let Ok(frames) = self.decoder.decode_float(packet, &mut self.pcm, false) else { return false };
        let start = self.skip.min(frames);
        self.skip -= start;
        let end = frames.saturating_sub(usize::try_from(trim_end).unwrap_or(usize::MAX)).max(start);
        let kept = &self.pcm[start * self.channels..end * self.channels];
        planes.extend((0..self.channels).map(|c| kept.iter().skip(c).step_by(self.channels).map(|v| v * self.gain).collect()));
        true
    }
}
