//! Windows of the first followed through the second: roughly along the whole file, then to fractions of a sample.

use super::fft::{forward, good, inverse, thin, whitened};
use super::line::Line;
use super::response::Response;
use super::search::{WIDEST, candidates};
use crate::signal::align::phase_slope;
use crate::signal::shift;
use crate::units::SampleRate;
use rayon::prelude::*;

/// Rate of the copies that are followed.
const RATE: f64 = 16_000.0;
/// Frames of such a copy, at most.
const MOST: usize = 1 << 23;
/// Windows, at most.
const WINDOWS: usize = 480;
/// A window counts when it lies less than this under the loudest tenth of them (as power).
const SOUNDING: f64 = 1e-4;
/// Jumps up to this many seconds are followed.
const REACH_S: f64 = 0.12;
/// Correlation of a window with what the response makes of it, from which its lag counts.
const LIKE: f64 = 0.5;
/// Windows of one line lie within this many samples of the copy.
const WIDTH: f64 = 4.0;
/// Least jump that is told, in samples of the recording.
const LEAST_JUMP: f64 = 0.5;
/// Share of windows on one line from which no other place is looked at.
const FOUND: f64 = 0.99;
/// How often the line is laid, at most: each time on a clock that is better known.
const PASSES: usize = 3;
/// Taps of the fitted response; of short recordings fewer, or it would learn each note and the clock with it.
const TAPS: usize = 2048;
/// Seconds from which so many can be learnt; a half of them from half of it.
const LEARNT_S: f64 = 16.0;
/// Seconds of lag that the flat part of the shortest response holds to both sides.
pub(super) const SPAN_S: f64 = 0.008;
/// A clock counts only when what is left with it is under this share of what is left with none.
pub(super) const LEAVES_LESS: f64 = 0.8;

/// Both recordings at the lower rate.
pub(super) struct Pair {
    a: Vec<f32>,
    b: Vec<f32>,
    white_a: Vec<f32>,
    white_b: Vec<f32>,
    /// Frames of the recording per frame of the copies.
    pub(super) step: usize,
    rate: SampleRate,
    window: usize,
    /// Starts of the sounding windows, with their level.
    starts: Vec<(usize, f64)>,
}

/// A line as the whitened windows show it: lag at 0 and slope, samples of the copies.
#[derive(Debug, Clone)]
pub(super) struct Rough {
    pub(super) lag: f64,
    pub(super) slope: f64,
    pub(super) matched: f64,
    pub(super) resemblance: f64,
    /// Starts of the windows that lie on it.
    on: Vec<usize>,
}

/// A window's lag: middle, lag, correlation, level.
#[derive(Debug, Clone, Copy)]
struct Seen {
    at: f64,
    lag: f64,
    like: f64,
    level: f64,
}

impl Pair {
    pub(super) fn new(first: &[f32], second: &[f32], rate: SampleRate) -> Option<Self> {
        let longest = first.len().max(second.len());
        let step = ((rate.as_f64() / RATE).floor() as usize).max(longest.div_ceil(MOST)).max(1);
        let ((a, white_a), (b, white_b)) = rayon::join(
            || {
                let a = thin(first, step);
                let white = whitened(&a);
                (a, white)
            },
            || {
                let b = thin(second, step);
                let white = whitened(&b);
                (b, white)
            },
        );
        let rate = SampleRate::new((rate.hz() as usize / step) as u32).ok()?;
        let window = ((0.5 * rate.as_f64()) as usize).min(a.len() / 2).max(256);
        let last = a.len().min(b.len()).checked_sub(window).and(a.len().checked_sub(window))?;
        let hop = (window / 2).max(last / WINDOWS).max(1);
        let mut starts: Vec<(usize, f64)> = (0..=last).step_by(hop).map(|s| (s, energy(&a[s..s + window]))).collect();
        let mut levels: Vec<f64> = starts.iter().map(|s| s.1).collect();
        levels.sort_by(f64::total_cmp);
        let loud = levels[levels.len() - 1 - levels.len() / 10];
        if loud <= 0.0 || energy(&b) <= 0.0 {
            return None;
        }
        starts.retain(|s| s.1 > SOUNDING * loud);
        Some(Self { a, b, white_a, white_b, step, rate, window, starts })
    }

