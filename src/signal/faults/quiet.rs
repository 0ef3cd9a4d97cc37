//! The quietest second of a channel, found in one pass: offset and hum are judged there, where no music covers them.

use super::sums::sums;
use crate::units::SampleRate;
use realfft::RealFftPlanner;
use std::f64::consts::PI;

/// The quietest second is the quietest ten tenths in a row.
const PARTS: usize = 10;

/// The search over one channel.
#[derive(Debug, Clone)]
pub(super) struct Search {
    /// Frames of a tenth.
    hop: usize,
    /// The last ten tenths, the oldest first, and the one that is being filled.
    recent: Vec<f32>,
    powers: Vec<f64>,
    best: Option<(f64, Vec<f32>)>,
}

/// A quietest second.
#[derive(Debug, Clone)]
pub(super) struct Quiet {
    /// Its samples.
    pub(super) samples: Vec<f32>,
    /// How far it lies under the whole recording, dB; infinite for digital silence.
    pub(super) below: f64,
}

impl Search {
    pub(super) fn new(rate: SampleRate) -> Self {
        Self { hop: rate.hz() as usize / PARTS, recent: Vec::new(), powers: Vec::new(), best: None }
    }

    /// Takes the next block; all samples must be finite.
    pub(super) fn push(&mut self, mut block: &[f32]) {
        while !block.is_empty() {
            let filled = self.recent.len() % self.hop;
            let n = (self.hop - filled).min(block.len());
            self.recent.extend_from_slice(&block[..n]);
            block = &block[n..];
            if filled + n == self.hop {
                self.part();
            }
        }
    }

    fn part(&mut self) {
        let part = &self.recent[self.recent.len() - self.hop..];
        self.powers.push(sums(part).mean_square());
        if self.powers.len() > PARTS {
            self.powers.remove(0);
            self.recent.drain(..self.hop);
        }
        if self.powers.len() == PARTS {
            let power = self.powers.iter().sum::<f64>();
            match &mut self.best {
                Some((least, samples)) if power < *least => {
                    *least = power;
                    samples.clear();
                    samples.extend_from_slice(&self.recent);
                }
                None => self.best = Some((power, self.recent.clone())),
                Some(_) => {}
            }
        }
    }

    /// The quietest second; none in a recording that is shorter than one. `all` is the mean square of the whole channel.
    pub(super) fn finish(self, all: f64) -> Option<Quiet> {
        let (_, samples) = self.best?;
        let quiet = sums(&samples).mean_square();
        let level = if quiet > 0.0 { 10.0 * quiet.log10() } else { f64::NEG_INFINITY };
        Some(Quiet { samples, below: 10.0 * all.log10() - level })
    }
}

/// Where the quietest second of a recording begins, and how far it lies under the whole, dB.
pub(super) fn quietest(x: &[f32], rate: SampleRate) -> Option<(usize, f64)> {
    let hop = (rate.hz() as usize / PARTS).max(1);
    let parts: Vec<f64> = x.chunks_exact(hop).map(|p| sums(p).mean_square()).collect();
    let seconds = parts.windows(PARTS).map(|w| w.iter().sum::<f64>() / PARTS as f64).enumerate();
    let (at, least) = seconds.min_by(|a, b| a.1.total_cmp(&b.1))?;
    Some((at * hop, 10.0 * (sums(x).mean_square().max(1e-30) / least.max(1e-30)).log10()))
}

/// Hum of one mains frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hum {
    /// 50 or 60.
    pub(super) mains: u16,
    /// Harmonics 1 to 10 that stand out.
    pub(super) harmonics: u32,
    /// Their summed level, dBFS.
    pub(super) level: f64,
    /// Whether the mains frequency itself stands out by twice as much as a harmonic must.
    fundamental: bool,
    /// Whether it is as loud at the beginning of the second as at its end: a chord that rings dies away.
    steady: bool,
}

