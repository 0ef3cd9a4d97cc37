//! Flattened crests, found in one pass: runs of three or more samples at a channel's extreme of one sign.
//!
//! The extreme is known only at the end. Whatever is near the extreme so far is kept, with its neighbours, until the extreme rises out of
//! reach: what is near the last extreme was near every earlier one.

use super::sums::extent;

/// This near to the extreme counts as at it.
const NEAR: f32 = 5e-5;
/// A run has at least this many samples.
const RUN: usize = 3;
/// So many samples in runs make a finding.
const LEAST: usize = 10;
/// Least mean step into and out of the runs, as a share of the extreme.
const STEP: f64 = 4e-4;
/// The step is at least so many times what the wave rises within the runs.
const STEEPER: f64 = 8.0;
/// A rise that is taken for none: half a step of 16 bits.
const FLAT: f64 = 1.5e-5;
/// Kept samples, at most, before runs are counted for good (a square wave sits at its extreme all the time).
const KEPT: usize = 1 << 20;
/// Samples that are passed over together when none of them comes near.
const CHUNK: usize = 256;

/// What the runs at one extreme are.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Runs {
    /// Samples in runs.
    pub(super) samples: usize,
    steps: f64,
    edges: u32,
    spans: f64,
    runs: u32,
    /// The extreme's magnitude.
    pub(super) extreme: f32,
}

impl Runs {
    /// Mean step into and out of the runs.
    pub(super) fn step(&self) -> f64 {
        if self.edges == 0 { 0.0 } else { self.steps / f64::from(self.edges) }
    }

    /// Mean of highest less lowest within a run.
    fn span(&self) -> f64 {
        if self.runs == 0 { 0.0 } else { self.spans / f64::from(self.runs) }
    }

    /// Whether the wave was cut here, rather than round. A slow wave at full scale has small steps beside its crests; a quiet one may have
    /// larger ones, but never more than three times what it rises within the crest (a parabola through three samples), where a cut wave
    /// hardly rises at all. What 16 bits make flat of a crest does not count as flat.
    pub(super) fn cut(&self) -> bool {
        self.samples >= LEAST && self.step() >= STEP * f64::from(self.extreme) && self.step() >= STEEPER * self.span().max(FLAT)
    }
}

/// A stretch that was near the extreme when it passed, with the samples beside it.
#[derive(Debug, Clone)]
struct Stretch {
    before: Option<f32>,
    values: Vec<f32>,
    after: Option<f32>,
}

impl Stretch {
    /// Adds the runs that are near `extreme`.
    fn count(&self, extreme: f32, runs: &mut Runs) {
        let near = |v: &f32| extreme - v <= NEAR;
        let mut i = 0;
        while i < self.values.len() {
            let start = i;
            while i < self.values.len() && near(&self.values[i]) {
                i += 1;
            }
            if i - start >= RUN {
                let run = &self.values[start..i];
                let (low, high) = extent(run);
                runs.samples += run.len();
                runs.spans += f64::from(high - low);
                runs.runs += 1;
                let before = start.checked_sub(1).map_or(self.before, |b| self.values.get(b).copied());
                let after = self.values.get(i).copied().or(self.after);
                for (inside, outside) in [(self.values[start], before), (self.values[i - 1], after)] {
                    if let Some(outside) = outside {
                        runs.steps += f64::from((inside - outside).abs());
                        runs.edges += 1;
                    }
                }
            }
            i = i.max(start + 1);
        }
    }
}

/// The crests of one channel and one sign.
#[derive(Debug, Clone)]
pub(super) struct Crests {
    sign: f32,
    extreme: f32,
    last: Option<f32>,
    open: bool,
    stretches: Vec<Stretch>,
    kept: usize,
    settled: Runs,
}

impl Crests {
    /// Of the positive (1) or negative (-1) sign.
    pub(super) fn new(sign: f32) -> Self {
        Self { sign, extreme: 0.0, last: None, open: false, stretches: Vec::new(), kept: 0, settled: Runs::default() }
    }

    /// Takes the next block; all samples must be finite.
    pub(super) fn push(&mut self, block: &[f32]) {
        for chunk in block.chunks(CHUNK) {
            let (low, high) = extent(chunk);
            let most = if self.sign > 0.0 { high } else { -low };
            if !self.open && (most <= 0.0 || self.extreme - most > NEAR) {
                self.last = chunk.last().map(|v| v * self.sign);
                continue;
            }
            for v in chunk {
                self.sample(v * self.sign);
            }
        }
    }

    fn sample(&mut self, v: f32) {
        if v > self.extreme {
            if v - self.extreme > NEAR {
                // Nothing of what came before is near this one.
                self.stretches.clear();
                (self.kept, self.settled, self.open) = (0, Runs::default(), false);
            }
            self.extreme = v;
        }
        if v > 0.0 && self.extreme - v <= NEAR {
            if !self.open {
                self.stretches.push(Stretch { before: self.last, values: Vec::new(), after: None });
                self.open = true;
            }
            if let Some(stretch) = self.stretches.last_mut() {
                stretch.values.push(v);
                self.kept += 1;
            }
        } else if self.open {
            if let Some(stretch) = self.stretches.last_mut() {
                stretch.after = Some(v);
            }
            self.open = false;
            if self.kept > KEPT {
                self.settle();
            }
        } else if self.kept > 0 && self.stretches.len() > KEPT / RUN {
            self.settle();
        }
        self.last = Some(v);
        if self.open && self.kept > 2 * KEPT {
            // One endless stretch: it is closed here and counted; its second half is a run of its own.
            self.open = false;
            self.settle();
        }
    }

    /// Counts what is kept at the extreme so far. Should the extreme still rise by less than [`NEAR`], these runs stay counted as they are.
    fn settle(&mut self) {
        for stretch in self.stretches.drain(..) {
            stretch.count(self.extreme, &mut self.settled);
        }
        self.kept = 0;
    }

    /// The runs of the whole channel.
    pub(super) fn runs(&self) -> Runs {
        let mut runs = Runs { extreme: self.extreme, ..self.settled };
        for stretch in &self.stretches {
            stretch.count(self.extreme, &mut runs);
        }
        runs
    }
}
