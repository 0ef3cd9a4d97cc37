//! Lag, polarity and drift of a second recording against a first. Positive: the second is later.
//!
//! Repeat takes of one rig: the peak of the cross-correlation, then the phase slope of the cross-spectrum (hundredths of a sample).
//! Different wirings have no single lag: the peak of the whitened correlation (PHAT), good to half a sample. Polarity is decided on the
//! whitened peak too: the plain correlation of a DI with its take gives the wrong sign in some cases.

use super::shift;
use crate::model::audio::{LagMethod, Polarity};
use crate::units::SampleRate;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::f64::consts::PI;

/// Below this ratio of the larger to the smaller whitened peak the polarity is undecided.
pub const POLARITY_RATIO: f64 = 1.5;

/// A lag and how it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lag {
    /// Samples; positive: the second is later.
    pub samples: f64,
    /// How far it can be trusted, plus or minus.
    pub within: f64,
    /// How it was found.
    pub method: LagMethod,
    /// Polarity of the second against the first.
    pub polarity: Polarity,
    /// Larger over smaller whitened peak.
    pub polarity_ratio: f64,
    /// Peak of the plain correlation over the geometric mean of the energies: 1 for a delayed copy.
    pub correlation: f64,
}

/// One channel out of several: their mean.
#[must_use]
pub fn mono<C: AsRef<[f32]>>(channels: &[C]) -> Vec<f32> {
    match channels {
        [] => Vec::new(),
        [one] => one.as_ref().to_vec(),
        [first, ..] => {
            let scale = 1.0 / channels.len() as f32;
            (0..first.as_ref().len()).map(|n| channels.iter().map(|c| c.as_ref()[n]).sum::<f32>() * scale).collect()
        }
    }
}

fn good_length(n: usize) -> usize {
    // The smallest 2^a 3^b at or above n: never more than a third too long.
    let mut best = n.max(2).next_power_of_two();
    let mut three = 3;
    while three < best {
        let mut candidate = three;
        while candidate < n {
            candidate *= 2;
        }
        best = best.min(candidate);
        three *= 3;
    }
    // realfft's inverse wants an even length.
    best + best % 2
}

/// Largest positive and largest negative value of a circular correlation, each with its lag.
struct Peaks {
    positive: (i64, f64),
    negative: (i64, f64),
    values: Vec<f32>,
}

impl Peaks {
    fn of(values: Vec<f32>, first: usize, second: usize) -> Self {
        let n = values.len();
        let (mut positive, mut negative) = ((0, f64::MIN), (0, f64::MAX));
        // Lags 0..second stand at the front, lags -first+1..0 at the back; what lies between is padding.
        for (i, v) in values.iter().enumerate() {
            let lag = if i < second {
                i as i64
            } else if i + first > n {
                i as i64 - n as i64
            } else {
                continue;
            };
            let v = f64::from(*v);
            if v > positive.1 {
                positive = (lag, v);
            }
            if v < negative.1 {
                negative = (lag, v);
            }
        }
        Self { positive, negative, values }
    }

    fn strongest(&self) -> (i64, f64) {
        if self.positive.1 >= -self.negative.1 { self.positive } else { self.negative }
    }

    fn at(&self, lag: i64) -> f64 {
        let n = self.values.len() as i64;
        f64::from(self.values[lag.rem_euclid(n) as usize])
    }

    /// Parabola through the peak and its neighbours.
    fn refined(&self, lag: i64) -> f64 {
        let (a, b, c) = (self.at(lag - 1).abs(), self.at(lag).abs(), self.at(lag + 1).abs());
        let curve = a - 2.0 * b + c;
        if curve.abs() < 1e-30 { lag as f64 } else { lag as f64 + (0.5 * (a - c) / curve).clamp(-0.5, 0.5) }
    }
}

fn correlate(first: &[f32], second: &[f32]) -> (Peaks, Peaks) {
    let n = good_length(first.len() + second.len());
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
    let spectrum = |x: &[f32]| {
        let mut padded = forward.make_input_vec();
        for (p, v) in padded.iter_mut().zip(x) {
            *p = if v.is_finite() { *v } else { 0.0 };
        }
        let mut out = forward.make_output_vec();
        // Lengths come from the plan itself: this cannot fail.
        let _ = forward.process(&mut padded, &mut out);
        out
    };
    let (a, b) = (spectrum(first), spectrum(second));
    let back = |mut cross: Vec<Complex<f32>>| {
        // A real signal's spectrum is real at both ends; rounding must not say otherwise.
        let last = cross.len() - 1;
        cross[0].im = 0.0;
        cross[last].im = 0.0;
        let mut out = inverse.make_output_vec();
        let _ = inverse.process(&mut cross, &mut out);
        out
    };
    let cross: Vec<Complex<f32>> = a.iter().zip(&b).map(|(a, b)| b * a.conj()).collect();
    // Bins that hold next to nothing carry only rounding: whitening must not raise them.
    let strongest = cross.iter().map(|c| c.norm()).fold(0.0f32, f32::max);
    let white: Vec<Complex<f32>> =
        cross.iter().map(|c| if c.norm() > strongest * 1e-9 { c / c.norm() } else { Complex::new(0.0, 0.0) }).collect();
    let scale = 1.0 / n as f32;
    let plain: Vec<f32> = back(cross).into_iter().map(|v| v * scale).collect();
    (Peaks::of(plain, first.len(), second.len()), Peaks::of(back(white), first.len(), second.len()))
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v).powi(2)).sum()
}

