//! The level of one take against another over time: steps and trends.

use super::{Mark, Seen, agreeing};
use crate::signal::placing::fit_line;
use crate::units::SampleRate;

/// Windows of the level, seconds.
const WINDOW_S: f64 = 0.1;
/// Least step that is told, dB.
const STEP_DB: f64 = 0.4;
/// Least movement over the whole that is told, dB.
const TREND_DB: f64 = 0.5;
/// Standard errors by which a trend must differ from none.
const ERRORS: f64 = 5.0;
/// Two lists mean one step when its places are this near, seconds, and its heights this near, as a share.
const NEAR_S: f64 = 0.35;
const ALIKE: f64 = 0.35;

/// A change of the second's level against the first's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Change {
    mark: Mark,
    at: f64,
    length: f64,
    db: f64,
}

impl Change {
    pub(super) fn is_step(&self) -> bool {
        self.mark == Mark::LevelStep
    }

    /// As the other of the two sees it.
    pub(super) fn turned(&self) -> Self {
        Self { db: -self.db, ..*self }
    }

    pub(super) fn seen(&self, sure: bool) -> Seen {
        Seen { mark: self.mark, at: self.at as usize, frames: self.length as usize, size: self.db, sure }
    }
}

/// Steps and the trend of `b` against `a`.
pub(super) fn changes(a: &[f32], b: &[f32], rate: SampleRate) -> Vec<Change> {
    let window = ((WINDOW_S * rate.as_f64()) as usize).max(16);
    let dot = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum::<f64>();
    let parts: Vec<(f64, f64, f64, f64)> = a
        .chunks_exact(window)
        .zip(b.chunks_exact(window))
        .enumerate()
        .map(|(k, (x, y))| ((k as f64 + 0.5) * window as f64, dot(x, x), dot(y, y), dot(x, y)))
        .collect();
    let loud = parts.iter().map(|p| p.1.min(p.2)).fold(0.0, f64::max);
    let points: Vec<(f64, f64, f64)> = parts
        .iter()
        .filter(|p| p.1.min(p.2) > 1e-3 * loud && p.3.abs() > 0.5 * (p.1 * p.2).sqrt())
        .map(|p| (p.0, 10.0 * (p.2 / p.1).log10(), (p.1.min(p.2)).sqrt()))
        .collect();
    let Some(line) = fit_line(&points, STEP_DB) else { return Vec::new() };
    let mut out: Vec<Change> =
        line.jumps.iter().map(|j| Change { mark: Mark::LevelStep, at: j.at, length: window as f64, db: j.height }).collect();
    let length = line.span.1 - line.span.0;
    let trend = line.slope * length;
    if trend.abs() >= TREND_DB && line.slope.abs() > ERRORS * line.slope_error {
        out.push(Change { mark: Mark::LevelTrend, at: line.span.0, length, db: trend });
    }
    out
}

/// What enough of the siblings show.
pub(super) fn common(lists: &[Vec<Change>], rate: SampleRate) -> Vec<Change> {
    let alike = |a: &Change, b: &Change| {
        a.mark == b.mark
            && (a.db - b.db).abs() <= ALIKE * a.db.abs().max(b.db.abs())
            && (a.mark == Mark::LevelTrend || (a.at - b.at).abs() <= NEAR_S * rate.as_f64())
    };
    let mut out: Vec<Change> = Vec::new();
    for change in lists.iter().flatten() {
        let showing = lists.iter().filter(|list| list.iter().any(|d| alike(change, d))).count();
        if showing >= agreeing(lists.len()) && !out.iter().any(|o| alike(o, change)) {
            out.push(*change);
        }
    }
    out
}
