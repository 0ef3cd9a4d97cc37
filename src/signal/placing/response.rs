//! A linear response fitted between two recordings that lie over each other: what cab, mic and equaliser do, so that the rest shows.

use super::fft::{forward, good, inverse};
use realfft::num_complex::Complex;
use std::f64::consts::PI;

/// A response, longest before and after its middle alike.
#[derive(Debug, Clone)]
pub struct Response {
    taps: Vec<f32>,
}

impl Response {
    /// Fits the response of `len` taps (raised to a power of two) that turns `first` into `second`, over stretches of both (start in the
    /// first, start in the second, frames): cross-spectrum over power spectrum (H1 estimate; Bendat & Piersol, Random Data; from memory).
    /// `None` when there is too little in them.
    #[must_use]
    pub fn fit(first: &[f32], second: &[f32], stretches: &[(usize, usize, usize)], len: usize) -> Option<Self> {
        let n = len.next_power_of_two().max(64);
        let window: Vec<f32> = (0..n).map(|i| (0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / n as f64).cos()) as f32).collect();
        let mut cross = vec![Complex::new(0.0f64, 0.0); n / 2 + 1];
        let mut power = vec![0.0f64; n / 2 + 1];
        for (from, to, frames) in stretches {
            for at in (0..=frames.saturating_sub(n)).step_by(n / 4) {
                let (Some(a), Some(b)) = (first.get(from + at..from + at + n), second.get(to + at..to + at + n)) else {
                    continue;
                };
                let cut = |x: &[f32]| forward(&x.iter().zip(&window).map(|(v, w)| v * w).collect::<Vec<_>>(), n);
                for ((c, p), (a, b)) in cross.iter_mut().zip(&mut power).zip(cut(a).iter().zip(cut(b))) {
                    let g = b * a.conj();
                    *c += Complex::new(f64::from(g.re), f64::from(g.im));
                    *p += f64::from(a.norm_sqr());
                }
            }
        }
        let mean = power.iter().sum::<f64>() / power.len() as f64;
        if mean <= 0.0 {
            return None;
        }
        let quotient = cross.iter().zip(&power).map(|(c, p)| c / (p + 1e-5 * mean));
        let spectrum: Vec<Complex<f32>> = quotient.map(|h| Complex::new(h.re as f32, h.im as f32)).collect();
        let mut taps = inverse(spectrum, n);
        taps.rotate_right(n / 2);
        for (i, t) in taps.iter_mut().enumerate() {
            // Flat over the middle half, then down to nothing: no edge of the circle rings on.
            let off = (i as f64 - n as f64 / 2.0).abs() / (n as f64 / 2.0);
            *t *= if off < 0.5 { 1.0 } else { (0.5 + 0.5 * (2.0 * PI * (off - 0.5)).cos()) as f32 };
        }
        Some(Self { taps })
    }

    /// The first as the response makes it, of equal length, in place on its own time base.
    #[must_use]
    pub fn apply(&self, x: &[f32]) -> Vec<f32> {
        let (len, half) = (self.taps.len(), self.taps.len() / 2);
        let n = good(8 * len);
        let block = n - len;
        let response = forward(&self.taps, n);
        let mut out = vec![0.0f32; x.len() + n];
        for start in (0..x.len()).step_by(block) {
            let part = forward(&x[start..(start + block).min(x.len())], n);
            let made = inverse(part.iter().zip(&response).map(|(a, h)| a * h).collect(), n);
            for (o, v) in out[start..].iter_mut().zip(made) {
                *o += v;
            }
        }
        out.drain(..half);
        out.truncate(x.len());
        out
    }
}
