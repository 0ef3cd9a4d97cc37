//! Flat tops that a later filter has tilted or a resampler has rippled, found in one pass.
//!
//! A converter that clips cuts the wave along a straight line with a corner at both ends. A DC block tilts that line and a resampler ripples
//! it near half the rate; smoothed over five samples (binomial weights) it is straight again. An amplifier's rounded top is straight
//! nowhere, and a slow wave that looks straight has no corners.

/// Second differences up to this are straight: twice the rounding of 16 bits.
const STRAIGHT: f32 = 4.6e-5;
/// A corner bends at least so many times more.
const CORNER: f32 = 20.0;
/// Samples beside a run within which its corner lies.
const BESIDE: usize = 4;
/// Second differences in a row that make a run, once smoothed, and as they are.
const RUN: usize = 5;
const TILTED: usize = 3;
/// Runs lie at this share of the largest sample or above.
const HIGH: f32 = 0.7;
/// Runs that make a finding.
const LEAST: usize = 8;
/// Runs that are kept, at most.
const KEPT: usize = 1 << 16;

/// One channel's straight tops.
#[derive(Debug, Clone, Default)]
pub(super) struct Flats {
    peak: f32,
    /// The last samples of the block before.
    tail: Vec<f32>,
    /// Level and length of each run that has its corners.
    runs: Vec<Top>,
}

/// Level, length and place in its block of a straight top.
type Top = (f32, usize, usize);

/// Samples that a block needs of the one before it: a run that lies over the border is cut in two, which costs little.
const OVERLAP: usize = 2 * (BESIDE + 3) + RUN;

impl Flats {
    /// Takes the next block; all samples must be finite.
    pub(super) fn push(&mut self, block: &[f32]) {
        let most = block.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        self.peak = self.peak.max(most);
        if most >= HIGH * self.peak && most > 100.0 * STRAIGHT && self.runs.len() < KEPT {
            let mut x = std::mem::take(&mut self.tail);
            x.extend_from_slice(block);
            self.look(&x);
            self.tail = x[x.len().saturating_sub(OVERLAP)..].to_vec();
        } else {
            self.tail = block[block.len().saturating_sub(OVERLAP)..].to_vec();
        }
    }

    fn look(&mut self, x: &[f32]) {
        let smooth: Vec<f32> = x.windows(5).map(|w| (w[0] + w[4] + 4.0 * (w[1] + w[3]) + 6.0 * w[2]) / 16.0).collect();
        // What a DC block has tilted is straight as it is, and shorter tops show; what was resampled only once it is smoothed.
        let found = runs(x, TILTED, HIGH * self.peak).into_iter().chain(runs(&smooth, RUN, HIGH * self.peak));
        let before = self.runs.len();
        for run in found {
            // One top is counted once.
            if !self.runs[before..].iter().any(|(l, _, at)| (l - run.0).abs() < 0.05 && at.abs_diff(run.2) <= run.1 + 2 * BESIDE)
            {
                self.runs.push(run);
            }
        }
    }

    /// Samples in straight tops; 0 when there are too few of them to be no accident.
    pub(super) fn samples(&self) -> usize {
        let high: Vec<usize> = self.runs.iter().filter(|r| r.0.abs() >= HIGH * self.peak).map(|r| r.1).collect();
        if high.len() < LEAST { 0 } else { high.iter().sum() }
    }
}

/// The straight tops at `least` and above, of so many second differences or more, that have a corner towards the middle on both sides.
fn runs(x: &[f32], length: usize, least: f32) -> Vec<Top> {
    let bend: Vec<f32> = x.windows(3).map(|w| w[0] - 2.0 * w[1] + w[2]).collect();
    let mut out = Vec::new();
    let mut i = 0;
    while i < bend.len() {
        if bend[i].abs() > STRAIGHT || x[i + 1].abs() < least {
            i += 1;
            continue;
        }
        let from = i;
        while i < bend.len() && bend[i].abs() <= STRAIGHT {
            i += 1;
        }
        let level = x[(from + i).div_ceil(2)];
        let corner = |part: &[f32]| part.iter().any(|b| b * level.signum() < -CORNER * STRAIGHT);
        let (before, behind) = (&bend[from.saturating_sub(BESIDE)..from], &bend[i..(i + BESIDE).min(bend.len())]);
        if i - from >= length && corner(before) && corner(behind) {
            out.push((level, i - from, from));
        }
    }
    out
}
