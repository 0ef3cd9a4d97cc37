//! Lag, polarity and drift of a second recording against a first. Positive: the second is later.
//!
//! Repeat takes of one rig: the peak of the cross-correlation, then the phase slope of the cross-spectrum (hundredths of a sample).
//! Different wirings have no single lag: the peak of the whitened correlation (PHAT), good to half a sample. Polarity is decided on the
//! whitened peak too: the plain correlation of a DI with its take gives the wrong sign in some cases.

mod correlate;
mod drift;
mod slope;

use crate::model::audio::{LagMethod, Polarity};
use crate::units::SampleRate;
use correlate::{Peaks, correlate, correlate_near};
pub use drift::{Clock, find_clock, find_drift};
pub use slope::phase_slope;
use slope::phase_slope_at;

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

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v).powi(2)).sum()
}

/// Above so many frames of both together the whole is only looked at coarsely, and the lag is found in a part of it.
const WHOLE_FRAMES: usize = 1 << 22;

/// Length of that part, in seconds.
const PART_S: usize = 20;

/// What both correlations of two recordings say.
struct Both {
    plain_lag: i64,
    white_lag: i64,
    white: Peaks,
    polarity: Polarity,
    polarity_ratio: f64,
    correlation: f64,
}

fn both(first: &[f32], second: &[f32]) -> Option<Both> {
    let (e1, e2) = (energy(first), energy(second));
    if e1 <= 0.0 || e2 <= 0.0 {
        return None;
    }
    both_of(correlate(first, second), (e1 * e2).sqrt())
}

fn both_of((plain, white): (Peaks, Peaks), energy: f64) -> Option<Both> {
    let (up, down) = (white.positive.1, -white.negative.1);
    let ratio = if up >= down { up / down.max(1e-30) } else { down / up.max(1e-30) };
    let polarity = match (ratio >= POLARITY_RATIO, up >= down) {
        (false, _) => Polarity::Undecided,
        (true, true) => Polarity::Same,
        (true, false) => Polarity::Flipped,
    };
    let (plain_lag, plain_peak) = plain.strongest();
    let white_lag = white.strongest().0;
    let correlation = plain_peak.abs() / energy;
    Some(Both { plain_lag, white_lag, white, polarity, polarity_ratio: ratio, correlation })
}

impl Both {
    fn lag(&self, samples: f64, within: f64, method: LagMethod) -> Lag {
        let (polarity, polarity_ratio, correlation) = (self.polarity, self.polarity_ratio, self.correlation);
        Lag { samples, within, method, polarity, polarity_ratio, correlation }
    }

    fn fine(&self, first: &[f32], second: &[f32], rate: SampleRate) -> Option<Lag> {
        let fraction = phase_slope_at(first, second, self.plain_lag, rate)?;
        Some(self.lag(self.plain_lag as f64 + fraction, 0.05, LagMethod::PhaseSlope))
    }

    fn coarse(&self) -> Lag {
        self.lag(self.white.refined(self.white_lag), 0.5, LagMethod::WhitenedPeak)
    }
}

/// Finds lag and polarity. `same_rig`: repeat takes of one setup, where a phase slope is meaningful. `None` when one of them is silent.
#[must_use]
pub fn find_lag(first: &[f32], second: &[f32], rate: SampleRate, same_rig: bool) -> Option<Lag> {
    in_part(first, second, rate, |a, b| {
        let both = both(a, b)?;
        let fine = if same_rig { both.fine(a, b, rate) } else { None };
        Some(fine.unwrap_or_else(|| both.coarse()))
    })
}

/// Finds lag and polarity of recordings of which nothing is known. Both methods agree on repeat takes of one rig, and the finer one is
/// returned; where they part, the two are different wirings and only the coarser one is honest. `None` when one of them is silent.
#[must_use]
pub fn find_honest_lag(first: &[f32], second: &[f32], rate: SampleRate) -> Option<Lag> {
    in_part(first, second, rate, |a, b| {
        let both = both(a, b)?;
        let white = both.coarse();
        let fine = both.fine(a, b, rate).filter(|fine| (fine.samples - white.samples).abs() <= 0.75);
        Some(fine.unwrap_or(white))
    })
}

/// What both methods say of two stretches that lie over each other but for a few samples.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Near {
    /// By the whitened peak.
    pub(crate) white: Lag,
    /// By the phase slope.
    pub(crate) slope: Option<Lag>,
}

impl Near {
    /// Whether the two agree, as they do on takes of one rig.
    pub(crate) fn agree(&self) -> bool {
        self.slope.is_some_and(|fine| (fine.samples - self.white.samples).abs() <= 0.75)
    }
}

/// Lag and polarity of two stretches that lie over each other but for `near` samples. `None` when one of them is silent.
pub(crate) fn find_near(first: &[f32], second: &[f32], rate: SampleRate, near: usize) -> Option<Near> {
    let (e1, e2) = (energy(first), energy(second));
    if e1 <= 0.0 || e2 <= 0.0 {
        return None;
    }
    let both = both_of(correlate_near(first, second, near), (e1 * e2).sqrt())?;
    Some(Near { white: both.coarse(), slope: both.fine(first, second, rate) })
}

