//! The difference of two clocks.

use super::correlate::correlate;
use super::energy;
use super::slope::phase_slope;
use crate::signal::shift;
use crate::units::SampleRate;
use rayon::prelude::*;

/// Windows in which the drift of one recording is looked for, at most.
const DRIFT_WINDOWS: usize = 120;

/// Clock drift of the second against the first in ppm, with the lag at frame 0 that belongs to it: windows of 1 s, half overlapped (of
/// long recordings 120 of them), a weighted line through their lags with one outlier pass; undone by warping and measured again, twice.
/// `None` when too short (3 s).
#[must_use]
pub fn find_drift(first: &[f32], second: &[f32], lag: f64, rate: SampleRate) -> Option<(f64, f64)> {
    let (mut drift, mut offset) = drift_pass(first, second, (lag, 0.0), rate)?;
    let passes = if drift.abs() > 0.02 { 2 } else { 0 };
    for _ in 0..passes {
        let (more, shifted) = drift_pass(first, second, (lag + offset, drift), rate)?;
        drift += more;
        offset += shifted;
    }
    Some((drift, offset))
}

/// One pass: what lag and drift are left when those that are given have been taken out.
fn drift_pass(first: &[f32], second: &[f32], (lag, drift): (f64, f64), rate: SampleRate) -> Option<(f64, f64)> {
    let window = rate.hz() as usize;
    let last = first.len().checked_sub(window)?;
    let hop = (window / 2).max(last / DRIFT_WINDOWS);
    let starts: Vec<usize> = (0..=last).step_by(hop).collect();
    let point = |start: &usize| {
        let a = &first[*start..start + window];
        let turned = |from: usize| shift::unwarp_at(second, lag, drift, from, window);
        let here = turned(*start);
        // A strong drift moves a window by more than the phase slope can follow: whole samples come out first.
        let whole = coarse(a, &here);
        let from = usize::try_from(i64::try_from(*start).ok()?.checked_add(whole)?).ok()?;
        let end = lag + (from + window) as f64 * (1.0 + drift * 1e-6);
        if end > second.len() as f64 {
            return None;
        }
        let b = if whole == 0 { here } else { turned(from) };
        let d = phase_slope(a, &b, rate)?;
        Some((*start as f64 + window as f64 / 2.0, d + whole as f64, energy(a).sqrt()))
    };
    let mut points: Vec<(f64, f64, f64)> = starts.par_iter().filter_map(point).collect();
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
