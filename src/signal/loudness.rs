//! Loudness after ITU-R BS.1770-5 and EBU Tech 3341, 3342.
//!
//! The filter's analogue prototypes are re-discretised at every rate, and the high-pass numerator is scaled so that the response is that of
//! the 48 kHz table at every rate; the public libraries leave that factor out, which is 0.02 dB at 96 kHz.

use crate::units::{Lu, Lufs, SampleRate};
use std::f64::consts::PI;

/// Coefficients of a biquad, a0 = 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Biquad {
    /// Numerator.
    pub b: [f64; 3],
    /// Denominator without its leading 1.
    pub a: [f64; 2],
}

/// The two biquads of K-weighting at a rate: shelf, then high-pass.
#[must_use]
pub fn k_weighting(rate: SampleRate) -> [Biquad; 2] {
    let fs = rate.as_f64();
    let k = (PI * 1_681.974_450_955_533 / fs).tan();
    let q = 0.707_175_236_955_419_6;
    let vh = 10f64.powf(3.999_843_853_973_347 / 20.0);
    let vb = vh.powf(0.499_666_774_154_541_6);
    let a0 = 1.0 + k / q + k * k;
    let shelf = Biquad {
        b: [(vh + vb * k / q + k * k) / a0, 2.0 * (k * k - vh) / a0, (vh - vb * k / q + k * k) / a0],
        a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
    };
    let a0_high = |fs: f64| {
        let k = (PI * 38.135_470_876_024_44 / fs).tan();
        (k, 1.0 + k / 0.500_327_037_323_877_3 + k * k)
    };
    let (k, a0) = a0_high(fs);
    let factor = a0_high(48_000.0).1 / a0;
    let high = Biquad {
        b: [factor, -2.0 * factor, factor],
        a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / 0.500_327_037_323_877_3 + k * k) / a0],
    };
    [shelf, high]
}

/// Both biquads of one channel with their state, transposed direct form II in `f64`.
#[derive(Debug, Clone)]
pub struct KFilter {
    stages: [Biquad; 2],
    state: [[f64; 2]; 2],
}

impl KFilter {
    /// At rest.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self { stages: k_weighting(rate), state: [[0.0; 2]; 2] }
    }

    /// Sum of the squares of the weighted samples; the state moves on.
    pub fn energy(&mut self, samples: &[f32]) -> f64 {
        let [s, h] = self.stages;
        let [[mut s1, mut s2], [mut h1, mut h2]] = self.state;
        let mut sum = 0.0;
        for &x in samples {
            let x = f64::from(x);
            let y = s.b[0] * x + s1;
            s1 = (s.b[1] * x + s2) - s.a[0] * y;
            s2 = s.b[2] * x - s.a[1] * y;
            let z = h.b[0] * y + h1;
            h1 = (h.b[1] * y + h2) - h.a[0] * z;
            h2 = h.b[2] * y - h.a[1] * z;
            sum += z * z;
        }
        self.state = [[settled(s1), settled(s2)], [settled(h1), settled(h2)]];
        sum
    }

    /// The same for two channels of equal length at one rate, side by side: each sample waits for the one before it, so two channels take
    /// hardly longer than one. The sums are those of [`KFilter::energy`] to the last bit.
    pub fn energies(pair: [&mut Self; 2], first: &[f32], second: &[f32]) -> [f64; 2] {
        let [s, h] = pair[0].stages;
        let state = |i: usize, k: usize| [pair[0].state[i][k], pair[1].state[i][k]];
        let (mut s1, mut s2, mut h1, mut h2) = (state(0, 0), state(0, 1), state(1, 0), state(1, 1));
        let mut sum = [0.0f64; 2];
        for (a, b) in first.iter().zip(second) {
            let x = [f64::from(*a), f64::from(*b)];
            for c in 0..2 {
                let y = s.b[0] * x[c] + s1[c];
                s1[c] = (s.b[1] * x[c] + s2[c]) - s.a[0] * y;
                s2[c] = s.b[2] * x[c] - s.a[1] * y;
                let z = h.b[0] * y + h1[c];
                h1[c] = (h.b[1] * y + h2[c]) - h.a[0] * z;
                h2[c] = h.b[2] * y - h.a[1] * z;
                sum[c] += z * z;
            }
        }
        for (c, filter) in pair.into_iter().enumerate() {
            filter.state = [[settled(s1[c]), settled(s2[c])], [settled(h1[c]), settled(h2[c])]];
        }
        sum
    }
}

