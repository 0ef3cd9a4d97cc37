//! One-third-octave levels (IEC 61260-1 base-10 centres, rectangular bands: no class-1 filter bank), differences, the repeat floor, and
//! the residual.

use super::align::mono;
use crate::model::audio::{BandLevel, DbOrSilence};
use crate::units::{Decibel, Hertz, SampleRate};
use realfft::RealFftPlanner;
use std::f64::consts::PI;

/// Band numbers: centre 1000 * 10^(n/10) Hz, n = -16 (25 Hz) to 13 (20 kHz).
pub const BANDS: std::ops::Range<i32> = -16..14;

/// Bands that a guitar cab's verdict may show: 80 Hz to 6.3 kHz.
pub const CAB_BANDS: std::ops::RangeInclusive<i32> = -11..=8;

/// Exact centre of a band.
#[must_use]
pub fn centre(n: i32) -> f64 {
    1000.0 * 10f64.powf(f64::from(n) / 10.0)
}

/// Power of each band as 10 log10 of the mean square; `None` where the band reaches above half the rate or holds nothing.
#[must_use]
pub fn levels<C: AsRef<[f32]>>(channels: &[C], rate: SampleRate) -> Vec<Option<f64>> {
    let x = mono(channels);
    let power = spectrum(&x, rate);
    let width = rate.as_f64() / (2.0 * (power.len() as f64 - 1.0));
    BANDS
        .map(|n| {
            let (low, high) = (centre(n) * 10f64.powf(-0.05), centre(n) * 10f64.powf(0.05));
            if high > rate.as_f64() / 2.0 {
                return None;
            }
            let sum = band_power(&power, width, low, high);
            (sum > 0.0).then(|| 10.0 * sum.log10())
        })
        .collect()
}

/// Sum over bins between two frequencies; bins at the edges are split in proportion.
fn band_power(power: &[f64], width: f64, low: f64, high: f64) -> f64 {
    let first = ((low / width - 0.5).floor().max(0.0)) as usize;
    let last = ((high / width + 0.5).ceil() as usize).min(power.len() - 1);
    (first..=last)
        .map(|k| {
            let (from, to) = ((k as f64 - 0.5) * width, (k as f64 + 0.5) * width);
            let share = (to.min(high) - from.max(low)).max(0.0) / width;
            power[k] * share
        })
        .sum()
}

/// Mean one-sided power spectrum: Hann, 2^16 at 48 kHz (in proportion at other rates), half overlap; a recording shorter than that is one
/// padded window. Scaled so that the sum over bins is the mean square.
fn spectrum(x: &[f32], rate: SampleRate) -> Vec<f64> {
    let n = ((65_536.0 * rate.as_f64() / 48_000.0) as usize).next_power_of_two().max(1024);
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let span = n.min(x.len().max(1));
    let window: Vec<f64> = (0..span).map(|i| 0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / span as f64).cos()).collect();
    let norm: f64 = window.iter().map(|w| w * w).sum::<f64>() * n as f64;
    let mut sum = vec![0.0; n / 2 + 1];
    let mut count = 0.0;
    let mut start = 0;
    while start + span <= x.len() {
        let mut input = forward.make_input_vec();
        for (i, w) in window.iter().enumerate() {
            let v = x[start + i];
            input[i] = if v.is_finite() { f64::from(v) * w } else { 0.0 };
        }
        let mut out = forward.make_output_vec();
        // Lengths come from the plan itself: this cannot fail.
        let _ = forward.process(&mut input, &mut out);
        for (k, (s, c)) in sum.iter_mut().zip(&out).enumerate() {
            let twice = if k == 0 || k == n / 2 { 1.0 } else { 2.0 };
            *s += twice * c.norm_sqr() / norm;
        }
        count += 1.0;
        start += (span / 2).max(1);
    }
    for s in &mut sum {
        *s /= f64::max(count, 1.0);
    }
    sum
}

