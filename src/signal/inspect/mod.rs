//! The inspector: a take held against its siblings, so that what marks one of them is found before a listener finds it.
//!
//! All takes lie on one time base. What two takes of one rig differ by everywhere (noise, hands, a warm amplifier) is their floor; what
//! stands out of it at one place, against every sibling, is that take's own: a click, a hole, a step of the level.

mod exact;
mod floor;
mod level;

use crate::model::audio::DbOrSilence;
use crate::signal::placing::response::Response;
use crate::signal::{align, bands, shift};
use crate::units::SampleRate;
pub use exact::{Exact, held, repeated};
use floor::Excess;
use rayon::prelude::*;

/// What marks a take.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    /// A short burst that no sibling has.
    Click,
    /// Silence, or nearly, where the siblings sound.
    Hole,
    /// The level changes at once, in dB.
    LevelStep,
    /// The level moves over the take, in dB from its beginning to its end.
    LevelTrend,
    /// It differs by more than repeat takes do, in no way that has a name here.
    Differs,
}

/// A place that marks a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// What it is.
    pub mark: Mark,
    /// First frame, on the time base.
    pub at: usize,
    /// Frames that it lasts.
    pub frames: usize,
    /// How large: dB above the floor; for levels the change in dB, positive louder.
    pub size: f64,
    /// Whether it is surely this take's: with one sibling alone either of the two may be the odd one.
    pub sure: bool,
}

/// Longest click, seconds.
const CLICK_S: f64 = 0.012;
/// Runs this near to each other are one, seconds.
const ONE_RUN_S: f64 = 0.03;
/// A hole lies so far under the siblings, as a ratio of powers.
const HOLE: f64 = 1e-3;

/// Looks for marks on every take of one setup and mic, all of one length and on one time base; one list for each. With fewer than two takes
/// nothing can be told.
#[must_use]
pub fn siblings(takes: &[&[f32]], rate: SampleRate) -> Vec<Vec<Seen>> {
    let n = takes.len();
    let pairs: Vec<(usize, usize)> = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).collect();
    let compared: Vec<((usize, usize), Excess, Vec<level::Change>)> = pairs
        .par_iter()
        .filter_map(|(i, j)| {
            Some(((*i, *j), Excess::of(takes[*i], takes[*j], rate)?, level::changes(takes[*i], takes[*j], rate)))
        })
        .collect();
    let mut all: Vec<Vec<Seen>> = (0..n)
        .map(|i| {
            let own: Vec<_> = compared.iter().filter(|c| c.0.0 == i || c.0.1 == i).collect();
            if own.is_empty() {
                return Vec::new();
            }
            let sure = own.len() > 1;
            let mut found = bursts(takes, i, &own.iter().map(|c| (other(c.0, i), &c.1)).collect::<Vec<_>>(), rate);
            let lists: Vec<Vec<level::Change>> =
                own.iter().map(|c| c.2.iter().map(|l| if c.0.0 == i { l.turned() } else { *l }).collect()).collect();
            found.extend(level::common(&lists, rate).into_iter().map(|c| c.seen(sure)));
            found.sort_by_key(|s| s.at);
            found
        })
        .collect();
    // Of two takes the one with a mark that is surely its own is the odd one, there.
    let sure: Vec<Vec<Seen>> = all.iter().map(|l| l.iter().filter(|s| s.sure).copied().collect()).collect();
    let meets = |a: &Seen, b: &Seen| a.at < b.at + b.frames && b.at < a.at + a.frames;
    for (i, list) in all.iter_mut().enumerate() {
        list.retain(|s| s.sure || !sure.iter().enumerate().any(|(k, l)| k != i && l.iter().any(|o| meets(s, o))));
    }
    all
}

/// Taps of the response from a reference to a take.
const TAPS: usize = 4096;

/// Looks for marks on a take that has no siblings, or too few: each reference (another setup's take, the DI) goes through the response that
/// turns it into the take best, and what stands out against every reference is the take's own. What an amplifier does beyond that response
/// is the floor, so only what is gross is found. All of one length and on one time base.
#[must_use]
pub fn across(take: &[f32], references: &[&[f32]], rate: SampleRate) -> Vec<Seen> {
    let made: Vec<Vec<f32>> = references
        .par_iter()
        .filter_map(|r| Some(Response::fit(r, take, &[(0, 0, r.len().min(take.len()))], TAPS)?.apply(r)))
        .collect();
    let all: Vec<&[f32]> = std::iter::once(take).chain(made.iter().map(Vec::as_slice)).collect();
    let compared: Vec<(usize, Excess, Vec<level::Change>)> = (1..all.len())
        .into_par_iter()
        .filter_map(|k| Some((k, Excess::of(all[0], all[k], rate)?, level::changes(all[k], all[0], rate))))
        .collect();
    if compared.is_empty() {
        return Vec::new();
    }
    let sure = compared.len() > 1;
    let mut found = bursts(&all, 0, &compared.iter().map(|c| (c.0, &c.1)).collect::<Vec<_>>(), rate);
    found.retain(|s| s.mark != Mark::Differs);
    let lists: Vec<Vec<level::Change>> = compared.into_iter().map(|c| c.2).collect();
    found.extend(level::common(&lists, rate).into_iter().filter(|c| c.is_step()).map(|c| c.seen(sure)));
    found.sort_by_key(|s| s.at);
    found
}

