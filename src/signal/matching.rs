//! Loudness matching by gain alone, over blocks that all clips share.
//!
//! The standard's relative gate can flip by 2.7 LU for 0.2 dB in the quiet half of a take. A shared gate keeps the same blocks for all
//! clips, whatever their levels: block j is kept if every clip is above -70 LUFS there and the mean over clips of z_ij / mean_j z_ij is
//! above 0.1. Where no block lies near a gate it equals the standard's value.

use super::loudness::{loudness_of, power_of};
use crate::units::{Dbtp, Lufs};

/// Target for the largest mismatch in LU, where a warning begins, and what is refused.
pub const MISMATCH_TARGET: f64 = 0.02;
/// Above this the mismatch is warned about.
pub const MISMATCH_WARN: f64 = 0.05;
/// Above this the clips are refused.
pub const MISMATCH_REFUSE: f64 = 0.10;

/// The blocks that are kept for all clips: shape blocks. `blocks` is clips x blocks of mean powers. `None` when nothing is left.
#[must_use]
pub fn shared_gate(blocks: &[Vec<f64>]) -> Option<Vec<bool>> {
    let count = blocks.iter().map(Vec::len).min()?;
    let absolute = power_of(-70.0);
    let audible: Vec<bool> = (0..count).map(|j| blocks.iter().all(|z| z[j] > absolute)).collect();
    let n = audible.iter().filter(|k| **k).count();
    if n == 0 {
        return None;
    }
    let means: Vec<f64> =
        blocks.iter().map(|z| z.iter().zip(&audible).filter(|(_, k)| **k).map(|(z, _)| z).sum::<f64>() / n as f64).collect();
    let kept: Vec<bool> = (0..count)
        .map(|j| {
            let average = blocks.iter().zip(&means).map(|(z, m)| z[j] / m).sum::<f64>() / blocks.len() as f64;
            audible[j] && average > 0.1
        })
        .collect();
    kept.iter().any(|k| *k).then_some(kept)
}

/// Loudness over kept blocks.
#[must_use]
pub fn loudness_over(blocks: &[f64], kept: &[bool]) -> Option<Lufs> {
    let (sum, n) = blocks.iter().zip(kept).filter(|(_, k)| **k).fold((0.0, 0u64), |(s, n), (z, _)| (s + z, n + 1));
    if n == 0 { None } else { loudness_of(sum / n as f64) }
}

/// Gains in dB that bring all clips down to the quietest, and then all of them by the worst excess over the ceiling. Never above 0.
#[must_use]
pub fn gains(loudness: &[Lufs], peaks: &[Option<Dbtp>], ceiling: Dbtp) -> Vec<f64> {
    let quietest = loudness.iter().map(|l| l.value()).fold(f64::INFINITY, f64::min);
    let gains: Vec<f64> = loudness.iter().map(|l| quietest - l.value()).collect();
    lowered(gains, peaks, ceiling)
}

/// One common gain: 0 dB less the worst excess over the ceiling ("as recorded").
#[must_use]
pub fn common_gain(peaks: &[Option<Dbtp>], ceiling: Dbtp) -> Vec<f64> {
    lowered(vec![0.0; peaks.len()], peaks, ceiling)
}

/// The same for levels by any model (dB in its own measure of gain).
#[must_use]
pub fn gains_by(levels: &[f64], peaks: &[Option<Dbtp>], ceiling: Dbtp) -> Vec<f64> {
    let quietest = levels.iter().copied().fold(f64::INFINITY, f64::min);
    lowered(levels.iter().map(|l| quietest - l).collect(), peaks, ceiling)
}

/// One gain for all clips of a group: the mean of theirs; what is over the ceiling then lowers all alike.
#[must_use]
pub fn one_per_group(gains: &[f64], groups: &[usize], peaks: &[Option<Dbtp>], ceiling: Dbtp) -> Vec<f64> {
    let mean = |group: usize| {
        let own: Vec<f64> = gains.iter().zip(groups).filter(|(_, g)| **g == group).map(|(gain, _)| *gain).collect();
        own.iter().sum::<f64>() / own.len().max(1) as f64
    };
    lowered(groups.iter().map(|g| mean(*g)).collect(), peaks, ceiling)
}

fn lowered(gains: Vec<f64>, peaks: &[Option<Dbtp>], ceiling: Dbtp) -> Vec<f64> {
    let excess = gains.iter().zip(peaks).filter_map(|(g, p)| p.map(|p| p.value() + g - ceiling.value())).fold(0.0f64, f64::max);
    gains.into_iter().map(|g| g - excess).collect()
}

/// Largest difference between any two.
#[must_use]
pub fn spread(loudness: &[Lufs]) -> f64 {
    let values = || loudness.iter().map(|l| l.value());
    if loudness.is_empty() { 0.0 } else { values().fold(f64::MIN, f64::max) - values().fold(f64::MAX, f64::min) }
}
