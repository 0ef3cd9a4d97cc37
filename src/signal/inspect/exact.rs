//! What no instrument plays: a buffer that comes twice to the last bit, a sample that is held. Looked for in the recording as it was made:
//! a shift by part of a sample would hide it.

use std::collections::HashMap;

/// A stretch of exact equality.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exact {
    /// First frame of the stretch.
    pub at: usize,
    /// Its length.
    pub frames: usize,
    /// How many frames before it the same lies; 0 for a held sample.
    pub back: usize,
}

/// Equal samples in a row that make a held one.
const HELD: usize = 16;
/// Mean square from which the music beside it counts as sounding (-50 dBFS).
const SOUNDING: f64 = 1e-5;
/// Frames to both sides that are looked at.
const SIDE: usize = 240;
/// Samples that are compared at once.
const KEY: usize = 24;
/// A repeat begins at most so many frames after what it repeats.
const BACK: usize = 1 << 14;
/// Equal samples that make a repeat.
const REPEAT: usize = 32;
/// Least range of the samples of a key: silence and noise of the last bits repeat by chance.
const RANGE: f32 = 1e-3;
/// When more than this share of a recording repeats itself it is a made tone, not a fault.
const MADE: f64 = 0.05;

fn mean_square(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len().max(1) as f64
}

/// Samples that are held in the midst of music: neither zeros (a hole) nor at an extreme (clipping).
#[must_use]
pub fn held(x: &[f32]) -> Vec<Exact> {
    let peak = x.iter().fold(0.0f32, |m, v| if v.abs() > m { v.abs() } else { m });
    let mut out = Vec::new();
    let mut start = 0;
    for i in 1..=x.len() {
        if i < x.len() && x[i].to_bits() == x[start].to_bits() {
            continue;
        }
        let (value, frames) = (x[start].abs(), i - start);
        if frames >= HELD && value > 0.0 && value < 0.98 * peak {
            let before = &x[start.saturating_sub(SIDE)..start];
            let behind = &x[i..(i + SIDE).min(x.len())];
            if mean_square(before) >= SOUNDING && mean_square(behind) >= SOUNDING {
                out.push(Exact { at: start, frames, back: 0 });
            }
        }
        start = i;
    }
    out
}

/// Buffers that come again, to the last bit, within a third of a second.
#[must_use]
pub fn repeated(x: &[f32]) -> Vec<Exact> {
    const FACTOR: u64 = 0x0100_0000_01B3;
    let bits = |i: usize| u64::from(x[i].to_bits()) + 1;
    if x.len() < 2 * KEY {
        return Vec::new();
    }
    let lead = (0..KEY).fold(1u64, |p, _| p.wrapping_mul(FACTOR));
    let mut hash = (0..KEY).fold(0u64, |h, i| h.wrapping_mul(FACTOR).wrapping_add(bits(i)));
    let mut last: HashMap<u64, usize> = HashMap::new();
    let (mut out, mut until): (Vec<Exact>, usize) = (Vec::new(), 0);
    for i in 0..x.len() - KEY {
        if i >= until && moving(&x[i..i + KEY]) {
            // Every fourth place is enough to be found again by.
            let known = last.get(&hash).copied().filter(|k| i - k <= BACK && i > *k && equal(&x[*k..*k + KEY], &x[i..i + KEY]));
            if let Some(k) = known {
                let frames = (0..).take_while(|d| i + d < x.len() && x[k + d].to_bits() == x[i + d].to_bits()).count();
                let before = (1..=k.min(i - k)).take_while(|d| x[k - d].to_bits() == x[i - d].to_bits()).count();
                if frames + before >= REPEAT {
                    out.push(Exact { at: i - before, frames: frames + before, back: i - k });
                    until = i + frames;
                }
            } else if i % 4 == 0 {
                last.insert(hash, i);
            }
        }
        if i % (4 * BACK) == 0 {
            last.retain(|_, k| i - *k <= BACK);
        }
        hash = hash.wrapping_mul(FACTOR).wrapping_add(bits(i + KEY)).wrapping_sub(bits(i).wrapping_mul(lead));
    }
    let all: usize = out.iter().map(|e| e.frames).sum();
    if all as f64 > MADE * x.len() as f64 { Vec::new() } else { out }
}

fn moving(x: &[f32]) -> bool {
    let (low, high) = x.iter().fold((f32::MAX, f32::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    high - low > RANGE
}

fn equal(a: &[f32], b: &[f32]) -> bool {
    a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
}
