//! Many listeners: corrections for looking at several, heterogeneity, the interval over listeners.

use super::special::phi;
use statrs::function::gamma::gamma_ur;

/// Holm's step-down adjustment: strong control, no assumption about dependence.
#[must_use]
pub fn holm(p: &[f64]) -> Vec<f64> {
    let m = p.len();
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let (mut adjusted, mut most) = (vec![0.0; m], 0.0f64);
    for (rank, i) in order.into_iter().enumerate() {
        most = most.max((m - rank) as f64 * p[i]).min(1.0);
        adjusted[i] = most;
    }
    adjusted
}

/// Upper tail of chi-square with `df` degrees of freedom.
#[must_use]
pub fn chi_square_tail(x: f64, df: f64) -> f64 {
    if x <= 0.0 { 1.0 } else { gamma_ur(df / 2.0, x / 2.0) }
}

/// Listeners' counts: trials and right answers.
pub type Count = (u64, u64);

/// The counts of those who answered anything: the others say nothing, and are no degree of freedom either.
pub(super) fn answered(counts: &[Count]) -> Vec<Count> {
    counts.iter().copied().filter(|c| c.0 > 0).collect()
}

fn pooled(counts: &[Count]) -> (f64, f64) {
    let n: u64 = counts.iter().map(|c| c.0).sum();
    let x: u64 = counts.iter().map(|c| c.1).sum();
    (n as f64, if n == 0 { 0.0 } else { x as f64 / n as f64 })
}

/// How unequal the listeners are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heterogeneity {
    /// Pearson's chi-square of equal shares.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub df: u64,
    /// Its p.
    pub p: f64,
    /// Tarone's Z against overdispersion.
    pub tarone_z: f64,
    /// Its one-sided p.
    pub tarone_p: f64,
}

/// Pearson's chi-square and Tarone's Z; `None` with fewer than two listeners or when all or none are right.
#[must_use]
pub fn heterogeneity(counts: &[Count]) -> Option<Heterogeneity> {
    let counts = answered(counts);
    let (n, p) = pooled(&counts);
    let pq = p * (1.0 - p);
    let pairs: f64 = counts.iter().map(|c| c.0 as f64 * (c.0 as f64 - 1.0)).sum();
    if counts.len() < 2 || pq <= 0.0 || pairs <= 0.0 {
        return None;
    }
    let square = |c: &Count| (c.1 as f64 - c.0 as f64 * p).powi(2);
    let chi_square: f64 = counts.iter().map(|c| square(c) / (c.0 as f64 * pq)).sum();
    let df = counts.len() as u64 - 1;
    let tarone_z = (counts.iter().map(square).sum::<f64>() / pq - n) / (2.0 * pairs).sqrt();
    Some(Heterogeneity { chi_square, df, p: chi_square_tail(chi_square, df as f64), tarone_z, tarone_p: phi(-tarone_z) })
}

/// Standard error of the pooled share over listeners: K/(K-1) sum (x - n p)^2 / (sum n)^2; `None` with one listener.
#[must_use]
pub fn cluster_error(counts: &[Count]) -> Option<f64> {
    let counts = answered(counts);
    let k = counts.len() as f64;
    let (n, p) = pooled(&counts);
    if counts.len() < 2 {
        return None;
    }
    let sum: f64 = counts.iter().map(|c| (c.1 as f64 - c.0 as f64 * p).powi(2)).sum();
    Some((k / (k - 1.0) * sum).sqrt() / n)
}

/// Fisher's exact test, one-sided: P of at least `a` right in the first group given the margins (a of n1, b of n2).
#[must_use]
pub fn fisher_exact_greater(a: u64, n1: u64, b: u64, n2: u64) -> f64 {
    let right = a + b;
    let ln_choose = |n: u64, k: u64| {
        use statrs::function::factorial::ln_factorial;
        ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k)
    };
    let total = ln_choose(n1 + n2, right);
    let most = n1.min(right);
    (a..=most)
        .filter(|i| right - i <= n2)
        .map(|i| (ln_choose(n1, i) + ln_choose(n2, right - i) - total).exp())
        .sum::<f64>()
        .min(1.0)
}

/// An audience that heard one montage, everybody by the same drawn key: answers are not independent, so only the key is drawn anew. P that
/// a key drawn at random gives so many right answers in all, over every key; `choices[t]` is how many setups clip t was drawn from, and
/// `answers[t][c]` how many people said setup c of clip t. Returns the right answers, that p, and the smallest p that so many clips can
/// reach.
#[must_use]
pub fn shared_key(answers: &[Vec<u64>], key: &[usize]) -> (u64, f64, f64) {
    let right: u64 = answers.iter().zip(key).map(|(a, k)| a.get(*k).copied().unwrap_or(0)).sum();
    let all: u64 = answers.iter().map(|a| a.iter().max().copied().unwrap_or(0)).sum();
    // ways[s]: share of keys that give s right answers.
    let mut ways = vec![0.0f64; all as usize + 1];
    ways[0] = 1.0;
    for clip in answers {
        let share = 1.0 / clip.len().max(1) as f64;
        let mut next = vec![0.0; ways.len()];
        for (s, p) in ways.iter().enumerate().filter(|(_, p)| **p > 0.0) {
            for count in clip {
                if let Some(slot) = next.get_mut(s + *count as usize) {
                    *slot += p * share;
                }
            }
        }
        ways = next;
    }
    let p = ways[(right.min(all)) as usize..].iter().sum::<f64>().min(1.0);
    // Where answers to a clip are tied, several keys give the most: the smallest p that can be reached is theirs together.
    (right, p, ways.last().copied().unwrap_or(1.0))
}
