//! Transforms and the coarse copies that are searched first.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::cell::RefCell;
use std::f64::consts::PI;

thread_local! {
    static PLANNER: RefCell<RealFftPlanner<f32>> = RefCell::new(RealFftPlanner::new());
}

/// Spectrum of a stretch, padded with silence to `n` samples (even).
pub(super) fn forward(x: &[f32], n: usize) -> Vec<Complex<f32>> {
    let plan = PLANNER.with_borrow_mut(|p| p.plan_fft_forward(n));
    let mut input = plan.make_input_vec();
    for (i, v) in input.iter_mut().zip(x) {
        *i = if v.is_finite() { *v } else { 0.0 };
    }
    let mut out = plan.make_output_vec();
    // Lengths come from the plan itself: this cannot fail.
    let _ = plan.process(&mut input, &mut out);
    out
}

/// Back to `n` samples, scaled.
pub(super) fn inverse(mut spectrum: Vec<Complex<f32>>, n: usize) -> Vec<f32> {
    let plan = PLANNER.with_borrow_mut(|p| p.plan_fft_inverse(n));
    // A real signal's spectrum is real at both ends; rounding must not say otherwise.
    let last = spectrum.len() - 1;
    spectrum[0].im = 0.0;
    spectrum[last].im = 0.0;
    let mut out = plan.make_output_vec();
    let _ = plan.process(&mut spectrum, &mut out);
    let scale = 1.0 / n as f32;
    out.iter_mut().for_each(|v| *v *= scale);
    out
}

/// An even length at or above `n` that transforms quickly.
pub(super) fn good(n: usize) -> usize {
    let mut best = n.max(2).next_power_of_two();
    let mut odd = 3;
    while odd < best {
        let mut length = 2 * odd;
        while length < n {
            length *= 2;
        }
        best = best.min(length);
        odd *= 3;
    }
    best
}

/// Every `step`th sample after a low-pass (a sinc of 16 zero crossings under a Hann window): sample m of the copy is sample m * `step`.
#[must_use]
pub fn thin(x: &[f32], step: usize) -> Vec<f32> {
    if step <= 1 {
        return x.iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
    }
    let half = 8 * step;
    let cut = 0.9 / step as f64;
    let taps: Vec<f32> = (0..=2 * half)
        .map(|i| {
            let t = i as f64 - half as f64;
            let sinc = if t == 0.0 { 1.0 } else { (PI * cut * t).sin() / (PI * cut * t) };
            (cut * sinc * (0.5 + 0.5 * (PI * t / (half as f64 + 1.0)).cos())) as f32
        })
        .collect();
    let mut padded = vec![0.0f32; taps.len()];
    (0..x.len().div_ceil(step))
        .map(|m| {
            let centre = m * step;
            let inside = centre.checked_sub(half).and_then(|s| x.get(s..s + taps.len()));
            let source = inside.unwrap_or_else(|| {
                for (i, p) in padded.iter_mut().enumerate() {
                    *p = (centre + i).checked_sub(half).and_then(|k| x.get(k)).copied().unwrap_or(0.0);
                }
                &padded
            });
            let mut lanes = [0.0f32; 8];
            for (s, h) in source.chunks(8).zip(taps.chunks(8)) {
                for (lane, (v, h)) in lanes.iter_mut().zip(s.iter().zip(h)) {
                    *lane += if v.is_finite() { v * h } else { 0.0 };
                }
            }
            lanes.iter().sum()
        })
        .collect()
}

/// Bins over which the long-term spectrum is smoothed, to both sides.
const SMOOTH: usize = 6;

/// Length of the spectra that are averaged.
const AVERAGED: usize = 1024;

/// Divided by its smoothed long-term spectrum, at most 40 dB from the strongest: gain and equalisation are gone, what was played is left.
pub(super) fn whitened(x: &[f32]) -> Vec<f32> {
    let mut power = vec![0.0f64; AVERAGED / 2 + 1];
    let window: Vec<f32> =
        (0..AVERAGED).map(|i| (0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / AVERAGED as f64).cos()) as f32).collect();
    let hop = (AVERAGED / 2).max(x.len() / 4000);
    for start in (0..x.len().saturating_sub(AVERAGED)).step_by(hop) {
        let part: Vec<f32> = x[start..start + AVERAGED].iter().zip(&window).map(|(v, w)| v * w).collect();
        for (p, c) in power.iter_mut().zip(forward(&part, AVERAGED)) {
            *p += f64::from(c.norm_sqr());
        }
    }
    let smooth: Vec<f64> = (0..power.len())
        .map(|k| {
            let around = &power[k.saturating_sub(SMOOTH)..(k + SMOOTH + 1).min(power.len())];
            around.iter().sum::<f64>() / around.len() as f64
        })
        .collect();
    let most = smooth.iter().copied().fold(0.0, f64::max);
    if most <= 0.0 {
        return x.to_vec();
    }
    let n = good(x.len() + AVERAGED);
    let mut spectrum = forward(x, n);
    let bins = spectrum.len() as f64 - 1.0;
    for (k, c) in spectrum.iter_mut().enumerate() {
        let place = k as f64 / bins * (smooth.len() - 1) as f64;
        let (low, share) = (place as usize, place.fract());
        let high = (low + 1).min(smooth.len() - 1);
        let p = smooth[low] * (1.0 - share) + smooth[high] * share;
        *c *= (most / p.max(most * 1e-4)).sqrt() as f32;
    }
    let mut out = inverse(spectrum, n);
    out.truncate(x.len());
    out
}