impl Hum {
    /// Three harmonics, or the mains frequency alone if it stands out clearly, and they stay.
    pub(super) fn stands(&self) -> bool {
        self.steady && (self.harmonics >= 3 || self.fundamental)
    }
}

impl Quiet {
    /// The stronger of 50 and 60 Hz with their harmonics.
    pub(super) fn hum(&self, rate: SampleRate) -> Option<Hum> {
        let power = one_hertz_spectrum(&self.samples, rate)?;
        let found = [50, 60].map(|mains| (mains, harmonics(&power, mains)));
        let (mains, lines) = if found[0].1.sum >= found[1].1.sum { &found[0] } else { &found[1] };
        let half = self.samples.len() / 2;
        let of = |part: &[f32]| lines.at.iter().map(|hz| tone(part, f64::from(*hz), rate)).sum::<f64>();
        let (begin, end) = (of(&self.samples[..half]), of(&self.samples[half..]));
        let moved = 10.0 * (begin.max(1e-30) / end.max(1e-30)).log10();
        Some(Hum {
            mains: *mains,
            harmonics: lines.at.len() as u32,
            level: 10.0 * lines.sum.max(1e-300).log10(),
            fundamental: lines.fundamental,
            steady: moved.abs() <= STEADY_DB,
        })
    }
}

/// How far hum may move within a second, dB: an amplifier's heater and a transformer stay, a string has lost twice this in half a second.
const STEADY_DB: f64 = 1.5;

/// Power of a tone in a stretch, by its two quadratures under a Hann window.
fn tone(x: &[f32], hz: f64, rate: SampleRate) -> f64 {
    let (mut re, mut im, mut norm) = (0.0, 0.0, 0.0);
    for (i, v) in x.iter().enumerate() {
        let w = 0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / x.len() as f64).cos();
        let (s, c) = (2.0 * PI * hz * i as f64 / rate.as_f64()).sin_cos();
        re += w * c * f64::from(*v);
        im += w * s * f64::from(*v);
        norm += w;
    }
    2.0 * (re * re + im * im) / (norm * norm).max(1e-30)
}

/// Hann power spectrum with bins of 1 Hz, scaled so that the sum over bins is the mean square.
fn one_hertz_spectrum(x: &[f32], rate: SampleRate) -> Option<Vec<f64>> {
    let n = rate.hz() as usize + rate.hz() as usize % 2;
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let mut input = forward.make_input_vec();
    let mut norm = 0.0;
    for (i, (slot, v)) in input.iter_mut().zip(x).enumerate() {
        let w = 0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / n as f64).cos();
        norm += w * w;
        *slot = f64::from(*v) * w;
    }
    let mut out = forward.make_output_vec();
    forward.process(&mut input, &mut out).ok()?;
    Some(out.iter().map(|c| 2.0 * c.norm_sqr() / (norm * n as f64)).collect())
}

/// Harmonics that stand out.
struct Lines {
    /// Their frequencies.
    at: Vec<u16>,
    /// Their summed power.
    sum: f64,
    fundamental: bool,
}

/// Harmonics 1..10 that stand out, and their summed power: the power within 2 Hz must be 12 dB over five times the median bin 5 to 20 Hz
/// away; 24 dB for the first to stand alone.
fn harmonics(power: &[f64], mains: u16) -> Lines {
    let mut lines = Lines { at: Vec::new(), sum: 0.0, fundamental: false };
    for k in 1..=10u16 {
        let hz = mains * k;
        let at = usize::from(hz);
        if at + 21 > power.len() {
            break;
        }
        let line: f64 = power[at - 2..=at + 2].iter().sum();
        let mut around: Vec<f64> = power[at - 20..=at - 5].iter().chain(&power[at + 5..=at + 20]).copied().collect();
        around.sort_by(f64::total_cmp);
        let floor = 5.0 * around[around.len() / 2];
        if line > floor * 10f64.powf(1.2) {
            lines.at.push(hz);
            lines.sum += line;
            lines.fundamental |= k == 1 && line > floor * 10f64.powf(2.4);
        }
    }
    lines
}
