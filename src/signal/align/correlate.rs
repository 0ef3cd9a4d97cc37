//! Plain and whitened cross-correlation by FFT.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// An even length at or above `n` that transforms quickly (realfft's inverse wants it even).
pub(super) fn good_length(n: usize) -> usize {
    // The smallest 2^a 3^b at or above n with a at least 1: never more than a third too long.
    let mut best = n.max(2).next_power_of_two();
    let mut start = 6;
    while start < best {
        let mut candidate = start;
        while candidate < n {
            candidate *= 2;
        }
        best = best.min(candidate);
        start *= 3;
    }
    best
}

/// Largest positive and largest negative value of a circular correlation, each with its lag.
pub(super) struct Peaks {
    pub(super) positive: (i64, f64),
    pub(super) negative: (i64, f64),
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

    /// The same with only those lags counted that lie within so many samples of none.
    fn within(mut self, near: usize) -> Self {
        let n = self.values.len();
        for i in near + 1..n.saturating_sub(near) {
            self.values[i] = 0.0;
        }
        let (first, second) = (near.min(n / 2), near.min(n / 2));
        Self::of(self.values, first + 1, second + 1)
    }

    /// The larger of the two by magnitude.
    pub(super) fn strongest(&self) -> (i64, f64) {
        if self.positive.1 >= -self.negative.1 { self.positive } else { self.negative }
    }

    fn at(&self, lag: i64) -> f64 {
        let n = self.values.len() as i64;
        f64::from(self.values[lag.rem_euclid(n) as usize])
    }

    /// Parabola through the peak and its neighbours.
    pub(super) fn refined(&self, lag: i64) -> f64 {
        let (a, b, c) = (self.at(lag - 1).abs(), self.at(lag).abs(), self.at(lag + 1).abs());
        let curve = a - 2.0 * b + c;
        if curve.abs() < 1e-30 { lag as f64 } else { lag as f64 + (0.5 * (a - c) / curve).clamp(-0.5, 0.5) }
    }
}

/// Plain and whitened correlation of two that lie over each other but for a few samples.
pub(super) fn correlate_near(first: &[f32], second: &[f32], near: usize) -> (Peaks, Peaks) {
    let (plain, white) = correlate(first, second);
    (plain.within(near), white.within(near))
}

/// Plain and whitened (PHAT) correlation.
pub(super) fn correlate(first: &[f32], second: &[f32]) -> (Peaks, Peaks) {
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
