//! The ways to split takes into two groups of given sizes: all of them while they are few, drawn ones beyond.

use super::forms::Signs;
use crate::model::random::RandomWords;

/// So many splits are all looked at.
pub const EXACT: u64 = 20_000;

/// Beyond, so many are drawn, and the true one is added.
pub const DRAWN: u64 = 19_999;

/// Whether a split and the same with its groups exchanged are two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Named {
    /// They are: the claim has a direction.
    Yes,
    /// They are one, where both groups have the same size.
    No,
}

/// C(n, k), as a number that may be beyond all whole ones.
#[must_use]
pub fn choose(n: u64, k: u64) -> f64 {
    (0..k.min(n.saturating_sub(k))).fold(1.0, |c, i| (c * (n - i) as f64 / (i + 1) as f64).round())
}

/// Number of splits: C(n, T1), halved where sizes are equal and groups have no names.
#[must_use]
pub fn count(first: u64, second: u64, named: Named) -> f64 {
    let all = choose(first + second, first);
    if first == second && named == Named::No { all / 2.0 } else { all }
}

/// The splits of a test.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Splits {
    first: usize,
    second: usize,
    named: Named,
}

/// How many splits were looked at, and whether these were all.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Looked {
    pub(crate) splits: u64,
    pub(crate) every: bool,
}

impl Looked {
    /// The true split counts as one of those that were drawn.
    pub(crate) fn added(self) -> u64 {
        u64::from(!self.every)
    }
}

impl Splits {
    pub(crate) fn new(first: usize, second: usize, named: Named) -> Self {
        Self { first, second, named }
    }

    /// Hands every split, or every drawn one, to `look`.
    pub(super) fn each(&self, random: &mut dyn RandomWords, mut look: impl FnMut(&Signs)) -> Looked {
        let mut signs = Signs(vec![-1; self.first + self.second]);
        self.each_group(random, |group| {
            signs.0.fill(-1);
            for unit in group {
                signs.0[*unit] = 1;
            }
            look(&signs);
        })
    }

    /// The same as the members of the first group.
    pub(crate) fn each_group(&self, random: &mut dyn RandomWords, mut look: impl FnMut(&[usize])) -> Looked {
        let (n, k) = (self.first + self.second, self.first);
        if count(self.first as u64, self.second as u64, self.named) > EXACT as f64 {
            for _ in 0..DRAWN {
                look(&drawn(n, k, random));
            }
            return Looked { splits: DRAWN + 1, every: false };
        }
        // Groups without names and of one size: whoever holds the first unit is called the first.
        let halved = self.first == self.second && self.named == Named::No && k > 0;
        let (mut group, mut splits): (Vec<usize>, u64) = ((0..k).collect(), 0);
        loop {
            look(&group);
            splits += 1;
            // The next combination in lexicographic order (Knuth, algorithm L of combinations; from memory).
            let Some(i) = (0..k).rev().find(|i| group[*i] < n - k + i) else { break };
            if halved && i == 0 {
                break;
            }
            group[i] += 1;
            for j in i + 1..k {
                group[j] = group[j - 1] + 1;
            }
        }
        Looked { splits, every: true }
    }
}

/// `k` of `n`, every choice as likely: the first steps of a shuffle.
fn drawn(n: usize, k: usize, random: &mut dyn RandomWords) -> Vec<usize> {
    let mut all: Vec<usize> = (0..n).collect();
    for i in 0..k {
        let j = i + random.below((n - i) as u64) as usize;
        all.swap(i, j);
    }
    all.truncate(k);
    all
}
