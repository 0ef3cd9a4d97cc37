//! Loudness by ISO 532-1:2017 (Zwicker), the method for stationary sounds, free field, on the mean one-third-octave spectrum of a stretch.
//!
//! The tables and the course of the slopes are those of the program of DIN 45631 (E. Zwicker, H. Fastl et al., J. Acoust. Soc. Jpn. (E) 12, 1,
//! 1991), which the standard took over; values as the general library mosqito 1.2.1 states them. Music is not stationary: the number stands
//! for the mean spectrum of what is heard, and it is said so where it is shown.

use super::bands;
use crate::units::SampleRate;

/// Sound pressure level that is assumed for a mean square of full scale (0 dB): a matched clip of -20 dB plays at 80 dB, an ordinary
/// listening level (common practice, no source). Loudness is no matter of gain alone, so a level has to be assumed.
pub const FULL_SCALE_SPL: f64 = 100.0;

/// Levels below this count as nothing.
const SILENT_DB: f64 = -60.0;

const RAP: [f64; 8] = [45.0, 55.0, 65.0, 71.0, 80.0, 90.0, 100.0, 120.0];
/// What the lowest eleven bands lose at each of these levels.
const DLL: [[f64; 11]; 8] = [
    [-32.0, -24.0, -16.0, -10.0, -5.0, 0.0, -7.0, -3.0, 0.0, -2.0, 0.0],
    [-29.0, -22.0, -15.0, -10.0, -4.0, 0.0, -7.0, -2.0, 0.0, -2.0, 0.0],
    [-27.0, -19.0, -14.0, -9.0, -4.0, 0.0, -6.0, -2.0, 0.0, -2.0, 0.0],
    [-25.0, -17.0, -12.0, -9.0, -3.0, 0.0, -5.0, -2.0, 0.0, -2.0, 0.0],
    [-23.0, -16.0, -11.0, -7.0, -3.0, 0.0, -4.0, -1.0, 0.0, -1.0, 0.0],
    [-20.0, -14.0, -10.0, -6.0, -3.0, 0.0, -4.0, -1.0, 0.0, -1.0, 0.0],
    [-18.0, -12.0, -9.0, -6.0, -2.0, 0.0, -3.0, -1.0, 0.0, -1.0, 0.0],
    [-15.0, -10.0, -8.0, -4.0, -2.0, 0.0, -3.0, -1.0, 0.0, -1.0, 0.0],
];
/// Threshold in quiet.
const LTQ: [f64; 20] = [30.0, 18.0, 12.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0];
/// The way to the inner ear.
const A0: [f64; 20] =
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.5, -1.6, -3.2, -5.4, -5.6, -4.0, -1.5, 2.0, 5.0, 12.0];
/// One-third octaves against critical bands.
const DCB: [f64; 20] =
    [-0.25, -0.6, -0.8, -0.8, -0.5, 0.0, 0.5, 1.1, 1.5, 1.7, 1.8, 1.8, 1.7, 1.6, 1.4, 1.2, 0.8, 0.5, 0.0, -0.5];
/// Upper ends of the critical bands, Bark.
const ZUP: [f64; 21] =
    [0.9, 1.8, 2.8, 3.5, 4.4, 5.4, 6.6, 7.9, 9.2, 10.6, 12.3, 13.8, 15.2, 16.7, 18.1, 19.3, 20.6, 21.8, 22.7, 23.6, 24.0];
/// Ranges of specific loudness, and the upper slopes in them by band.
const RNS: [f64; 18] = [21.5, 18.0, 15.1, 11.5, 9.0, 6.1, 4.4, 3.1, 2.13, 1.36, 0.82, 0.42, 0.30, 0.22, 0.15, 0.10, 0.035, 0.0];
const USL: [[f64; 8]; 18] = [
    [13.0, 8.2, 6.3, 5.5, 5.5, 5.5, 5.5, 5.5],
    [9.0, 7.5, 6.0, 5.1, 4.5, 4.5, 4.5, 4.5],
    [7.8, 6.7, 5.6, 4.9, 4.4, 3.9, 3.9, 3.9],
    [6.2, 5.4, 4.6, 4.0, 3.5, 3.2, 3.2, 3.2],
    [4.5, 3.8, 3.6, 3.2, 2.9, 2.7, 2.7, 2.7],
    [3.7, 3.0, 2.8, 2.35, 2.2, 2.2, 2.2, 2.2],
    [2.9, 2.3, 2.1, 1.9, 1.8, 1.7, 1.7, 1.7],
    [2.4, 1.7, 1.5, 1.35, 1.3, 1.3, 1.3, 1.3],
    [1.95, 1.45, 1.3, 1.15, 1.1, 1.1, 1.1, 1.1],
    [1.5, 1.2, 0.94, 0.86, 0.82, 0.82, 0.82, 0.82],
    [0.72, 0.67, 0.64, 0.63, 0.62, 0.62, 0.62, 0.62],
    [0.59, 0.53, 0.51, 0.50, 0.42, 0.42, 0.42, 0.42],
    [0.40, 0.33, 0.26, 0.24, 0.24, 0.22, 0.22, 0.22],
    [0.27, 0.21, 0.20, 0.18, 0.17, 0.17, 0.17, 0.17],
    [0.16, 0.15, 0.14, 0.12, 0.11, 0.11, 0.11, 0.11],
    [0.12, 0.11, 0.10, 0.08, 0.08, 0.08, 0.08, 0.08],
    [0.09, 0.08, 0.07, 0.06, 0.06, 0.06, 0.06, 0.05],
    [0.06, 0.05, 0.03, 0.02, 0.02, 0.02, 0.02, 0.02],
];

