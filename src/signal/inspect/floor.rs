//! What two takes differ by everywhere, and where they differ by more.

use crate::units::SampleRate;

/// Length of a block, seconds.
const BLOCK_S: f64 = 0.005;
/// Blocks to both sides over which the level is smoothed: what an amplifier holds from a moment ago counts too.
const AROUND: usize = 20;
/// dB over the floor from which a block may stand out, however even the floor is.
const LEAST: f64 = 9.0;
/// Times the distance from the middle to the upper quarter of the blocks that a block must stand out over that quarter; a damage may take up to
/// a quarter of the take without hiding in its own floor.
const SPREADS: f64 = 6.0;

/// How far blocks lie over the floor.
#[derive(Debug, Clone)]
pub(super) struct Excess {
    /// Frames of a block.
    pub(super) block: usize,
    /// dB over what counts as standing out; not above 0: ordinary.
    pub(super) over: Vec<f64>,
    /// Gain of the second over the first, and which is the smaller index.
    gain: f64,
}

impl Excess {
    /// Of two takes of equal length; `None` when there is too little to know a floor by.
    pub(super) fn of(a: &[f32], b: &[f32], rate: SampleRate) -> Option<Self> {
        let block = ((BLOCK_S * rate.as_f64()) as usize).max(8);
        let n = a.len().min(b.len());
        let dot = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum::<f64>();
        let gain = best_gain(&a[..n], &b[..n], block)?;
        let parts: Vec<(f64, f64)> = a[..n]
            .chunks_exact(block)
            .zip(b[..n].chunks_exact(block))
            .map(|(x, y)| {
                let left: f64 = x.iter().zip(y).map(|(x, y)| (f64::from(*y) - gain * f64::from(*x)).powi(2)).sum();
                // The quieter of the two: a burst must not raise the floor that it is held against.
                (left, (gain * gain * dot(x, x)).min(dot(y, y)))
            })
            .collect();
        if parts.len() < 40 {
            return None;
        }
        let smooth: Vec<f64> = (0..parts.len())
            .map(|k| {
                let near = &parts[k.saturating_sub(AROUND)..(k + AROUND + 1).min(parts.len())];
                near.iter().map(|p| p.1).sum::<f64>() / near.len() as f64
            })
            .collect();
        let quiet = quantile(parts.iter().map(|p| p.0).collect(), 0.05).max(block as f64 * 1e-12);
        let share = quantile(parts.iter().zip(&smooth).map(|(p, s)| (p.0 - quiet).max(0.0) / s.max(1e-20)).collect(), 0.5);
        let over: Vec<f64> =
            parts.iter().zip(&smooth).map(|(p, s)| 10.0 * (p.0.max(1e-30) / (share * s + quiet)).log10()).collect();
        let (middle, high) = (quantile(over.clone(), 0.5), quantile(over.clone(), 0.75));
        let limit = (middle + LEAST).max(high + SPREADS * (high - middle).max(1.0));
        Some(Self { block, over: over.iter().map(|o| o - limit).collect(), gain })
    }

    /// Gain of take `i` over take `j`.
    pub(super) fn gain_from(&self, i: usize, j: usize) -> f64 {
        // Pairs are made with the smaller index first.
        if i > j { self.gain } else { 1.0 / self.gain }
    }
}

/// The middle of the blocks' own gains, the louder half of them: neither a step nor a hole moves it.
fn best_gain(a: &[f32], b: &[f32], block: usize) -> Option<f64> {
    let dot = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum::<f64>();
    let long = 8 * block;
    let mut gains: Vec<(f64, f64)> = a
        .chunks_exact(long)
        .zip(b.chunks_exact(long))
        .map(|(x, y)| (dot(x, x), dot(x, y)))
        .filter(|p| p.0 > 0.0)
        .map(|p| (p.0, p.1 / p.0))
        .collect();
    gains.sort_by(|p, q| q.0.total_cmp(&p.0));
    gains.truncate(gains.len().div_ceil(2));
    if gains.is_empty() {
        return None;
    }
    let gain = quantile(gains.into_iter().map(|g| g.1).collect(), 0.5);
    (gain.is_finite() && gain.abs() > 1e-6).then_some(gain)
}

pub(super) fn quantile(mut x: Vec<f64>, q: f64) -> f64 {
    x.sort_by(f64::total_cmp);
    x.get(((x.len().max(1) - 1) as f64 * q).round() as usize).copied().unwrap_or(0.0)
}