/// Finds lag and polarity. `same_rig`: repeat takes of one setup, where a phase slope is meaningful. `None` when one of them is silent.
#[must_use]
pub fn find_lag(first: &[f32], second: &[f32], rate: SampleRate, same_rig: bool) -> Option<Lag> {
    let (e1, e2) = (energy(first), energy(second));
    if e1 <= 0.0 || e2 <= 0.0 {
        return None;
    }
    let (plain, white) = correlate(first, second);
    let (up, down) = (white.positive.1, -white.negative.1);
    let ratio = if up >= down { up / down.max(1e-30) } else { down / up.max(1e-30) };
    let polarity = match (ratio >= POLARITY_RATIO, up >= down) {
        (false, _) => Polarity::Undecided,
        (true, true) => Polarity::Same,
        (true, false) => Polarity::Flipped,
    };
    let (plain_lag, plain_peak) = plain.strongest();
    let (white_lag, _) = white.strongest();
    let correlation = plain_peak.abs() / (e1 * e2).sqrt();
    if same_rig && let Some(fraction) = phase_slope_at(first, second, plain_lag, rate) {
        let samples = plain_lag as f64 + fraction;
        return Some(Lag { samples, within: 0.05, method: LagMethod::PhaseSlope, polarity, polarity_ratio: ratio, correlation });
    }
    let samples = white.refined(white_lag);
    Some(Lag { samples, within: 0.5, method: LagMethod::WhitenedPeak, polarity, polarity_ratio: ratio, correlation })
}

/// The common stretch of two recordings when the second is `lag` whole samples late.
fn common<'a>(first: &'a [f32], second: &'a [f32], lag: i64) -> (&'a [f32], &'a [f32]) {
    let skip = |x: &'a [f32], n: i64| x.get(usize::try_from(n.max(0)).unwrap_or(usize::MAX)..).unwrap_or(&[]);
    let (a, b) = (skip(first, -lag), skip(second, lag));
    let n = a.len().min(b.len());
    (&a[..n], &b[..n])
}

/// What remains of the lag after whole samples are taken out; `None` when the common stretch is too short or the slope does not settle.
fn phase_slope_at(first: &[f32], second: &[f32], lag: i64, rate: SampleRate) -> Option<f64> {
    let (a, b) = common(first, second, lag);
    // A minute is plenty, and keeps the transform small.
    let most = 60 * rate.hz() as usize;
    let start = a.len().saturating_sub(most) / 2;
    let end = a.len().min(start + most);
    phase_slope(&a[start..end], &b[start..end], rate)
}

/// Phase slope of the cross-spectrum G = B conj(A): d += -sum(w Im(G e^{jwd})) / sum(w^2 Re(G e^{jwd})) over 60 Hz to 0.8 pi, four passes,
/// after a 10 % taper. Polarity does not matter.
#[must_use]
pub fn phase_slope(a: &[f32], b: &[f32], rate: SampleRate) -> Option<f64> {
    let n = a.len();
    if n < 256 || energy(a) <= 0.0 || energy(b) <= 0.0 {
        return None;
    }
    let length = good_length(n);
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(length);
    let edge = n / 10;
    let taper = |i: usize| {
        let k = i.min(n - 1 - i);
        if k < edge { 0.5 - 0.5 * (PI * (k as f64 + 0.5) / edge as f64).cos() } else { 1.0 }
    };
    let spectrum = |x: &[f32]| {
        let mut input = forward.make_input_vec();
        for (i, v) in x.iter().enumerate() {
            input[i] = f64::from(*v) * taper(i);
        }
        let mut out = forward.make_output_vec();
        // Lengths come from the plan itself: this cannot fail.
        let _ = forward.process(&mut input, &mut out);
        out
    };
    let (fa, fb) = (spectrum(a), spectrum(b));
    let cross: Vec<Complex<f64>> = fa.iter().zip(&fb).map(|(a, b)| b * a.conj()).collect();
    let low = (60.0 / rate.as_f64() * length as f64).ceil() as usize;
    let high = ((0.4 * length as f64) as usize).min(cross.len());
    // A flipped second has all phases turned by pi: turn it back for the slope.
    let sign = if cross.get(low..high)?.iter().map(|g| g.re).sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    let mut d = 0.0;
    for _ in 0..4 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (i, g) in cross[low..high].iter().enumerate() {
            let w = 2.0 * PI * (low + i) as f64 / length as f64;
            let turned = g * Complex::from_polar(sign, w * d);
            top += w * turned.im;
            bottom += w * w * turned.re;
        }
        if bottom <= 0.0 {
            return None;
        }
        d -= top / bottom;
    }
    (d.abs() <= 2.0).then_some(d)
}

