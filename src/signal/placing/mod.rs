//! Where one recording lies in another: lag at frame 0, drift and polarity, each with its uncertainty, and the jumps that are no drift.
//!
//! Both recordings are whitened by their long-term spectra, so that gain and equalisation do not matter, and laid over each other in windows:
//! a loop's wrong repeat leaves windows without a partner, a drift turns the line of the windows' lags, a dropped buffer breaks it. What a
//! cab or a microphone does is linear: a response fitted once takes it out before windows are compared to fractions of a sample.

mod alignment;
mod fft;
pub mod line;
pub mod response;
mod search;
mod track;

use super::align::{self, Lag};
use super::shift;
use crate::model::audio::{LagMethod, Polarity};
use crate::units::SampleRate;
pub use alignment::Alignment;
pub use fft::thin;
use line::Line;
use serde::{Deserialize, Serialize};
use track::Pair;

/// Drift in ppm up to which two clocks count as one, for takes of one rig.
pub const ONE_CLOCK: f64 = 0.2;
/// The same for different wirings: what differs between them is not all linear.
pub const ONE_CLOCK_ACROSS: f64 = 1.0;
/// The same through an amplifier, whose phase moves with the level.
pub const ONE_CLOCK_DRIVEN: f64 = 5.0;
/// Standard errors by which a drift must differ from none.
pub const ERRORS: f64 = 4.0;

/// What is known of two recordings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relation {
    /// Repeat takes of one rig: a phase slope is meaningful.
    SameRig,
    /// Another wiring, cab or mic: the whitened peak, good to half a sample.
    OtherRig,
    /// A DI and a take of it.
    Driven,
    /// Nothing: the finer method where both agree.
    Unknown,
}

/// A place where the lag jumps: samples are missing or were doubled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Jump {
    /// Frame of the first recording.
    pub at: f64,
    /// How much later the second is from there on; negative: samples are missing.
    pub samples: f64,
}

/// Where the second lies: an event at frame t of the first is at `lag.samples` + t (1 + drift / 10^6) of the second.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// Lag at frame 0 with polarity and how it was found.
    pub lag: Lag,
    /// Drift in ppm; `None` when the recordings are too short to tell.
    pub drift: Option<f64>,
    /// How far the drift can be trusted, plus or minus.
    pub drift_within: Option<f64>,
    /// Drift that has to be taken out: what exceeds its uncertainty and its floor.
    pub correct: Option<f64>,
    /// Jumps of the lag.
    pub jumps: Vec<Jump>,
    /// Share of the sounding windows of the first that found a partner on the line, by their level.
    pub matched: f64,
    /// Mean correlation of these windows once whitened: resemblance without gain and equalisation.
    pub resemblance: f64,
}

/// Finds where the second lies. `None` when one of them is silent or they share less than a window.
#[must_use]
pub fn place(first: &[f32], second: &[f32], rate: SampleRate, relation: Relation) -> Option<Placement> {
    let pair = Pair::new(first, second, rate)?;
    let rough = pair.rough()?;
    let (line, proven) = pair.proven_line(&rough);
    let step = pair.step as f64;
    let floor = match relation {
        Relation::SameRig | Relation::Unknown => ONE_CLOCK,
        Relation::OtherRig => ONE_CLOCK_ACROSS,
        Relation::Driven => ONE_CLOCK_DRIVEN,
    };
    // On the two sides of a jump the line's slope is known less well than its scatter says.
    let broken = line.as_ref().is_some_and(|l| !l.jumps.is_empty());
    let floor = if broken { f64::max(floor, ONE_CLOCK_DRIVEN) } else { floor };
    let jumps: Vec<Jump> =
        line.iter().flat_map(|l| &l.jumps).map(|j| Jump { at: j.at * step, samples: j.height * step }).collect();
    let drift = line.as_ref().map(|l| l.slope * 1e6);
    let within = line.as_ref().map(|l| ERRORS * l.slope_error * 1e6);
    // A clock that leaves no less than none at all is not known to be there, whatever its line's scatter says.
    let within = within.zip(drift).map(|(w, d)| if proven { w } else { w.max(d.abs()) });
    let correct = drift.zip(within).filter(|(d, w)| d.abs() > w.max(floor)).map(|(d, _)| d);
    let start = line.as_ref().map_or(rough.lag * step, |l| l.longest_start() * step);
    let mut found = Placement {
        lag: Lag {
            samples: start,
            within: line.as_ref().map_or(step, |l| (ERRORS * l.offset_error * step).max(0.05)),
            method: LagMethod::WhitenedPeak,
            polarity: Polarity::Undecided,
            polarity_ratio: 1.0,
            correlation: 0.0,
        },
        drift,
        drift_within: within,
        correct,
        jumps,
        matched: rough.matched,
        resemblance: rough.resemblance,
    };
    let longest = line.as_ref().map(|l| l.longest(step));
    found.polish(first, second, rate, relation, longest);
    found.keep_true_jumps(first, second, rate, longest.map_or(0.0, |l| l.0));
    found.or_whole(first, second, rate, relation, floor);
    Some(found)
}

