//! Filtering by a magnitude response: a minimum-phase impulse response from a curve in dB, and convolution with it.
//!
//! A driver's level curve over frequency comes without phase. The networks behind it are minimum phase, so the phase follows from the
//! magnitude: fold the real cepstrum onto positive times (Oppenheim & Schafer, Discrete-Time Signal Processing, "Cepstrum analysis"; from
//! memory).

use crate::units::SampleRate;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// The minimum-phase impulse response, `len` samples, of a magnitude given in dB at every frequency from 0 Hz to half the rate.
///
/// `len` is raised to at least 16 and to a power of two. Works on a grid eight times as fine, so that the cepstrum does not wrap.
#[must_use]
pub fn minimum_phase(rate: SampleRate, len: usize, db: impl Fn(f64) -> f64) -> Vec<f32> {
    let len = len.max(16).next_power_of_two();
    let n = len * 8;
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
    let nepers = std::f64::consts::LN_10 / 20.0;
    let mut spectrum: Vec<Complex<f64>> =
        (0..=n / 2).map(|k| Complex::new(db(k as f64 * rate.as_f64() / n as f64) * nepers, 0.0)).collect();
    let mut cepstrum = vec![0.0; n];
    if inverse.process(&mut spectrum, &mut cepstrum).is_err() {
        return Vec::new();
    }
    for (i, c) in cepstrum.iter_mut().enumerate() {
        let fold = if i == 0 || i == n / 2 {
            1.0
        } else if i < n / 2 {
            2.0
        } else {
            0.0
        };
        *c *= fold / n as f64;
    }
    let mut folded = forward.make_output_vec();
    if forward.process(&mut cepstrum, &mut folded).is_err() {
        return Vec::new();
    }
    for s in &mut folded {
        *s = s.exp();
    }
    // A real signal has no imaginary part at 0 Hz and at half the rate; what is there is rounding.
    for end in [0, n / 2] {
        folded[end].im = 0.0;
    }
    let mut impulse = vec![0.0; n];
    if inverse.process(&mut folded, &mut impulse).is_err() {
        return Vec::new();
    }
    impulse.truncate(len);
    impulse.iter().map(|v| (*v / n as f64) as f32).collect()
}

/// Convolution of `x` with an impulse response, cut to the length of `x`.
#[must_use]
pub fn convolve(x: &[f32], impulse: &[f32]) -> Vec<f32> {
    let n = (x.len() + impulse.len()).next_power_of_two().max(2);
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
    let transform = |samples: &[f32]| {
        let mut padded = vec![0.0f32; n];
        padded[..samples.len()].copy_from_slice(samples);
        let mut out = forward.make_output_vec();
        forward.process(&mut padded, &mut out).ok().map(|()| out)
    };
    let (Some(mut a), Some(b)) = (transform(x), transform(impulse)) else { return Vec::new() };
    for (a, b) in a.iter_mut().zip(&b) {
        *a *= b;
    }
    let mut out = vec![0.0f32; n];
    if inverse.process(&mut a, &mut out).is_err() {
        return Vec::new();
    }
    out.truncate(x.len());
    let scale = 1.0 / n as f32;
    out.iter_mut().for_each(|v| *v *= scale);
    out
}