/// How many of a take's siblings have to agree that a mark is its own: a sibling with a mark of its own may not.
pub(super) fn agreeing(siblings: usize) -> usize {
    siblings - siblings / 4
}

/// How deep two recordings that lie over each other null, in dB, once a last fraction of a sample and one gain are taken out. Two passes of
/// one rig leave its noise and the hands; one recording taken twice leaves next to nothing. `None` when one is silent.
#[must_use]
pub fn null_depth(first: &[f32], second: &[f32], rate: SampleRate) -> Option<f64> {
    let near = align::find_near(first, second, rate, 64)?;
    let lag = near.slope.unwrap_or(near.white).samples;
    match bands::residual(first, &shift::advance(second, lag, first.len()))? {
        DbOrSilence::Db(db) => Some(db),
        DbOrSilence::Silence => Some(f64::NEG_INFINITY),
    }
}

fn other(pair: (usize, usize), i: usize) -> usize {
    if pair.0 == i { pair.1 } else { pair.0 }
}

/// Runs of blocks that stand out against every sibling, each by what it is.
fn bursts(takes: &[&[f32]], i: usize, own: &[(usize, &Excess)], rate: SampleRate) -> Vec<Seen> {
    let block = own[0].1.block;
    let blocks = own.iter().map(|o| o.1.over.len()).min().unwrap_or(0);
    // What enough of the siblings show.
    let least = |k: usize| {
        let mut over: Vec<f64> = own.iter().map(|o| o.1.over[k]).collect();
        over.sort_by(|a, b| b.total_cmp(a));
        over[agreeing(over.len()) - 1]
    };
    let gap = ((ONE_RUN_S * rate.as_f64()) as usize / block).max(1);
    let mut runs: Vec<(usize, usize, f64)> = Vec::new();
    for k in 0..blocks {
        let over = least(k);
        if over <= 0.0 {
            continue;
        }
        match runs.last_mut() {
            Some(run) if k - run.1 <= gap => *run = (run.0, k, run.2.max(over)),
            _ => runs.push((k, k, over)),
        }
    }
    runs.iter().filter_map(|run| named(takes, i, own, *run, rate)).collect()
}

fn named(takes: &[&[f32]], i: usize, own: &[(usize, &Excess)], run: (usize, usize, f64), rate: SampleRate) -> Option<Seen> {
    let (block, sure) = (own[0].1.block, own.len() > 1);
    let (from, to) = (run.0 * block, ((run.1 + 1) * block).min(takes[i].len()));
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>();
    let enough = |shows: &dyn Fn(&&(usize, &Excess)) -> bool| own.iter().filter(|o| shows(o)).count() >= agreeing(own.len());
    // Blocks in which this take is silent and all siblings sound.
    let silent = (run.0..=run.1)
        .filter(|k| {
            let (a, b) = (k * block, ((k + 1) * block).min(takes[i].len()));
            enough(&|o| power(&takes[i][a..b]) < HOLE * o.1.gain_from(i, o.0).powi(2) * power(&takes[o.0][a..b]))
        })
        .count();
    let seen = |mark, sure| Some(Seen { mark, at: from, frames: to - from, size: run.2, sure });
    if 2 * silent > run.1 - run.0 {
        return seen(Mark::Hole, true);
    }
    // What a burst adds lies high: the take with more of it there is the one that has it.
    let edges = |x: &[f32]| x.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum::<f64>();
    let sharper = enough(&|o| edges(&takes[i][from..to]) > 1.5 * o.1.gain_from(i, o.0).powi(2) * edges(&takes[o.0][from..to]));
    if (to - from) as f64 <= CLICK_S * rate.as_f64() {
        return if sharper {
            // Between two takes an onset that lies a fraction of a sample off looks like one: it is said, and stops nothing.
            seen(Mark::Click, sure)
        } else if sure {
            seen(Mark::Differs, true)
        } else {
            // The sibling's own mark, told there.
            None
        };
    }
    seen(Mark::Differs, sure)
}