/// Levels of the quietest second, band by band: what is not at least 10 dB above it may be noise.
#[must_use]
pub fn quietest_second<C: AsRef<[f32]>>(channels: &[C], rate: SampleRate) -> Vec<Option<f64>> {
    let x = mono(channels);
    let n = rate.hz() as usize;
    if x.len() < 2 * n {
        return BANDS.clone().map(|_| None).collect();
    }
    let quiet = (0..=(x.len() - n) / (n / 2))
        .map(|i| &x[i * (n / 2)..i * (n / 2) + n])
        .min_by(|a, b| energy(a).total_cmp(&energy(b)))
        .unwrap_or(&[]);
    // A second that is not 15 dB under the rest is music, no floor.
    let apart = (energy(&x) / x.len() as f64) / (energy(quiet) / n as f64).max(1e-300);
    if energy(quiet) <= 0.0 || apart < 10f64.powf(1.5) { BANDS.clone().map(|_| None).collect() } else { levels(&[quiet], rate) }
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v).powi(2)).sum()
}

/// A recording's bands with those left out that hold too little: under the quietest second + 10 dB, or 60 dB under the loudest band.
#[must_use]
pub fn judged<C: AsRef<[f32]>>(channels: &[C], rate: SampleRate) -> Vec<Option<f64>> {
    let all = levels(channels, rate);
    let quiet = quietest_second(channels, rate);
    let loudest = all.iter().flatten().copied().fold(f64::MIN, f64::max);
    all.into_iter()
        .zip(quiet)
        .map(|(level, quiet)| level.filter(|l| *l > loudest - 60.0 && quiet.is_none_or(|q| *l > q + 10.0)))
        .collect()
}

/// Second minus first, band by band; `None` where either says nothing.
#[must_use]
pub fn difference(first: &[Option<f64>], second: &[Option<f64>]) -> Vec<Option<f64>> {
    first.iter().zip(second).map(|(a, b)| Some(b.as_ref()? - a.as_ref()?)).collect()
}

/// As records, with the exact centres.
#[must_use]
pub fn records(values: &[Option<f64>]) -> Vec<BandLevel> {
    BANDS
        .zip(values)
        .filter_map(|(n, v)| Some(BandLevel { hz: Hertz::new(centre(n)).ok()?, db: v.and_then(|v| Decibel::new(v).ok()) }))
        .collect()
}

/// Per band the largest difference between any two repeat takes; `None` with fewer than two takes.
#[must_use]
pub fn repeat_floor(takes: &[Vec<Option<f64>>]) -> Vec<Option<f64>> {
    let bands = takes.first().map_or(0, Vec::len);
    (0..bands)
        .map(|b| {
            let values: Vec<f64> = takes.iter().filter_map(|t| t[b]).collect();
            if values.len() < 2 {
                return None;
            }
            Some(values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min))
        })
        .collect()
}

/// What is left of the second after the best gain, over the first at that gain; 4096 frames at both ends are left out (filter edges).
/// Both must be aligned already. A residual mixes phase and level: it is no measure of audibility.
#[must_use]
pub fn residual(first: &[f32], second: &[f32]) -> Option<DbOrSilence> {
    residual_at(first, second, None)
}

/// The same at a stated gain; `None`: the best one.
#[must_use]
pub fn residual_at(first: &[f32], second: &[f32], gain: Option<f64>) -> Option<DbOrSilence> {
    let n = first.len().min(second.len());
    let edge = if n > 4 * 4096 { 4096 } else { 0 };
    let (a, b) = (&first[edge..n - edge], &second[edge..n - edge]);
    let (mut ab, mut aa) = (0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += f64::from(*x) * f64::from(*y);
        aa += f64::from(*x).powi(2);
    }
    let g = gain.unwrap_or(ab / aa);
    if aa <= 0.0 || g == 0.0 || !g.is_finite() {
        return None;
    }
    let left: f64 = a.iter().zip(b).map(|(x, y)| (f64::from(*y) - g * f64::from(*x)).powi(2)).sum();
    let reference = g * g * aa;
    Some(if left <= 0.0 { DbOrSilence::Silence } else { DbOrSilence::Db(10.0 * (left / reference).log10()) })
}
