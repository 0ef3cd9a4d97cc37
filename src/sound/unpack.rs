//! Bytes of a WAV to samples.

/// The sample codings that are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// Unsigned, 8 bits.
    U8,
    /// Signed, this many bytes, left-justified.
    Int(usize),
    /// IEEE float, 32 bits.
    F32,
    /// IEEE float, 64 bits.
    F64,
}

impl Coding {
    pub(super) fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::Int(n) => n,
            Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

/// Turns whole frames of bytes into planar samples; the planes are cleared first.
pub(super) fn unpack(coding: Coding, raw: &[u8], planes: &mut [Vec<f32>]) {
    match coding {
        Coding::U8 => spread(raw, planes, |[v]| (f32::from(v) - 128.0) / 128.0),
        Coding::Int(2) => spread(raw, planes, |s| f32::from(i16::from_le_bytes(s)) / 32_768.0),
        Coding::Int(3) => spread(raw, planes, |[a, b, c]| (i32::from_le_bytes([0, a, b, c]) >> 8) as f32 / 8_388_608.0),
        Coding::Int(_) => spread(raw, planes, |s| (f64::from(i32::from_le_bytes(s)) / 2_147_483_648.0) as f32),
        Coding::F32 => spread(raw, planes, f32::from_le_bytes),
        Coding::F64 => spread(raw, planes, |s| f64::from_le_bytes(s) as f32),
    }
}

/// Deals samples of `B` bytes out to the planes in turn. Stereo has a way of its own: with known places the compiler makes code of it that
/// is twice as quick.
fn spread<const B: usize>(raw: &[u8], planes: &mut [Vec<f32>], value: impl Fn([u8; B]) -> f32 + Copy) {
    let (samples, _) = raw.as_chunks::<B>();
    planes.iter_mut().for_each(Vec::clear);
    if let [left, right] = planes {
        let (frames, _) = samples.as_chunks::<2>();
        left.extend(frames.iter().map(|[l, _]| value(*l)));
        right.extend(frames.iter().map(|[_, r]| value(*r)));
        return;
    }
    let channels = planes.len();
    for (c, plane) in planes.iter_mut().enumerate() {
        plane.extend(samples.chunks_exact(channels).map(|frame| value(frame[c])));
    }
}