/// A tail below 1e-30 is inaudible and would only make the processor crawl through subnormals.
fn settled(v: f64) -> f64 {
    if v.abs() < 1e-30 { 0.0 } else { v }
}

/// Loudness of a mean power, -0.691 + 10 log10 z; `None` for no power.
#[must_use]
pub fn loudness_of(power: f64) -> Option<Lufs> {
    if power > 0.0 { Lufs::new(-0.691 + 10.0 * power.log10()).ok() } else { None }
}

/// Mean power at a loudness.
#[must_use]
pub fn power_of(loudness: f64) -> f64 {
    10f64.powf((loudness + 0.691) / 10.0)
}

/// A channel's weight: 1, and 1.41 for the surrounds of a five-channel file (L R C Ls Rs). Six channels count as L R C LFE Ls Rs, the LFE
/// with weight 0.
#[must_use]
pub fn channel_weight(channel: usize, channels: usize) -> f64 {
    match (channels, channel) {
        (5, 3 | 4) | (6, 4 | 5) => 1.41,
        (6, 3) => 0.0,
        _ => 1.0,
    }
}

/// Frames of one step of 100 ms.
#[must_use]
pub fn step_frames(rate: SampleRate) -> usize {
    (rate.hz() as usize + 5) / 10
}

/// Mean powers of the 400 ms blocks (75 % overlap) out of the steps' energies.
#[must_use]
pub fn blocks(steps: &[f64], rate: SampleRate) -> Vec<f64> {
    let frames = 4.0 * step_frames(rate) as f64;
    steps.windows(4).map(|w| w.iter().sum::<f64>() / frames).collect()
}

/// Integrated loudness of 400 ms blocks: absolute gate -70 LUFS, relative gate 10 LU below the mean of what passes.
#[must_use]
pub fn integrated(blocks: &[f64]) -> Option<Lufs> {
    let absolute = power_of(-70.0);
    let mean = |least: f64| {
        let (sum, n) = blocks.iter().filter(|z| **z > least).fold((0.0, 0u64), |(s, n), z| (s + z, n + 1));
        (n > 0).then(|| sum / n as f64)
    };
    let relative = mean(absolute)? * 0.1;
    loudness_of(mean(relative.max(absolute))?)
}

/// Loudness range (EBU Tech 3342) out of the steps' energies: short-term values every 100 ms, gates at -70 LUFS and 20 LU below their mean
/// power, 95th minus 10th percentile.
#[must_use]
pub fn range(steps: &[f64], rate: SampleRate) -> Option<Lu> {
    let frames = 30.0 * step_frames(rate) as f64;
    let absolute = power_of(-70.0);
    let mut short: Vec<f64> = steps.windows(30).map(|w| w.iter().sum::<f64>() / frames).filter(|z| *z > absolute).collect();
    if short.is_empty() {
        return None;
    }
    let relative = short.iter().sum::<f64>() / short.len() as f64 * 0.01;
    short.retain(|z| *z >= relative);
    short.sort_by(f64::total_cmp);
    let at = |p: f64| short.get(((short.len() - 1) as f64 * p).round() as usize).copied();
    let (low, high) = (loudness_of(at(0.10)?)?, loudness_of(at(0.95)?)?);
    Lu::new(high.value() - low.value()).ok()
}