/// Short recordings as they are; of long ones the loudest common part, after the whole has been laid over each other at a low rate.
fn in_part(first: &[f32], second: &[f32], rate: SampleRate, find: impl Fn(&[f32], &[f32]) -> Option<Lag>) -> Option<Lag> {
    if first.len() + second.len() <= WHOLE_FRAMES {
        return find(first, second);
    }
    let Part { a, b, lag, from, to } = loudest_part(first, second, rate)?;
    let found = find(&a[from..to], &b[from..to])?;
    // With two clocks the lag at frame 0 is another one than in the part.
    let offset = if found.method == LagMethod::PhaseSlope { drift_between(a, b, from, to - from, rate) } else { 0.0 };
    Some(Lag { samples: found.samples + lag as f64 - offset, ..found })
}

/// Two recordings laid over each other roughly, and the loudest stretch that they share.
struct Part<'a> {
    a: &'a [f32],
    b: &'a [f32],
    /// Whole samples that were taken out.
    lag: i64,
    from: usize,
    to: usize,
}

/// Found at a low rate. `None` when one of them is silent.
fn loudest_part<'a>(first: &'a [f32], second: &'a [f32], rate: SampleRate) -> Option<Part<'a>> {
    // However long they are, the coarse copies are not.
    let step = (rate.hz() as usize / 8_000).max((first.len() + second.len()).div_ceil(2 * WHOLE_FRAMES)).max(1);
    let lag = both(&thinned(first, step), &thinned(second, step))?.plain_lag.saturating_mul(step as i64);
    let (a, b) = common(first, second, lag);
    let part = (PART_S * rate.hz() as usize).min(a.len());
    let hop = rate.hz() as usize;
    // Energies second by second; a part is so many of them.
    let seconds = |x: &[f32]| x.chunks_exact(hop).map(energy).collect::<Vec<f64>>();
    let (first, second) = (seconds(a), seconds(b));
    let count = (part / hop).clamp(1, first.len().max(1));
    let power = first.windows(count).zip(second.windows(count)).map(|(x, y)| x.iter().sum::<f64>() * y.iter().sum::<f64>());
    let from = power.enumerate().max_by(|x, y| x.1.total_cmp(&y.1)).map_or(0, |(i, _)| i * hop);
    Some(Part { a, b, lag, from, to: from + part })
}

/// How much later the part is than frame 0 because of drift, by a second look at the earliest part that sounds.
fn drift_between(a: &[f32], b: &[f32], start: usize, part: usize, rate: SampleRate) -> f64 {
    let window = part / 4;
    // Whole samples first: the coarse copy has left some, and drift adds its own; a phase slope alone sees less than one.
    let lag_at = |from: usize| {
        let (x, y) = (a.get(from..from + window)?, b.get(from..from + window)?);
        Some(both(x, y)?.fine(x, y, rate)?.samples)
    };
    let loud = energy(&a[start..start + part]) / part as f64;
    let early = (0..start.saturating_sub(window))
        .step_by(window.max(1))
        .find(|s| energy(&a[*s..s + window]) / window as f64 > 0.01 * loud);
    let (Some(early), Some(late)) = (early, lag_at(start)) else { return 0.0 };
    let Some(first) = lag_at(early) else { return 0.0 };
    let per_frame = (late - first) / (start - early) as f64;
    per_frame * (start + part / 2) as f64
}

/// Means of `step` frames each: a coarse copy at a lower rate.
fn thinned(x: &[f32], step: usize) -> Vec<f32> {
    x.chunks_exact(step).map(|c| c.iter().filter(|v| v.is_finite()).sum::<f32>() / step as f32).collect()
}

/// Normalised correlation peak against a DI at the stated rate: below 0.35 it is another performance. Of long recordings it is that of
/// their loudest common part, so that neither memory nor a clock's drift grows with the length.
#[must_use]
pub fn resemblance(first: &[f32], second: &[f32], rate: SampleRate) -> Option<f64> {
    let alike = |a: &[f32], b: &[f32]| {
        let (e1, e2) = (energy(a), energy(b));
        (e1 > 0.0 && e2 > 0.0).then(|| correlate(a, b).0.strongest().1.abs() / (e1 * e2).sqrt())
    };
    if first.len() + second.len() <= WHOLE_FRAMES {
        return alike(first, second);
    }
    let part = loudest_part(first, second, rate)?;
    alike(&part.a[part.from..part.to], &part.b[part.from..part.to])
}

/// The common stretch of two recordings when the second is `lag` whole samples late.
fn common<'a>(first: &'a [f32], second: &'a [f32], lag: i64) -> (&'a [f32], &'a [f32]) {
    let skip = |x: &'a [f32], n: i64| x.get(usize::try_from(n.max(0)).unwrap_or(usize::MAX)..).unwrap_or(&[]);
    let (a, b) = (skip(first, -lag), skip(second, lag));
    let n = a.len().min(b.len());
    (&a[..n], &b[..n])
}
