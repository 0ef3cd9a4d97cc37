//! Do listeners know when they were right? The area under the type-2 curve: P(confidence of a right answer > that of a wrong one) plus half
//! the ties (Mann and Whitney's U over both counts). Shown, never a gate.

use super::graded::doubled_ranks;
use crate::model::random::RandomWords;

/// So many answers are tested over all assignments.
const EXACT: usize = 120;

/// Beyond, so many assignments are drawn, and the true one is added.
const DRAWN: u64 = 19_999;

/// Area and p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Type2 {
    /// Area under the type-2 curve: 1/2 where confidence says nothing.
    pub area: f64,
    /// One-sided: share of all assignments of right and wrong to the confidences whose area is not below.
    pub p: f64,
    /// True where every assignment was looked at.
    pub every: bool,
}

/// `None` where none or all answers were right. `random` is asked only above 120 answers.
#[must_use]
pub fn type2(right: &[f64], wrong: &[f64], random: &mut dyn RandomWords) -> Option<Type2> {
    if right.is_empty() || wrong.is_empty() {
        return None;
    }
    let all: Vec<f64> = right.iter().chain(wrong).copied().collect();
    let ranks: Vec<usize> = doubled_ranks(&all).0.into_iter().map(|r| r.unsigned_abs() as usize).collect();
    let (k, m) = (right.len(), wrong.len());
    let sum: usize = ranks[..k].iter().sum();
    // Doubled U = doubled rank sum - k (k + 1).
    let area = (sum - k * (k + 1)) as f64 / (2 * k * m) as f64;
    if all.len() <= EXACT {
        return Some(Type2 { area, p: exact(&ranks, k, sum), every: true });
    }
    let mut ranks = ranks;
    let far = (0..DRAWN).filter(|_| drawn(&mut ranks, k, random) >= sum).count() as u64;
    Some(Type2 { area, p: (far + 1) as f64 / (DRAWN + 1) as f64, every: false })
}

/// Share of choices of `k` ranks whose sum is at least `sum`: each rank in turn is taken with the share that is left to take.
fn exact(ranks: &[usize], k: usize, sum: usize) -> f64 {
    let most: usize = ranks.iter().sum();
    // ways[j][s]: probability that j of the ranks so far were taken, with sum s.
    let mut ways = vec![vec![0.0f64; most + 1]; k + 1];
    ways[0][0] = 1.0;
    let mut so_far = 0;
    for (i, rank) in ranks.iter().enumerate() {
        let left = ranks.len() - i;
        for j in (0..=k.min(i + 1)).rev() {
            let take = |j: usize| (k - j) as f64 / left as f64;
            let stay = (1.0 - take(j)).max(0.0);
            let (below, here) = ways.split_at_mut(j);
            let before = below.last();
            for s in (0..=(so_far + rank).min(most)).rev() {
                let with = match before {
                    Some(row) if s >= *rank => row[s - rank] * take(j - 1),
                    _ => 0.0,
                };
                here[0][s] = here[0][s] * stay + with;
            }
        }
        so_far += rank;
    }
    ways[k][sum.min(most)..].iter().sum::<f64>().min(1.0)
}

fn drawn(ranks: &mut [usize], k: usize, random: &mut dyn RandomWords) -> usize {
    for i in 0..k {
        let j = i + random.below((ranks.len() - i) as u64) as usize;
        ranks.swap(i, j);
    }
    ranks[..k].iter().sum()
}
