//! Listener quality: flag, show, never drop. Bias in answers does not invalidate the exact test.

use super::binomial::two_sided;
use super::special::quantile;

/// The level at which a flag is shown.
pub const FLAG_LEVEL: f64 = 0.01;

/// Share of "first" answers against 1/2, two-sided exact.
#[must_use]
pub fn position_bias_p(first: u64, answers: u64) -> f64 {
    two_sided(first, answers, 0.5)
}

/// Sum of the indices (from 1) of right answers, and the exact probabilities of a sum at least as small and at least as large given the
/// number right: improving listeners have large sums. (sum, p improving, p declining).
#[must_use]
pub fn drift(outcomes: &[bool]) -> (u64, f64, f64) {
    let n = outcomes.len();
    let right = outcomes.iter().filter(|r| **r).count();
    let sum: usize = outcomes.iter().enumerate().filter(|(_, r)| **r).map(|(i, _)| i + 1).sum();
    // ways[k][s]: choices of k indices with sum s.
    let most = n * (n + 1) / 2;
    let mut ways = vec![vec![0.0f64; most + 1]; right + 1];
    ways[0][0] = 1.0;
    for index in 1..=n {
        for k in (1..=right.min(index)).rev() {
            for s in (index..=most).rev() {
                ways[k][s] += ways[k - 1][s - index];
            }
        }
    }
    let all: f64 = ways[right].iter().sum();
    let improving = ways[right][sum..].iter().sum::<f64>() / all;
    let declining = ways[right][..=sum].iter().sum::<f64>() / all;
    (sum as u64, improving, declining)
}

/// Number of runs and the exact probabilities of so few and so many (Wald and Wolfowitz). (runs, p few, p many).
#[must_use]
pub fn runs(outcomes: &[bool]) -> (u64, f64, f64) {
    let ones = outcomes.iter().filter(|r| **r).count() as u64;
    let zeros = outcomes.len() as u64 - ones;
    let count = 1 + outcomes.windows(2).filter(|w| w[0] != w[1]).count() as u64;
    if ones == 0 || zeros == 0 {
        return (count, 1.0, 1.0);
    }
    let choose = |n: u64, k: u64| -> f64 { if k > n { 0.0 } else { (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product() } };
    let all = choose(ones + zeros, ones);
    let ways = |r: u64| {
        let k = r / 2;
        if r.is_multiple_of(2) {
            2.0 * choose(ones - 1, k - 1) * choose(zeros - 1, k - 1)
        } else {
            choose(ones - 1, k) * choose(zeros - 1, k - 1) + choose(ones - 1, k - 1) * choose(zeros - 1, k)
        }
    };
    let few: f64 = (2..=count).map(ways).sum::<f64>() / all;
    let many: f64 = (count..=outcomes.len() as u64).map(ways).sum::<f64>() / all;
    (count, few.min(1.0), many.min(1.0))
}

/// Answers that came too fast: those below a floor in which not every sample can have sounded, and those whose logarithm lies more than
/// three robust standard deviations (the median absolute deviation over the normal's upper quartile, 1.4826 times it) below the median. (median of ln s, scaled deviation, below
/// the floor, robustly low), places from 0.
#[must_use]
pub fn too_fast(seconds: &[f64], floor: f64) -> Option<(f64, f64, Vec<usize>, Vec<usize>)> {
    let logs: Vec<f64> = seconds.iter().map(|s| s.max(1e-3).ln()).collect();
    let median = super::graded::quartiles(&logs)?[1];
    let deviation = super::graded::quartiles(&logs.iter().map(|l| (l - median).abs()).collect::<Vec<_>>())?[1] / quantile(0.75);
    let places = |bad: &dyn Fn(usize) -> bool| (0..seconds.len()).filter(|i| bad(*i)).collect();
    let below = places(&|i| seconds[i] < floor);
    let low = places(&|i| deviation > 0.0 && (logs[i] - median) / deviation < -3.0);
    Some((median, deviation, below, low))
}
