//! Ratings: medians and quartiles, Friedman and Wilcoxon's signed ranks exactly where they are small enough.
//!
//! Sources: Friedman 1937, Wilcoxon 1945, Hyndman and Fan 1996 (type 7); formulas from memory, values checked against scipy and published
//! examples.

use super::panel::chi_square_tail;
use std::collections::BTreeMap;

/// Median and quartiles by linear interpolation (Hyndman and Fan, type 7); `None` for nothing.
#[must_use]
pub fn quartiles(values: &[f64]) -> Option<[f64; 3]> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    Some([0.25, 0.5, 0.75].map(|p| {
        let at = p * last as f64;
        let low = at.floor() as usize;
        let high = (low + 1).min(last);
        sorted[low] + (at - low as f64) * (sorted[high] - sorted[low])
    }))
}

/// Midranks from 1, doubled so that they are whole numbers, and sum of t^3 - t over ties.
pub(super) fn doubled_ranks(values: &[f64]) -> (Vec<i64>, f64) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let (mut ranks, mut ties, mut i) = (vec![0; values.len()], 0.0, 0);
    while i < order.len() {
        let end = (i..order.len()).take_while(|j| values[order[*j]].total_cmp(&values[order[i]]).is_eq()).count() + i;
        for j in &order[i..end] {
            // Mean of ranks i+1 ..= end, twice.
            ranks[*j] = (i + 1 + end) as i64;
        }
        let t = (end - i) as f64;
        ties += t.powi(3) - t;
        i = end;
    }
    (ranks, ties)
}

/// Friedman's test over rows (listeners or trials) of ratings of the same k items.
#[derive(Debug, Clone, PartialEq)]
pub struct Friedman {
    /// Tie-corrected statistic.
    pub chi_square: f64,
    /// Degrees of freedom.
    pub df: u64,
    /// p by chi-square.
    pub p: f64,
    /// Exact p by permuting within rows; `None` where there are too many.
    pub p_exact: Option<f64>,
    /// Kendall's coefficient of concordance.
    pub w: f64,
    /// Rank sums.
    pub rank_sums: Vec<f64>,
}

/// Rank-sum vectors that are followed at most before the exact p is given up.
const STATES: usize = 200_000;

/// Friedman's test; `None` with fewer than two items or rows, or when every row is all ties.
#[must_use]
pub fn friedman(rows: &[Vec<f64>]) -> Option<Friedman> {
    let (n, k) = (rows.len(), rows.first()?.len());
    if n < 2 || k < 2 || rows.iter().any(|r| r.len() != k) {
        return None;
    }
    let ranked: Vec<(Vec<i64>, f64)> = rows.iter().map(|r| doubled_ranks(r)).collect();
    let mut sums = vec![0i64; k];
    for (ranks, _) in &ranked {
        sums.iter_mut().zip(ranks).for_each(|(s, r)| *s += r);
    }
    let (n_f, k_f) = (n as f64, k as f64);
    let ties: f64 = ranked.iter().map(|r| r.1).sum();
    let denominator = n_f * k_f * (k_f + 1.0) - ties / (k_f - 1.0);
    if denominator <= 0.0 {
        return None;
    }
    // Doubled ranks have the mean k+1; squares of doubled sums are four times too large.
    let centre = n as i64 * (k as i64 + 1);
    let squares: i64 = sums.iter().map(|s| (s - centre).pow(2)).sum();
    let chi_square = 12.0 * squares as f64 / 4.0 / denominator;
    let df = k as u64 - 1;
    Some(Friedman {
        chi_square,
        df,
        p: chi_square_tail(chi_square, df as f64),
        p_exact: exact(&ranked, centre, squares),
        w: chi_square / (n_f * (k_f - 1.0)),
        rank_sums: sums.iter().map(|s| *s as f64 / 2.0).collect(),
    })
}

/// Every different order of a row's ranks, with how many permutations lead to it, as a share.
fn orders(ranks: &[i64]) -> Vec<Vec<i64>> {
    let mut sorted = ranks.to_vec();
    sorted.sort_unstable();
    let mut out = vec![sorted.clone()];
    // Next permutation in lexicographic order (Knuth, algorithm L; from memory): ties appear once.
    while let Some(i) = (0..sorted.len().saturating_sub(1)).rev().find(|i| sorted[*i] < sorted[i + 1]) {
        let Some(j) = (i + 1..sorted.len()).rev().find(|j| sorted[*j] > sorted[i]) else { break };
        sorted.swap(i, j);
        sorted[i + 1..].reverse();
        out.push(sorted.clone());
    }
    out
}