    /// The line that most windows lie on, of all candidates: a wrong repeat of a loop leaves windows without a partner.
    pub(super) fn rough(&self) -> Option<Rough> {
        let middle = self.a.len() as f64 / 2.0;
        let found = candidates(&self.white_a, &self.white_b, self.rate.as_f64());
        let mut best: Option<(f64, Rough)> = None;
        for lag in found {
            let predicted = |_: f64| lag;
            let reach = (REACH_S * self.rate.as_f64()) as usize + (middle * WIDEST) as usize;
            let seen = self.follow(&self.white_a, &self.white_b, &predicted, reach);
            let Some(now) = self.cluster(&seen) else { continue };
            // A window behind a jump has its partner too, off the line but near it; one of a wrong repeat's end has none.
            let near = seen.iter().map(|s| s.level.sqrt() * s.like * s.like).sum::<f64>() / self.weight().max(1e-30);
            let score = near + 0.25 * now.matched * now.resemblance;
            let whole = now.matched >= FOUND;
            if best.as_ref().is_none_or(|b| score > 1.01 * b.0) {
                best = Some((score, now));
            }
            // Every window has its partner: no other place has more.
            if whole {
                break;
            }
        }
        best.map(|b| b.1)
    }

    fn taps(&self) -> usize {
        let seconds = self.a.len() as f64 / self.rate.as_f64();
        if seconds >= LEARNT_S {
            TAPS
        } else if seconds >= LEARNT_S / 2.0 {
            TAPS / 2
        } else {
            TAPS / 4
        }
    }

    /// Of all sounding windows.
    fn weight(&self) -> f64 {
        self.starts.iter().map(|s| s.1.sqrt()).sum()
    }

    /// The densest line through the windows' lags: slope within the drift that is looked for, most weight within a few samples.
    fn cluster(&self, seen: &[Seen]) -> Option<Rough> {
        let all = self.weight();
        let length = self.a.len() as f64;
        let slopes = ((length * WIDEST / WIDTH).ceil() as i32 * 2).clamp(2, 400);
        let mut best: Option<(f64, f64, f64, f64)> = None;
        for k in -slopes..=slopes {
            let slope = f64::from(k) / f64::from(slopes) * WIDEST;
            let mut lags: Vec<(f64, f64, f64)> =
                seen.iter().map(|s| (s.lag - slope * s.at, s.level.sqrt() * s.like.max(0.0), s.level.sqrt())).collect();
            lags.sort_by(|p, q| p.0.total_cmp(&q.0));
            let (mut low, mut weight, mut share) = (0, 0.0, 0.0);
            for high in 0..lags.len() {
                weight += lags[high].1;
                share += lags[high].2;
                while lags[high].0 - lags[low].0 > WIDTH {
                    weight -= lags[low].1;
                    share -= lags[low].2;
                    low += 1;
                }
                let better = best.is_none_or(|b| weight > b.0 * (1.0 + 1e-9));
                if better {
                    best = Some((weight, share, slope, lags[low.midpoint(high)].0));
                }
            }
        }
        let (weight, share, slope, lag) = best?;
        let half = self.window as f64 / 2.0;
        let on = seen.iter().filter(|s| (s.lag - slope * s.at - lag).abs() <= WIDTH).map(|s| (s.at - half) as usize).collect();
        let (matched, resemblance) = (share / all.max(1e-30), weight / share.max(1e-30));
        Some(Rough { lag, slope, matched: matched.clamp(0.0, 1.0), resemblance: resemblance.clamp(0.0, 1.0), on })
    }

    /// The lag of every sounding window around what is predicted for its middle.
    fn follow(&self, a: &[f32], b: &[f32], predicted: &(dyn Fn(f64) -> f64 + Sync), reach: usize) -> Vec<Seen> {
        let n = good(2 * self.window + 2 * reach);
        self.starts
            .par_iter()
            .filter_map(|(start, level)| {
                let part = &a[*start..*start + self.window];
                let at = *start as f64 + self.window as f64 / 2.0;
                let guess = predicted(at).round() as i64;
                let from = *start as i64 + guess - reach as i64;
                let around: Vec<f32> = (from..from + (self.window + 2 * reach) as i64)
                    .map(|k| usize::try_from(k).ok().and_then(|k| b.get(k)).copied().unwrap_or(0.0))
                    .collect();
                let cross = forward(&around, n).iter().zip(forward(part, n)).map(|(b, a)| b * a.conj()).collect();
                let found = inverse(cross, n);
                let own = energy(part);
                let mut local = energy(&around[..self.window]);
                let least = 1e-3 * energy(&around) * self.window as f64 / around.len() as f64;
                let (mut best, mut place) = (0.0f64, 0usize);
                for k in 0..=2 * reach {
                    let like = f64::from(found[k]) / (own * local.max(least)).sqrt().max(1e-30);
                    if like.abs() > best.abs() {
                        (best, place) = (like, k);
                    }
                    if k < 2 * reach {
                        local += f64::from(around[k + self.window]).powi(2) - f64::from(around[k]).powi(2);
                    }
                }
                (best != 0.0).then(|| Seen {
                    at,
                    lag: (guess - reach as i64 + place as i64) as f64,
                    like: best.abs().min(1.0),
                    level: *level,
                })
            })
            .collect()
    }

