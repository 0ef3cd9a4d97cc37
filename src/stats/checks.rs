//! Listener quality: flag, show, never drop. Bias in answers does not invalidate the exact test.

use super::binomial::two_sided;
use super::panel::chi_square_tail;
use super::special::{phi, quantile};

/// The level at which a flag is shown.
pub const FLAG_LEVEL: f64 = 0.01;

/// Answers by place: what the key held first or second, and what was said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Places {
    /// First was right, first was said.
    pub first_first: u64,
    /// First was right, second was said.
    pub first_second: u64,
    /// Second was right, first was said.
    pub second_first: u64,
    /// Second was right, second was said.
    pub second_second: u64,
}

/// Bias towards a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceBias {
    /// Share of "first" answers against 1/2, two-sided exact.
    pub p: f64,
    /// Wrong answers that said first, against the share of keys that held second, two-sided exact: the ear cannot explain these.
    pub p_wrong: f64,
    /// c = -(z(H) + z(F))/2 of one sample at a time, with a half added to each count and one to each total (Hautus 1995); below 0 leans to
    /// the first.
    pub criterion: f64,
    /// The same of a choice between two samples (2-AFC): -(z(H) + z(F))/sqrt 2.
    pub criterion_2afc: f64,
}

impl Places {
    /// Bias of these answers.
    #[must_use]
    pub fn bias(&self) -> PlaceBias {
        let said_first = self.first_first + self.second_first;
        let (first, second) = (self.first_first + self.first_second, self.second_first + self.second_second);
        let all = first + second;
        let wrong = self.first_second + self.second_first;
        let share = if all == 0 { 0.5 } else { second as f64 / all as f64 };
        let z = |x: u64, n: u64| quantile((x as f64 + 0.5) / (n as f64 + 1.0));
        let lean = -(z(self.first_first, first) + z(self.second_first, second));
        PlaceBias {
            p: two_sided(said_first, all, 0.5),
            p_wrong: two_sided(self.second_first, wrong, share),
            criterion: lean / 2.0,
            criterion_2afc: lean / std::f64::consts::SQRT_2,
        }
    }
}

/// How the odds of a right answer change from trial to trial: logistic regression on the trial's number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Change of ln(odds) per trial.
    pub per_trial: f64,
    /// Its Wald standard error.
    pub error: f64,
    /// Likelihood ratio against no change.
    pub ratio: f64,
    /// Its p, chi-square with 1 degree of freedom.
    pub p: f64,
}

/// The logistic slope by Newton's method; `None` where all or none are right, or where right and wrong do not overlap in time (then there
/// is no finite slope).
#[must_use]
pub fn slope(outcomes: &[bool]) -> Option<Slope> {
    let n = outcomes.len() as f64;
    let right = outcomes.iter().filter(|r| **r).count() as f64;
    if right <= 0.0 || right >= n {
        return None;
    }
    let first = |wanted: bool| outcomes.iter().position(|r| *r == wanted);
    let last = |wanted: bool| outcomes.iter().rposition(|r| *r == wanted);
    if last(true)? < first(false)? || last(false)? < first(true)? {
        return None;
    }
    let at = |i: usize| i as f64 - (n - 1.0) / 2.0;
    let chance = |a: f64, b: f64, i: usize| 1.0 / (1.0 + (-(a + b * at(i))).exp());
    let (mut a, mut b) = ((right / (n - right)).ln(), 0.0);
    let mut information = [0.0; 3];
    for _ in 0..100 {
        let (mut score, mut info) = ([0.0; 2], [0.0; 3]);
        for (i, outcome) in outcomes.iter().enumerate() {
            let p = chance(a, b, i);
            let residual = f64::from(u8::from(*outcome)) - p;
            let weight = p * (1.0 - p);
            score = [score[0] + residual, score[1] + residual * at(i)];
            info = [info[0] + weight, info[1] + weight * at(i), info[2] + weight * at(i) * at(i)];
        }
        let determinant = info[0] * info[2] - info[1] * info[1];
        let step =
            [(info[2] * score[0] - info[1] * score[1]) / determinant, (info[0] * score[1] - info[1] * score[0]) / determinant];
        (a, b) = (a + step[0], b + step[1]);
        information = info;
        if step[0].abs().max(step[1].abs() * n) < 1e-13 {
            break;
        }
    }
    let likelihood: f64 =
        outcomes.iter().enumerate().map(|(i, r)| if *r { chance(a, b, i).ln() } else { (1.0 - chance(a, b, i)).ln() }).sum();
    let flat = right * (right / n).ln() + (n - right) * (1.0 - right / n).ln();
    let ratio = (2.0 * (likelihood - flat)).max(0.0);
    let variance = information[0] / (information[0] * information[2] - information[1] * information[1]);
    (b.is_finite() && variance.is_finite()).then(|| Slope {
        per_trial: b,
        error: variance.sqrt(),
        ratio,
        p: chi_square_tail(ratio, 1.0),
    })
}

/// Trend of the share of right answers over blocks (score, trials, right), after Cochran and Armitage, without continuity correction:
/// (z, two-sided p); `None` where nothing can trend.
#[must_use]
pub fn trend(blocks: &[(f64, u64, u64)]) -> Option<(f64, f64)> {
    let n: f64 = blocks.iter().map(|b| b.1 as f64).sum();
    let p = blocks.iter().map(|b| b.2 as f64).sum::<f64>() / n;
    let mean = blocks.iter().map(|b| b.0 * b.1 as f64).sum::<f64>() / n;
    let spread: f64 = blocks.iter().map(|b| b.1 as f64 * (b.0 - mean).powi(2)).sum();
    let variance = p * (1.0 - p) * spread;
    if variance.is_nan() || variance <= 0.0 {
        return None;
    }
    let z = blocks.iter().map(|b| (b.0 - mean) * (b.2 as f64 - b.1 as f64 * p)).sum::<f64>() / variance.sqrt();
    Some((z, 2.0 * phi(-z.abs())))
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
    // By logarithms of factorials: the binomials themselves leave the range of numbers from a thousand trials on.
    let factorials: Vec<f64> = std::iter::once(0.0)
        .chain((1..=outcomes.len()).scan(0.0, |sum, n| {
            *sum += (n as f64).ln();
            Some(*sum)
        }))
        .collect();
    let choose = |n: u64, k: u64| -> f64 {
        if k > n { f64::NEG_INFINITY } else { factorials[n as usize] - factorials[k as usize] - factorials[(n - k) as usize] }
    };
    let all = choose(ones + zeros, ones);
    let share = |r: u64| {
        let k = r / 2;
        let part = |a: u64, b: u64| (choose(ones - 1, a) + choose(zeros - 1, b) - all).exp();
        if r.is_multiple_of(2) { 2.0 * part(k - 1, k - 1) } else { part(k, k - 1) + part(k - 1, k) }
    };
    let few: f64 = (2..=count).map(share).sum();
    let many: f64 = (count..=outcomes.len() as u64).map(share).sum();
    (count, few.min(1.0), many.min(1.0))
}

/// Answers that came too fast: those below a floor in which not every sample can have sounded, and those whose logarithm lies more than
/// three robust standard deviations (the median absolute deviation over the normal's upper quartile, 1.4826 times it) below the median.
/// (median of ln s, scaled deviation, below the floor, robustly low), places from 0.
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
