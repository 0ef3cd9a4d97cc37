//! The difference of two clocks.

use super::correlate::correlate;
use super::energy;
use super::slope::phase_slope;
use crate::signal::shift;
use crate::units::SampleRate;
use rayon::prelude::*;
use std::borrow::Cow;

/// Windows in which the drift of one recording is looked for, at most.
const DRIFT_WINDOWS: usize = 120;

/// Standard errors that a clock is told within.
const ERRORS: f64 = 4.0;

/// The difference of two clocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Drift in ppm.
    pub drift: f64,
    /// How far it can be trusted: four standard errors of the line's slope.
    pub within: f64,
    /// What has to be added to the lag that was given, at frame 0.
    pub offset: f64,
}

/// Clock drift of the second against the first in ppm, with the lag at frame 0 that belongs to it: windows of 1 s, half overlapped (of
/// long recordings 120 of them), a weighted line through those lags that lie on one; undone by warping and measured again, twice.
/// `None` when too short (3 s).
#[must_use]
pub fn find_drift(first: &[f32], second: &[f32], lag: f64, rate: SampleRate) -> Option<(f64, f64)> {
    find_clock(first, second, lag, rate).map(|c| (c.drift, c.offset))
}

/// The same with its uncertainty.
#[must_use]
pub fn find_clock(first: &[f32], second: &[f32], lag: f64, rate: SampleRate) -> Option<Clock> {
    let mut clock = drift_pass(first, second, (lag, 0.0), rate)?;
    let passes = if clock.drift.abs() > 0.02 { 2 } else { 0 };
    for _ in 0..passes {
        let more = drift_pass(first, second, (lag + clock.offset, clock.drift), rate)?;
        clock = Clock { drift: clock.drift + more.drift, within: more.within, offset: clock.offset + more.offset };
    }
    Some(clock)
}

/// How often windows that lie off the line are left out, at most.
const OUTLIER_PASSES: usize = 5;

/// Windows that are looked at for whole samples before all are.
const PROBES: usize = 10;

/// Windows of both recordings, with a lag and a drift taken out of the second.
struct View<'a> {
    first: &'a [f32],
    second: &'a [f32],
    lag: f64,
    drift: f64,
    window: usize,
}

impl View<'_> {
    /// A window of the second from `start` of the first's clock on, and how much later than asked for it begins, in samples. Without drift
    /// it is cut at a whole sample, which costs nothing.
    fn cut(&self, start: i64) -> Option<(Cow<'_, [f32]>, f64)> {
        let from = usize::try_from(start).ok()?;
        if self.drift == 0.0 {
            let whole = self.lag.round();
            let begin = usize::try_from(start.checked_add(whole as i64)?).ok()?;
            return Some((Cow::Borrowed(self.second.get(begin..begin + self.window)?), whole - self.lag));
        }
        let end = self.lag + (from + self.window) as f64 * (1.0 + self.drift * 1e-6);
        if end > self.second.len() as f64 {
            return None;
        }
        Some((Cow::Owned(shift::unwarp_at(self.second, self.lag, self.drift, from, self.window)), 0.0))
    }

    fn reference(&self, start: usize) -> &[f32] {
        &self.first[start..start + self.window]
    }

    /// Whole samples that are left at a window.
    fn whole(&self, start: usize) -> Option<i64> {
        let (b, _) = self.cut(i64::try_from(start).ok()?)?;
        Some(coarse(self.reference(start), &b))
    }

    /// (middle of the window, lag that is left there, weight).
    fn point(&self, start: usize, strong: bool, rate: SampleRate) -> Option<(f64, f64, f64)> {
        let whole = if strong { self.whole(start)? } else { 0 };
        let (b, late) = self.cut(i64::try_from(start).ok()?.checked_add(whole)?)?;
        let a = self.reference(start);
        let d = phase_slope(a, &b, rate)?;
        Some((start as f64 + self.window as f64 / 2.0, d + late + whole as f64, energy(a).sqrt()))
    }
}

/// One pass: what lag and drift are left when those that are given have been taken out.
fn drift_pass(first: &[f32], second: &[f32], (lag, drift): (f64, f64), rate: SampleRate) -> Option<Clock> {
    let window = rate.hz() as usize;
    let last = first.len().checked_sub(window)?;
    let hop = (window / 2).max(last / DRIFT_WINDOWS);
    let starts: Vec<usize> = (0..=last).step_by(hop).collect();
    let views = View { first, second, lag, drift, window };
    // A strong drift moves a window by more than the phase slope can follow: then whole samples come out first, everywhere.
    let probes: Vec<usize> = starts.iter().copied().step_by((starts.len() / PROBES).max(1)).collect();
    let strong = probes.par_iter().any(|start| views.whole(*start) != Some(0));
    let mut points: Vec<(f64, f64, f64)> = starts.par_iter().filter_map(|start| views.point(*start, strong, rate)).collect();
    if points.len() < 4 {
        return None;
    }
    let mut line = weighted_line(&points)?;
    // What lies off the line has drawn it to itself: leave it out, lay the line anew, and look again until nothing more lies off.
    for _ in 0..OUTLIER_PASSES {
        let off = |(t, d, _): &(f64, f64, f64)| (d - line.0 * t - line.1).abs();
        let mut residuals: Vec<f64> = points.iter().map(off).collect();
        residuals.sort_by(f64::total_cmp);
        let limit = (residuals[residuals.len() / 2] * 4.0).max(1e-6);
        let before = points.len();
        points.retain(|p| off(p) <= limit);
        if points.len() == before {
            break;
        }
        let Some(better) = weighted_line(&points) else { break };
        line = better;
    }
    let within = ERRORS * slope_error(&points, line) * 1e6;
    Some(Clock { drift: line.0 * 1e6, within, offset: line.1 })
}

/// Standard error of a line's slope. Windows overlap by half: two of them know hardly more than one; few of them scatter less than they should.
fn slope_error(points: &[(f64, f64, f64)], line: (f64, f64)) -> f64 {
    let w: f64 = points.iter().map(|p| p.2).sum();
    let t = points.iter().map(|p| p.0 * p.2).sum::<f64>() / w;
    let rest = points.iter().map(|p| p.2 * (p.1 - line.0 * p.0 - line.1).powi(2)).sum::<f64>() / w;
    let spread = points.iter().map(|p| p.2 * (p.0 - t).powi(2)).sum::<f64>() / w;
    let free = (points.len() as f64 / 2.0 - 2.0).max(1.0);
    (rest / spread.max(1e-30) / free).sqrt() * (1.0 + 3.0 / free)
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