/// Seconds of the recordings, the loudest, on which the last fraction of a sample is found.
const POLISHED_S: usize = 20;

/// Samples by which two ways of finding the lag may part before it is asked which of them is right.
const PARTED: f64 = 8.0;

/// Samples to both sides of the line that are searched for the last fraction.
const NEAR: usize = 1024;

impl Placement {
    /// The lag's last fraction and polarity at the full rate, on the longest stretch without a jump.
    fn polish(&mut self, a: &[f32], b: &[f32], rate: SampleRate, relation: Relation, longest: Option<(f64, f64)>) {
        let drift = self.correct.unwrap_or(0.0);
        let (from, to) = longest.unwrap_or((0.0, a.len() as f64));
        let lag = self.lag.samples;
        // What both hold of the stretch.
        let from = from.max(0.0).max((-lag).ceil()) as usize;
        let shared = ((b.len() as f64 - lag) / (1.0 + drift * 1e-6)).floor().max(0.0) as usize;
        let to = (to.min(a.len() as f64) as usize).min(shared);
        let Some((from, to)) = loudest(a, from, to, POLISHED_S * rate.hz() as usize) else { return };
        let reference = &a[from..to];
        let whole = (lag + from as f64).round();
        let moved = if drift == 0.0 {
            let begin = (whole as i64).clamp(0, b.len() as i64) as usize;
            b[begin..(begin + to - from).min(b.len())].to_vec()
        } else {
            shift::unwarp_at(b, lag, drift, from, to - from)
        };
        // The second's offset that the cut has taken out.
        let taken = if drift == 0.0 { whole - from as f64 } else { lag };
        let Some(fine) = align::find_near(reference, &moved, rate, NEAR) else { return };
        let same = match relation {
            Relation::SameRig => true,
            Relation::Unknown => fine.agree(),
            Relation::OtherRig | Relation::Driven => false,
        };
        let lag = if same { fine.slope.unwrap_or(fine.white) } else { fine.white };
        if (lag.samples).abs() > NEAR as f64 {
            return;
        }
        self.lag = Lag { samples: lag.samples + taken, ..lag };
        if same && self.jumps.is_empty() {
            self.finish_clock(a, b, rate);
        }
        if same {
            self.locate_jumps(a, b, rate, longest.map_or(0.0, |l| l.0));
        }
    }

    /// Puts every jump where the two fit best: the second at the lag before it up to there, at the lag behind it from there on.
    fn locate_jumps(&mut self, a: &[f32], b: &[f32], rate: SampleRate, anchored: f64) {
        let reach = rate.hz() as usize / 2;
        // The lag belongs to the longest stretch; what was before it had the jumps in between less.
        let mut lag = self.lag.samples - self.jumps.iter().filter(|j| j.at < anchored).map(|j| j.samples).sum::<f64>();
        for jump in &mut self.jumps {
            let whole = jump.samples.round();
            let from = (jump.at as usize).saturating_sub(reach);
            let len = (2 * reach).min(a.len().saturating_sub(from));
            let drift = self.correct.unwrap_or(0.0);
            let before = shift::unwarp_at(b, lag, drift, from, len);
            let behind = shift::unwarp_at(b, lag + whole, drift, from, len);
            lag += whole;
            let sum = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum::<f64>();
            let reference = &a[from..from + len];
            // The gain where it is clear which of the two is right: at both ends.
            let (head, tail) = (len / 4, len - len / 4);
            let fits = sum(&reference[..head], &before[..head]) + sum(&reference[tail..], &behind[tail..]);
            let own = sum(&reference[..head], &reference[..head]) + sum(&reference[tail..], &reference[tail..]);
            let gain = fits / own.max(1e-30);
            // Squares that are left if the jump comes at the start, less those that are left if it comes later.
            let (mut best, mut place, mut gained) = (0.0, 0, 0.0);
            // Missing samples fit neither: the second goes on behind them.
            let missing = (-whole).max(0.0) as usize;
            for i in 0..len.saturating_sub(missing) {
                let left = |v: f32, x: f32| (f64::from(v) - gain * f64::from(x)).powi(2);
                gained += left(behind[i + missing], reference[i + missing]) - left(before[i], reference[i]);
                if gained > best {
                    (best, place) = (gained, i + 1);
                }
            }
            if (0.9 * whole.abs()..=1.1 * whole.abs() + 0.5).contains(&jump.samples.abs()) && place > 0 {
                *jump = Jump { at: (from + place) as f64, samples: whole };
            }
        }
    }