/// Clock drift of the second against the first in ppm, with the lag at frame 0 that belongs to it: windows of 1 s, half overlapped, a
/// weighted line through their lags with one outlier pass; undone by warping and measured again, twice. `None` when too short (3 s).
#[must_use]
pub fn find_drift(first: &[f32], second: &[f32], lag: f64, rate: SampleRate) -> Option<(f64, f64)> {
    let n = first.len();
    let mut aligned = shift::advance(second, lag, n);
    let (mut drift, mut offset) = drift_pass(first, &aligned, rate)?;
    let passes = if drift.abs() > 0.02 { 2 } else { 0 };
    for _ in 0..passes {
        aligned = shift::unwarp(&shift::advance(second, lag + offset, n + 4096), drift, n);
        let (more, shifted) = drift_pass(first, &aligned, rate)?;
        drift += more;
        offset += shifted;
    }
    Some((drift, offset))
}

fn drift_pass(first: &[f32], second: &[f32], rate: SampleRate) -> Option<(f64, f64)> {
    let window = rate.hz() as usize;
    let mut points: Vec<(f64, f64, f64)> = Vec::new();
    let mut start = 0;
    while start + window <= first.len().min(second.len()) {
        let a = &first[start..start + window];
        // A strong drift moves a window by more than the phase slope can follow: whole samples come out first.
        let whole = coarse(a, &second[start..start + window]);
        let from = i64::try_from(start).unwrap_or(i64::MAX).saturating_add(whole);
        let b = usize::try_from(from).ok().and_then(|f| second.get(f..f + window));
        if let Some(d) = b.and_then(|b| phase_slope(a, b, rate)) {
            points.push((start as f64 + window as f64 / 2.0, d + whole as f64, energy(a).sqrt()));
        }
        start += window / 2;
    }
    if points.len() < 4 {
        return None;
    }
    let line = weighted_line(&points)?;
    let mut residuals: Vec<f64> = points.iter().map(|(t, d, _)| (d - line.0 * t - line.1).abs()).collect();
    residuals.sort_by(f64::total_cmp);
    let limit = (residuals[residuals.len() / 2] * 4.0).max(1e-6);
    points.retain(|(t, d, _)| (d - line.0 * t - line.1).abs() <= limit);
    let (slope, offset) = weighted_line(&points).unwrap_or(line);
    Some((slope * 1e6, offset))
}

/// Whole-sample lag of two windows of equal length; 0 when one is silent.
fn coarse(a: &[f32], b: &[f32]) -> i64 {
    if energy(a) <= 0.0 || energy(b) <= 0.0 {
        return 0;
    }
    correlate(a, b).0.strongest().0
}

fn weighted_line(points: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let w: f64 = points.iter().map(|p| p.2).sum();
    if w <= 0.0 || points.len() < 2 {
        return None;
    }
    let t = points.iter().map(|p| p.0 * p.2).sum::<f64>() / w;
    let d = points.iter().map(|p| p.1 * p.2).sum::<f64>() / w;
    let top: f64 = points.iter().map(|p| p.2 * (p.0 - t) * (p.1 - d)).sum();
    let bottom: f64 = points.iter().map(|p| p.2 * (p.0 - t).powi(2)).sum();
    if bottom <= 0.0 {
        return None;
    }
    let slope = top / bottom;
    Some((slope, d - slope * t))
}

/// Normalised correlation peak against a DI at the stated rate: below 0.35 it is another performance.
#[must_use]
pub fn resemblance(first: &[f32], second: &[f32]) -> Option<f64> {
    let (e1, e2) = (energy(first), energy(second));
    if e1 <= 0.0 || e2 <= 0.0 {
        return None;
    }
    let (plain, _) = correlate(first, second);
    Some(plain.strongest().1.abs() / (e1 * e2).sqrt())
}