fn exact(ranked: &[(Vec<i64>, f64)], centre: i64, observed: i64) -> Option<f64> {
    if ranked.first().is_none_or(|r| r.0.len() > 5) {
        return None;
    }
    let k = ranked[0].0.len();
    // An ordered table: the sums are added in one order, so that a document says the same to the last digit whoever recomputes it.
    let mut states: BTreeMap<Vec<i64>, f64> = BTreeMap::from([(vec![0; k], 1.0)]);
    for (ranks, _) in ranked {
        let orders = orders(ranks);
        let share = 1.0 / orders.len() as f64;
        let mut next: BTreeMap<Vec<i64>, f64> = BTreeMap::new();
        for (sums, p) in &states {
            for order in &orders {
                let mut sum: Vec<i64> = sums.iter().zip(order).map(|(s, r)| s + r).collect();
                // Items are alike under the hypothesis: only the sorted sums matter, which keeps the table small.
                sum.sort_unstable();
                *next.entry(sum).or_insert(0.0) += p * share;
            }
            if next.len() > STATES {
                return None;
            }
        }
        states = next;
    }
    let far = |sums: &Vec<i64>| sums.iter().map(|s| (s - centre).pow(2)).sum::<i64>() >= observed;
    // Added from the smallest up.
    let mut parts: Vec<f64> = states.iter().filter(|(s, _)| far(s)).map(|(_, p)| *p).collect();
    parts.sort_by(f64::total_cmp);
    Some(parts.iter().sum::<f64>().min(1.0))
}

/// Wilcoxon's signed ranks, exact: zeros dropped, midranks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignedRanks {
    /// Differences that are not zero.
    pub nonzero: usize,
    /// Sum of the ranks of the positive ones.
    pub w_plus: f64,
    /// P of a sum so large.
    pub p_greater: f64,
    /// P of a sum so small.
    pub p_less: f64,
    /// Twice the smaller, at most 1.
    pub p_two_sided: f64,
}

/// The test on paired differences; with none that is not zero every p is 1.
#[must_use]
pub fn signed_ranks(differences: &[f64]) -> SignedRanks {
    let kept: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    let (ranks, _) = doubled_ranks(&kept.iter().map(|d| d.abs()).collect::<Vec<_>>());
    let all: i64 = ranks.iter().sum();
    let plus: i64 = ranks.iter().zip(&kept).filter(|(_, d)| **d > 0.0).map(|(r, _)| r).sum();
    // ways[s]: share of sign patterns whose positive doubled ranks sum to s.
    let mut ways = vec![0.0f64; all as usize + 1];
    ways[0] = 1.0;
    for rank in &ranks {
        let rank = *rank as usize;
        for s in (0..ways.len()).rev() {
            let with = if s >= rank { ways[s - rank] } else { 0.0 };
            ways[s] = 0.5 * (ways[s] + with);
        }
    }
    let p_greater = ways[plus as usize..].iter().sum::<f64>().min(1.0);
    let p_less = ways[..=plus as usize].iter().sum::<f64>().min(1.0);
    SignedRanks {
        nonzero: kept.len(),
        w_plus: plus as f64 / 2.0,
        p_greater,
        p_less,
        p_two_sided: (2.0 * p_greater.min(p_less)).min(1.0),
    }
}

/// Shares of items in which a listener put the hidden reference below 90, and the anchor above 90. Above 0.15 either is a flag (after ITU-R
/// BS.1534, from memory); for wirings the reference is a named take, so the flag informs and excludes nobody.
#[must_use]
pub fn screening(hidden_reference: &[f64], anchor: &[f64]) -> (f64, f64, bool) {
    let share = |values: &[f64], bad: &dyn Fn(f64) -> bool| {
        if values.is_empty() { 0.0 } else { values.iter().filter(|v| bad(**v)).count() as f64 / values.len() as f64 }
    };
    let low = share(hidden_reference, &|v| v < 90.0);
    let high = share(anchor, &|v| v > 90.0);
    (low, high, low > 0.15 || high > 0.15)
}