    /// Windows of ringing notes can agree on a wrong lag. The correlation of the whole is asked as well; where the two part, the one is taken
    /// at which the recordings resemble each other more.
    fn or_whole(&mut self, a: &[f32], b: &[f32], rate: SampleRate, relation: Relation, floor: f64) {
        // With samples missing no single lag fits the whole.
        if !self.jumps.is_empty() {
            return;
        }
        let whole = match relation {
            Relation::SameRig => align::find_lag(a, b, rate, true),
            Relation::OtherRig | Relation::Driven => align::find_lag(a, b, rate, false),
            Relation::Unknown => align::find_honest_lag(a, b, rate),
        };
        let Some(whole) = whole else { return };
        if (whole.samples - self.lag.samples).abs() <= PARTED {
            // The whole is the finer ruler, but it knows of one clock only.
            if self.correct.is_none() {
                self.lag = whole;
            }
            return;
        }
        // A clock that stands by what it leaves stands on its own lag: through unlike cabs the plain correlation peaks beside it.
        if self.correct.is_some() && (whole.samples - self.lag.samples).abs() < track::SPAN_S * rate.as_f64() {
            return;
        }
        let Some((from, to)) = loudest(a, 0, a.len(), POLISHED_S * rate.hz() as usize) else { return };
        let drift = self.correct.unwrap_or(0.0);
        let fit = |lag: f64, drift: f64| alike(&a[from..to], &shift::unwarp_at(b, lag, drift, from, to - from));
        if fit(whole.samples, 0.0) <= fit(self.lag.samples, drift) {
            return;
        }
        (self.lag, self.jumps) = (whole, Vec::new());
        (self.drift, self.drift_within, self.correct) = (None, None, None);
        if relation == Relation::SameRig
            && let Some((drift, offset)) = align::find_drift(a, b, self.lag.samples, rate)
        {
            self.drift = Some(drift);
            if drift.abs() > floor {
                self.correct = Some(drift);
                self.lag.samples += offset;
            }
        }
    }

    /// Held notes and riffs resemble themselves at other lags, and windows of them can agree on a wrong one. A jump stays only where the two
    /// fit clearly better at the lag behind it than at the lag that they would have without it.
    fn keep_true_jumps(&mut self, a: &[f32], b: &[f32], rate: SampleRate, anchored: f64) {
        let (margin, most) = (rate.as_f64() * 0.1, rate.as_f64() * 2.0);
        let drift = self.correct.unwrap_or(0.0);
        let ends: Vec<f64> = self.jumps.iter().map(|j| j.at).collect();
        let mut lag = self.lag.samples - self.jumps.iter().filter(|j| j.at < anchored).map(|j| j.samples).sum::<f64>();
        let mut kept = Vec::new();
        for (i, jump) in self.jumps.iter().enumerate() {
            let (before, behind) = (lag, lag + jump.samples);
            lag = behind;
            // Looked at on the side that is away from the stretch which the lag was found on.
            let after = anchored < jump.at;
            let (from, to) = if after {
                (jump.at + margin, ends.get(i + 1).copied().unwrap_or(a.len() as f64))
            } else {
                (i.checked_sub(1).map_or(0.0, |k| ends[k]), jump.at - margin)
            };
            let (from, to) = if after { (from, to.min(from + most)) } else { (from.max(to - most), to) };
            let (from, to) = (from.max(0.0) as usize, (to.max(0.0) as usize).min(a.len()));
            let (own, other) = if after { (behind, before) } else { (before, behind) };
            let Some(reference) = a.get(from..to).filter(|r| r.len() as f64 > margin) else { continue };
            let fit = |lag: f64| alike(reference, &shift::unwarp_at(b, lag, drift, from, to - from));
            let (with, without) = (fit(own), fit(other));
            if with >= 0.9 && 1.0 - with <= 0.5 * (1.0 - without) || with >= 0.5 && with - without > 0.1 {
                kept.push(*jump);
            }
        }
        self.jumps = kept;
    }

