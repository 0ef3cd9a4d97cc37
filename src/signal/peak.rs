//! True peak (ITU-R BS.1770-5 Annex 2): four times oversampling below 96 kHz, twice from 96 kHz, none from 192 kHz.
//!
//! 48 taps, h(j) = w(j) sinc((j-24)/L), w(j) = 0.5 (1 - cos(2 pi j/48)). |output| <= max|x| * the largest sum of |taps| of a phase: where
//! that cannot raise the peak found so far, the oversampling is skipped; the result is the same to the last bit.

use crate::units::SampleRate;
use std::f64::consts::PI;

/// Samples that are looked at together when deciding whether to skip.
const CHUNK: usize = 256;

/// The peak of one channel, fed in blocks.
#[derive(Debug, Clone)]
pub struct TruePeak {
    /// phases x taps, newest sample first; phase 0 is the sample itself and left out.
    phases: Vec<Vec<f32>>,
    taps: usize,
    bound: f32,
    /// The last `taps - 1` samples of the block before, then the block.
    work: Vec<f32>,
    /// Largest magnitude so far, of samples and between them.
    peak: f32,
    /// Largest magnitude of the samples.
    sample: f32,
    skip: bool,
}

impl TruePeak {
    /// At rest.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let factor = match rate.hz() {
            0..96_000 => 4,
            96_000..192_000 => 2,
            _ => 1,
        };
        let taps = 48 / factor;
        let tap = |j: usize| {
            let x = (j as f64 - 24.0) / factor as f64;
            let sinc = if j == 24 { 1.0 } else { (PI * x).sin() / (PI * x) };
            (0.5 * (1.0 - (2.0 * PI * j as f64 / 48.0).cos()) * sinc) as f32
        };
        let phases: Vec<Vec<f32>> = (1..factor).map(|p| (0..taps).map(|k| tap(p + factor * k)).collect()).collect();
        let bound = phases.iter().map(|p| p.iter().map(|h| h.abs()).sum::<f32>()).fold(1.0, f32::max);
        // Rounding of the sums must never make the bound too small.
        Self { phases, taps, bound: bound * 1.0001, work: vec![0.0; taps - 1], peak: 0.0, sample: 0.0, skip: true }
    }

    /// The same without the shortcut: the reference that the tests compare with.
    #[must_use]
    pub fn without_shortcut(rate: SampleRate) -> Self {
        Self { skip: false, ..Self::new(rate) }
    }

    /// Takes the next block. NaN and infinite samples are passed over (another detector names them).
    pub fn push(&mut self, block: &[f32]) {
        let history = self.taps - 1;
        self.work.truncate(history);
        self.work.extend(block.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        let loudest = loudest(&self.work[history..]);
        self.sample = self.sample.max(loudest);
        // Phase 0 is the sample itself: starting from the block's own peak makes the shortcut bite.
        self.peak = self.peak.max(loudest);
        if !self.phases.is_empty() && (!self.skip || loudest * self.bound > self.peak || self.edge() * self.bound > self.peak) {
            let work = std::mem::take(&mut self.work);
            for start in (0..block.len()).step_by(CHUNK) {
                let end = (start + CHUNK).min(block.len());
                self.chunk(&work[start..end + history]);
            }
            self.work = work;
        }
        let keep = self.work.len() - history;
        self.work.drain(..keep);
    }

    fn edge(&self) -> f32 {
        loudest(&self.work[..self.taps - 1])
    }

    /// `window` begins `taps - 1` samples before the chunk.
    fn chunk(&mut self, window: &[f32]) {
        if self.skip && loudest(window) * self.bound <= self.peak {
            return;
        }
        let n = window.len() + 1 - self.taps;
        for phase in &self.phases {
            let mut out = [0.0f32; CHUNK];
            for (k, h) in phase.iter().enumerate() {
                let from = self.taps - 1 - k;
                for (y, x) in out[..n].iter_mut().zip(&window[from..from + n]) {
                    *y += h * x;
                }
            }
            self.peak = out[..n].iter().fold(self.peak, |m, y| m.max(y.abs()));
        }
    }

    /// Largest magnitude between and on the samples; 0 for digital silence.
    #[must_use]
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// Largest magnitude of the samples.
    #[must_use]
    pub fn sample_peak(&self) -> f32 {
        self.sample
    }
}

/// Largest magnitude of a stretch without NaN: eight maxima side by side, which the compiler makes vector code of.
fn loudest(x: &[f32]) -> f32 {
    let mut most = [0.0f32; 8];
    for chunk in x.chunks(8) {
        for (m, v) in most.iter_mut().zip(chunk) {
            let v = v.abs();
            *m = if v > *m { v } else { *m };
        }
    }
    most.into_iter().fold(0.0, f32::max)
}
