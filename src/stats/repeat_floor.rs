//! Do the setups differ by more than repeat takes? A permutation test over the takes' band levels.
//!
//! statistic = sum over bands of (difference of the setups' mean levels)^2 / that band's pooled within-setup variance, with n - 2 in its
//! denominator and computed anew for each split; a band whose variance is zero everywhere is left out. p_floor is the share of splits
//! without names whose statistic is not below the true one (relative slack 1e-12). Source: permutation, Fisher 1935 (from memory).

use super::takes::splits::{Named, Splits};
use crate::model::random::RandomWords;

/// With fewer takes of a setup the question is not answered: 1/10 is the least p of three and three.
pub const LEAST_TAKES: usize = 4;

/// Level at which setups differ by more than repeat takes.
pub const FLOOR_LEVEL: f64 = 0.05;

/// The split test of band levels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// The true split's statistic; infinite where takes of a setup are alike to the last digit and the setups are not.
    pub statistic: f64,
    /// Splits that were looked at.
    pub splits: u64,
    /// Splits whose statistic is not below.
    pub at_least_as_far: u64,
    /// Their share.
    pub p: f64,
}

/// The test, with however few takes. `first` and `second` hold each take's levels in dB by band, aligned takes; all have the same bands.
/// `None` without two takes in one of them and one in the other, or where bands differ in number. `random` is asked only where there are
/// more splits than 20 000.
#[must_use]
pub fn split_test(first: &[Vec<f64>], second: &[Vec<f64>], random: &mut dyn RandomWords) -> Option<Floor> {
    let takes: Vec<&[f64]> = first.iter().chain(second).map(Vec::as_slice).collect();
    let bands = takes.first()?.len();
    if first.is_empty() || second.is_empty() || takes.len() < 3 || takes.iter().any(|t| t.len() != bands) {
        return None;
    }
    let used: Vec<usize> = (0..bands).filter(|b| takes.iter().any(|t| t[*b].total_cmp(&takes[0][*b]).is_ne())).collect();
    let own: Vec<usize> = (0..first.len()).collect();
    let truth = statistic(&takes, &used, &own);
    let limit = truth * (1.0 - 1e-12);
    let mut far = 0;
    let looked = Splits::new(first.len(), second.len(), Named::No)
        .each_group(random, |group| far += u64::from(statistic(&takes, &used, group) >= limit));
    let far = far + looked.added();
    Some(Floor { statistic: truth, splits: looked.splits, at_least_as_far: far, p: far as f64 / looked.splits as f64 })
}

/// `p_floor` as it is told: `None` with fewer than four takes of a setup.
#[must_use]
pub fn p_floor(first: &[Vec<f64>], second: &[Vec<f64>], random: &mut dyn RandomWords) -> Option<f64> {
    if first.len().min(second.len()) < LEAST_TAKES {
        return None;
    }
    split_test(first, second, random).map(|f| f.p)
}

fn statistic(takes: &[&[f64]], bands: &[usize], group: &[usize]) -> f64 {
    let n = takes.len() as f64;
    let (k, rest) = (group.len() as f64, n - group.len() as f64);
    let mut inside = vec![false; takes.len()];
    group.iter().for_each(|i| inside[*i] = true);
    bands
        .iter()
        .map(|band| {
            let mean = |of: bool, count: f64| {
                takes.iter().zip(&inside).filter(|(_, i)| **i == of).map(|(t, _)| t[*band]).sum::<f64>() / count
            };
            let (a, b) = (mean(true, k), mean(false, rest));
            let within: f64 =
                takes.iter().zip(&inside).map(|(t, i)| (t[*band] - if *i { a } else { b }).powi(2)).sum::<f64>() / (n - 2.0);
            let between = (a - b).powi(2);
            if between > 0.0 { between / within } else { 0.0 }
        })
        .sum()
}