    /// The line, and whether its slope stands: with a clock that is there less is left, after the best response, than with none. Where it does
    /// not stand, the line is laid again from no slope at all, and what then comes out is taken as it is.
    pub(super) fn proven_line(&self, rough: &Rough) -> (Option<Line>, bool) {
        let Some(line) = self.line(rough) else { return (None, false) };
        if !line.jumps.is_empty() {
            return (Some(line), true);
        }
        let middle = self.a.len() as f64 / 2.0;
        let none = line.offset + line.slope * middle;
        let stands = |line: &Line| {
            let (with, without) = (self.left(&rough.on, line.offset, line.slope), self.left(&rough.on, none, 0.0));
            with.zip(without).is_some_and(|(w, o)| w < LEAVES_LESS * o)
        };
        if line.slope.abs() <= 4.0 * line.slope_error || stands(&line) {
            return (Some(line), true);
        }
        let still = Rough { lag: none, slope: 0.0, ..rough.clone() };
        match self.line(&still).filter(|l| l.jumps.is_empty() && l.slope.abs() < line.slope.abs()) {
            Some(again) => {
                let stands = stands(&again);
                (Some(again), stands)
            }
            None => (Some(line), false),
        }
    }

    /// Share of the second's energy that the best response leaves when the second is laid by a lag and a slope.
    fn left(&self, on: &[usize], lag: f64, slope: f64) -> Option<f64> {
        let b = shift::unwarp_at(&self.b, lag.floor(), slope * 1e6, 0, self.a.len());
        let stretches = self.stretches(on, b.len(), lag - lag.floor());
        let made = Response::fit(&self.a, &b, &stretches, self.taps())?.apply(&self.a);
        let (mut rest, mut all) = (0.0, 0.0);
        for (from, to, frames) in stretches {
            let (x, y) = (made.get(from..from + frames)?, b.get(to..to + frames)?);
            rest += x.iter().zip(y).map(|(x, y)| f64::from(y - x).powi(2)).sum::<f64>();
            all += energy(y);
        }
        (all > 0.0).then(|| rest / all)
    }

    /// Fractions of a sample: what is linear between the two is fitted on the rough line and taken out, then each window's phase slope.
    pub(super) fn line(&self, rough: &Rough) -> Option<Line> {
        let (mut lag, mut slope) = (rough.lag, rough.slope);
        let mut found = None;
        for _ in 0..PASSES {
            // A clock that moves within a response's fit blurs it: it is undone first.
            let moving = (slope * self.a.len() as f64).abs() > 0.25;
            let unwound = if moving { shift::unwarp_at(&self.b, lag.floor(), slope * 1e6, 0, self.a.len()) } else { Vec::new() };
            let (b, base, lean) = if moving { (&unwound, lag - lag.floor(), slope) } else { (&self.b, lag, 0.0) };
            let shape = Response::fit(&self.a, b, &self.stretches(&rough.on, b.len(), base), self.taps())?;
            // The response holds the rest of the lag: what comes out lies at the second's own place.
            let made = shape.apply(&self.a);
            let whole = base.round();
            let reach = (REACH_S * self.rate.as_f64()) as usize;
            let seen = self.follow(&made, b, &|_| whole, reach);
            let origin = if moving { lag.floor() } else { 0.0 };
            let points: Vec<(f64, f64, f64)> = seen
                .par_iter()
                .filter(|s| s.like >= LIKE)
                .filter_map(|s| {
                    let start = (s.at - self.window as f64 / 2.0) as usize;
                    let from = usize::try_from(start as i64 + s.lag as i64).ok()?;
                    let part = b.get(from..from + self.window)?;
                    let fraction = phase_slope(&made[start..start + self.window], part, self.rate)?;
                    Some((s.at, s.lag + fraction + lean * s.at + origin, s.level.sqrt() * s.like * s.like))
                })
                .collect();
            let line = Line::fit(&points, LEAST_JUMP / self.step as f64)?;
            let moved = (line.slope - slope).abs() * self.a.len() as f64;
            (lag, slope) = (line.longest_start(), line.slope);
            found = Some(line);
            if moved < 0.02 {
                break;
            }
        }
        found
    }

    /// Windows on the line, where both sound, for the response.
    fn stretches(&self, on: &[usize], length: usize, lag: f64) -> Vec<(usize, usize, usize)> {
        let whole = lag.round() as i64;
        on.iter()
            .filter_map(|s| {
                let to = usize::try_from(*s as i64 + whole).ok()?;
                (to + self.window <= length).then_some((*s, to, self.window))
            })
            .collect()
    }
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v) * f64::from(*v)).sum()
}