/// Loudness in sone of one-third-octave levels (dB SPL) from 25 Hz to 12.5 kHz.
#[must_use]
pub fn sone(levels: &[f64; 28]) -> f64 {
    spread(&core(levels))
}

/// Loudness level in phon of a loudness in sone.
#[must_use]
pub fn phon(sone: f64) -> f64 {
    if sone >= 1.0 { 40.0 + 10.0 * sone.log2() } else { 40.0 * (sone + 0.0005).powf(0.35) }
}

/// Specific loudness of each critical band, without its slope; the last one is none.
fn core(levels: &[f64; 28]) -> [f64; 21] {
    let power = |k: usize| {
        let range = (0..RAP.len() - 1).find(|r| levels[k] <= RAP[*r] - DLL[*r][k]).unwrap_or(RAP.len() - 1);
        10f64.powf((levels[k] + DLL[range][k]) / 10.0)
    };
    let low = |from: usize, to: usize| {
        let sum: f64 = (from..to).map(power).sum();
        if sum > 0.0 { 10.0 * sum.log10() } else { 0.0 }
    };
    let mut out = [0.0; 21];
    for (i, slot) in out.iter_mut().enumerate().take(20) {
        let level = match i {
            0 => low(0, 6),
            1 => low(6, 9),
            2 => low(9, 11),
            _ => levels[i + 8],
        } - A0[i];
        if level > LTQ[i] {
            let s = 0.25;
            let above = (1.0 - s + s * 10f64.powf(0.1 * (level - DCB[i] - LTQ[i]))).powf(0.25) - 1.0;
            *slot = (0.0635 * 10f64.powf(0.025 * LTQ[i]) * above).max(0.0);
        }
    }
    out[0] *= (0.4 + 0.32 * out[0].powf(0.2)).min(1.0);
    out
}

/// Sums specific loudness over the bands with the slopes that spread upwards from each.
fn spread(core: &[f64; 21]) -> f64 {
    let (mut n1, mut z1, mut total) = (0.0f64, 0.0f64, 0.0f64);
    let mut j = RNS.len() - 1;
    for (i, nm) in core.iter().enumerate() {
        let (zup, slope) = (ZUP[i] + 1e-4, i.saturating_sub(1).min(7));
        while z1 < zup {
            let (z2, n2);
            if n1 <= *nm {
                if n1 < *nm {
                    j = RNS.iter().position(|r| *r < *nm).unwrap_or(RNS.len() - 1);
                }
                (z2, n2) = (zup, *nm);
                total += n2 * (z2 - z1);
            } else {
                let to = RNS[j].max(*nm);
                let width = (n1 - to) / USL[j][slope];
                if z1 + width > zup {
                    z2 = zup;
                    n2 = n1 - (z2 - z1) * USL[j][slope];
                } else {
                    (z2, n2) = (z1 + width, to);
                }
                total += (z2 - z1) * (n1 + n2) / 2.0;
            }
            while n2 <= RNS[j] && j < RNS.len() - 1 {
                j += 1;
            }
            (z1, n1) = (z2, n2);
        }
    }
    total.max(0.0)
}

/// One-third-octave levels of a stretch, dB of full scale, 25 Hz to 12.5 kHz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum([Option<f64>; 28]);

impl Spectrum {
    /// Of all channels' mean.
    #[must_use]
    pub fn of<C: AsRef<[f32]>>(channels: &[C], rate: SampleRate) -> Self {
        let mut out = [None; 28];
        for (slot, level) in out.iter_mut().zip(bands::levels(channels, rate)) {
            *slot = level;
        }
        Self(out)
    }

    /// Loudness level in phon after a gain in dB; `None` for silence.
    #[must_use]
    pub fn phon(&self, gain_db: f64) -> Option<f64> {
        let spl = self.0.map(|l| l.map_or(SILENT_DB, |l| (l + gain_db + FULL_SCALE_SPL).clamp(SILENT_DB, 119.0)));
        let sone = sone(&spl);
        (sone > 0.0).then(|| phon(sone))
    }

    /// The gain in dB at which it has so many phon.
    #[must_use]
    pub fn gain_for(&self, wanted: f64) -> Option<f64> {
        self.phon(0.0)?;
        let (mut low, mut high) = (-100.0, 60.0);
        // Loudness grows with the level throughout: halving finds it.
        for _ in 0..50 {
            let middle = f64::midpoint(low, high);
            if self.phon(middle).is_none_or(|p| p < wanted) { low = middle } else { high = middle }
        }
        Some(f64::midpoint(low, high))
    }
}
