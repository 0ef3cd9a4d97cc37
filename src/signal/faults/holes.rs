//! Holes of exact zeros within the music, found in one pass.

use super::sums::{extent, sums};

/// A hole has at least this many zeros.
const LEAST: u64 = 32;
/// Mean square (-50 dBFS) from which the music beside a hole counts as sounding.
const SOUNDING: f64 = 1e-5;

/// A hole that waits for what comes behind it.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    start: u64,
    left: usize,
    energy: f64,
}

/// A run of zeros that has not ended yet.
#[derive(Debug, Clone, Copy)]
struct Zeros {
    start: u64,
    len: u64,
    /// Whether music stood in front of it; found when the run is long enough or the block ends.
    sounding: Option<bool>,
}

/// The holes of one channel.
#[derive(Debug, Clone)]
pub(super) struct Holes {
    /// Frames that are looked at on both sides.
    side: usize,
    /// A hole is shorter than this.
    most: u64,
    at: u64,
    /// The last `side` samples before the block, then the block.
    work: Vec<f32>,
    open: Option<Zeros>,
    waiting: Vec<Waiting>,
    /// How many were found.
    pub(super) count: u32,
    /// Frame at which the first begins.
    pub(super) first: Option<u64>,
}

impl Holes {
    /// Looks at `side` frames on both sides of runs shorter than `most` frames.
    pub(super) fn new(side: usize, most: usize) -> Self {
        let work = vec![0.0; side];
        Self { side, most: most as u64, at: 0, work, open: None, waiting: Vec::new(), count: 0, first: None }
    }

    /// Takes the next block; all samples must be finite.
    pub(super) fn push(&mut self, block: &[f32]) {
        self.work.truncate(self.side);
        self.work.extend_from_slice(block);
        // Most stretches hold no zero at all: only those that do, or that something waits for, are walked through.
        for start in (0..block.len()).step_by(1024) {
            let end = (start + 1024).min(block.len());
            let busy = self.open.is_some() || !self.waiting.is_empty();
            if busy || may_hold_zero(&block[start..end]) {
                for (i, v) in block.iter().enumerate().take(end).skip(start) {
                    self.sample(i, *v);
                }
            }
        }
        if let Some(mut zeros) = self.open {
            if zeros.sounding.is_none() {
                zeros.sounding = Some(self.sounding_before(zeros.start));
            }
            self.open = Some(zeros);
        }
        self.at += block.len() as u64;
        let keep = self.work.len() - self.side;
        self.work.drain(..keep);
    }

    /// Whether the `side` frames before a frame of this block hold music.
    fn sounding_before(&self, start: u64) -> bool {
        let offset = start.saturating_sub(self.at) as usize;
        start >= self.side as u64 && sums(&self.work[offset..offset + self.side]).mean_square() >= SOUNDING
    }

    fn sample(&mut self, i: usize, v: f32) {
        let frame = self.at + i as u64;
        if v == 0.0 {
            let zeros = self.open.get_or_insert(Zeros { start: frame, len: 0, sounding: None });
            zeros.len += 1;
        } else if let Some(zeros) = self.open.take()
            && (LEAST..self.most).contains(&zeros.len)
            && zeros.sounding.unwrap_or_else(|| self.sounding_before(zeros.start))
        {
            self.waiting.push(Waiting { start: zeros.start, left: self.side, energy: 0.0 });
        }
        for waiting in &mut self.waiting {
            waiting.energy += f64::from(v).powi(2);
            waiting.left -= 1;
        }
        while let Some(done) = self.waiting.first().filter(|w| w.left == 0).copied() {
            if done.energy / self.side as f64 >= SOUNDING {
                self.count += 1;
                self.first = self.first.or(Some(done.start));
            }
            self.waiting.remove(0);
        }
    }
}

/// False when no sample can be zero: all of one sign.
fn may_hold_zero(x: &[f32]) -> bool {
    let (low, high) = extent(x);
    low <= 0.0 && high >= 0.0 && x.contains(&0.0)
}