    /// Takes of one rig need no response between them: their windows' phase slopes at the full rate know the clock to thousandths of a ppm.
    /// Taken where it leaves no more than what was found so far; corrected where it leaves clearly less than no clock at all.
    fn finish_clock(&mut self, a: &[f32], b: &[f32], rate: SampleRate) {
        let Some(clock) = align::find_clock(a, b, self.lag.samples, rate) else { return };
        if self.correct.is_none() && clock.drift.abs() <= clock.within.max(ONE_CLOCK) {
            // One clock by both ways of looking: there is nothing to prove.
            (self.drift, self.drift_within) = (Some(clock.drift), Some(clock.within.max(clock.drift.abs())));
            return;
        }
        let Some((from, to)) = loudest(a, 0, a.len(), POLISHED_S * rate.hz() as usize) else { return };
        let left = |lag: f64, drift: f64| 1.0 - alike(&a[from..to], &shift::unwarp_at(b, lag, drift, from, to - from)).powi(2);
        let lag = self.lag.samples + clock.offset;
        let with = left(lag, clock.drift);
        if with > 1.02 * left(self.lag.samples, self.correct.unwrap_or(0.0)) + 1e-9 {
            return;
        }
        let middle = from.midpoint(to) as f64;
        let without = left(lag + clock.drift * 1e-6 * middle, 0.0);
        let stands = with < track::LEAVES_LESS * without && clock.drift.abs() > clock.within.max(ONE_CLOCK);
        (self.drift, self.drift_within) = (Some(clock.drift), Some(clock.within));
        self.correct = stands.then_some(clock.drift);
        if stands {
            self.lag.samples = lag;
        } else if clock.drift.abs() > clock.within {
            // It cannot be told from none.
            self.drift_within = Some(clock.drift.abs());
        }
    }

    /// Where the second lies on the first's time base.
    #[must_use]
    pub fn alignment(&self) -> Alignment {
        Alignment { lag: self.lag.samples, drift: self.correct }
    }
}

/// The size of the correlation coefficient of two pieces; 0 where one is silent.
fn alike(x: &[f32], y: &[f32]) -> f64 {
    let sum = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum::<f64>();
    let own = (sum(x, x) * sum(y, y)).sqrt();
    if own > 0.0 { (sum(x, y) / own).abs() } else { 0.0 }
}

/// The loudest stretch of at most `most` frames within a span.
fn loudest(x: &[f32], from: usize, to: usize, most: usize) -> Option<(usize, usize)> {
    if to <= from + 256 {
        return None;
    }
    if to - from <= most {
        return Some((from, to));
    }
    let hop = (most / 8).max(1);
    let power = |s: usize| x[s..s + most].iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>();
    let start = (from..=to - most).step_by(hop).max_by(|p, q| power(*p).total_cmp(&power(*q)))?;
    Some((start, start + most))
}

/// Joins a chain: a take against its anchor, and the anchor against the base. What must not be corrected counts as no drift.
#[must_use]
pub fn chained(anchor: Alignment, take: Alignment) -> Alignment {
    let lag = take.lag + anchor.lag * take.ratio();
    let drift = (anchor.ratio() * take.ratio() - 1.0) * 1e6;
    Alignment { lag, drift: (anchor.drift.is_some() || take.drift.is_some()).then_some(drift) }
}

/// A line through lags, without a search: what the tests of the line need.
#[must_use]
pub fn fit_line(points: &[(f64, f64, f64)], least_jump: f64) -> Option<Line> {
    Line::fit(points, least_jump)
}
