//! Candidates for the lag: a dozen windows of the first laid over the whole second.

use super::fft::{forward, good, inverse, thin};

/// Windows of the first that are looked for.
const WINDOWS: usize = 16;
/// Frames of the coarse copy, at most.
const MOST: usize = 1 << 22;
/// Drift that is looked for, as a share.
pub(super) const WIDEST: f64 = 300e-6;
/// Candidates, at most.
const CANDIDATES: usize = 6;
/// A candidate reaches this share of the best score.
const SHARE: f64 = 0.7;

/// A window's correlation with the second by lag, from `first_lag` on, each the largest within the drift that is allowed for.
struct Scores {
    first_lag: i64,
    values: Vec<f32>,
}

/// Lags of the middle of the first, best first, in samples of the copies that are given.
pub(super) fn candidates(a: &[f32], b: &[f32], rate: f64) -> Vec<f64> {
    let step = ((rate / 4000.0).floor() as usize).max(a.len().max(b.len()).div_ceil(MOST)).max(1);
    let (a, b) = (thin(a, step), thin(b, step));
    let rate = rate / step as f64;
    let window = ((a.len() as f64 / 6.0).min(3.0 * rate).max(0.25 * rate) as usize).clamp(1, a.len().max(1));
    let Some(starts) = starts(&a, window) else { return Vec::new() };
    let n = good(b.len() + window);
    let spectrum = forward(&b, n);
    let energy = Prefix::of(&b);
    let mean = energy.total() / b.len().max(1) as f64 * window as f64;
    let middle = a.len() as f64 / 2.0;
    let first_lag = -(a.len() as i64) + 1;
    let mut sum = vec![0.0f32; a.len() + b.len()];
    for start in starts {
        let part = &a[start..start + window];
        let own = part.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
        let cross = forward(part, n).iter().zip(&spectrum).map(|(a, b)| b * a.conj()).collect();
        let found = inverse(cross, n);
        // Where the window lies wholly or partly in the second.
        let at = |begin: i64| {
            let v = found[begin.rem_euclid(n as i64) as usize];
            let local = energy.between(begin, begin + window as i64).max(0.05 * mean);
            (f64::from(v).abs() / (own * local).sqrt()) as f32
        };
        let values: Vec<f32> = (-(window as i64) + 1..b.len() as i64).map(at).collect();
        let reach = ((start as f64 + window as f64 / 2.0 - middle).abs() * WIDEST).ceil() as usize + 1;
        let scores = Scores { first_lag: -(window as i64) + 1 - start as i64, values: widest(&values, reach) };
        for (i, v) in scores.values.iter().enumerate() {
            if let Ok(k) = usize::try_from(scores.first_lag + i as i64 - first_lag)
                && let Some(s) = sum.get_mut(k)
            {
                *s += v;
            }
        }
    }
    peaks(&sum, (0.02 * rate) as usize).into_iter().map(|k| (k as i64 + first_lag) as f64 * step as f64).collect()
}

/// Where windows begin: over all that sounds, its first and last stretch among them.
fn starts(a: &[f32], window: usize) -> Option<Vec<usize>> {
    let prefix = Prefix::of(a);
    let block = (window / 4).max(1);
    let loud: Vec<usize> = (0..a.len().saturating_sub(block))
        .step_by(block)
        .filter(|s| prefix.between(*s as i64, (*s + block) as i64) > 0.003 * prefix.total() * block as f64 / a.len() as f64)
        .collect();
    let (first, last) = (*loud.first()?, *loud.last()?);
    let end = (last + block).saturating_sub(window).min(a.len() - window);
    let first = first.min(a.len() - window).min(end);
    let count = ((end - first) / window.max(1) + 2).min(WINDOWS);
    Some((0..count).map(|i| first + (end - first) * i / (count - 1).max(1)).collect())
}

/// The largest within `reach` to both sides.
fn widest(x: &[f32], reach: usize) -> Vec<f32> {
    let mut out = Vec::with_capacity(x.len());
    let mut best: std::collections::VecDeque<usize> = std::collections::VecDeque::new();
    for i in 0..x.len() + reach {
        if i < x.len() {
            while best.back().is_some_and(|b| x[*b] <= x[i]) {
                best.pop_back();
            }
            best.push_back(i);
        }
        if i >= reach {
            while best.front().is_some_and(|f| f + 2 * reach < i) {
                best.pop_front();
            }
            out.push(best.front().map_or(0.0, |f| x[*f]));
        }
    }
    out
}

/// The highest places, `apart` from each other.
fn peaks(x: &[f32], apart: usize) -> Vec<usize> {
    let mut left: Vec<f32> = x.to_vec();
    let mut out = Vec::new();
    let mut best = 0.0;
    while out.len() < CANDIDATES {
        let Some((k, v)) = left.iter().enumerate().max_by(|p, q| p.1.total_cmp(q.1)).map(|(k, v)| (k, *v)) else { break };
        best = f32::max(best, v);
        if v <= 0.0 || f64::from(v) < SHARE * f64::from(best) {
            break;
        }
        // A plateau (the drift that is allowed for) is one peak: its middle.
        let (mut low, mut high) = (k, k);
        while low > 0 && left[low - 1] >= v {
            low -= 1;
        }
        while high + 1 < left.len() && left[high + 1] >= v {
            high += 1;
        }
        out.push(low.midpoint(high));
        let end = (high + apart + 1).min(left.len());
        left[low.saturating_sub(apart)..end].fill(0.0);
    }
    out
}

/// Energies of any stretch.
struct Prefix(Vec<f64>);

impl Prefix {
    fn of(x: &[f32]) -> Self {
        let mut sum = 0.0;
        let mut all = Vec::with_capacity(x.len() + 1);
        all.push(0.0);
        all.extend(x.iter().map(|v| {
            sum += f64::from(*v) * f64::from(*v);
            sum
        }));
        Self(all)
    }

    fn total(&self) -> f64 {
        self.0[self.0.len() - 1]
    }

    fn between(&self, from: i64, to: i64) -> f64 {
        let at = |k: i64| self.0[(k.max(0) as usize).min(self.0.len() - 1)];
        at(to) - at(from)
    }
}
