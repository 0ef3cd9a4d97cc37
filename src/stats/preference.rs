//! Paired preferences over several items: Bradley-Terry with an order effect, when a scale exists at all, consistency of one
//! listener, agreement of several.
//!
//! Sources: Zermelo 1929 and Ford 1957 (existence), Bradley and Terry 1952, Davidson 1970, Davidson and Beaver 1977, Kendall and Babington
//! Smith 1940; formulas from memory, values checked against statsmodels and published examples.

use super::panel::chi_square_tail;

/// Choices of one ordered pair: the first item sounded first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Item that sounded first.
    pub first: usize,
    /// Item that sounded second.
    pub second: usize,
    /// How often the first was chosen.
    pub first_wins: f64,
    /// How often the second was chosen.
    pub second_wins: f64,
}

/// What is fitted beside the abilities.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Extras {
    /// logit P(first chosen) = theta_first - theta_second + gamma.
    pub order: bool,
}

/// A fitted scale. Abilities are log strengths; their zero is the last item.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Abilities, the last one 0.
    pub theta: Vec<f64>,
    /// Covariance of the free parameters: abilities but the last, then gamma.
    pub covariance: Vec<Vec<f64>>,
    /// Order effect, if fitted.
    pub gamma: Option<f64>,
    /// Log-likelihood without binomial coefficients.
    pub log_likelihood: f64,
}

/// A win table as rows without order: `wins[i][j]` is how often i was chosen over j.
#[must_use]
pub fn rows_of(wins: &[Vec<f64>]) -> Vec<Row> {
    let mut out = Vec::new();
    for (i, row) in wins.iter().enumerate() {
        for (j, back) in wins.iter().enumerate().skip(i + 1) {
            if row[j] + back[i] > 0.0 {
                out.push(Row { first: i, second: j, first_wins: row[j], second_wins: back[i] });
            }
        }
    }
    out
}

/// Log-likelihood, gradient and information at a point.
struct Point {
    value: f64,
    gradient: Vec<f64>,
    information: Vec<Vec<f64>>,
}

/// The design of one row: which parameters move the log odds of first against second, and by how much.
fn design(row: &Row, free: usize, extras: Extras, size: usize) -> Vec<f64> {
    let mut x = vec![0.0; size];
    if row.first < free {
        x[row.first] += 1.0;
    }
    if row.second < free {
        x[row.second] -= 1.0;
    }
    if extras.order {
        x[free] = 1.0;
    }
    x
}

fn point(rows: &[Row], beta: &[f64], free: usize, extras: Extras) -> Point {
    let size = beta.len();
    let mut out = Point { value: 0.0, gradient: vec![0.0; size], information: vec![vec![0.0; size]; size] };
    for row in rows {
        let x = design(row, free, extras, size);
        let log_odds: f64 = x.iter().zip(beta).map(|(a, b)| a * b).sum();
        // ln(1 + e^-|d|) keeps its digits however far the abilities lie apart.
        let ln_first = log_odds.min(0.0) - (-log_odds.abs()).exp().ln_1p();
        let ln_second = ln_first - log_odds;
        let (first, second) = (ln_first.exp(), ln_second.exp());
        let n = row.first_wins + row.second_wins;
        out.value += row.first_wins * ln_first + row.second_wins * ln_second;
        for a in 0..size {
            out.gradient[a] += (row.first_wins - n * first) * x[a];
            for b in 0..size {
                out.information[a][b] += n * first * second * x[a] * x[b];
            }
        }
    }
    out
}

/// The inverse of a symmetric positive matrix by Gauss-Jordan with pivoting; `None` when it has none.
fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    let mut work: Vec<Vec<f64>> = matrix
        .iter()
        .enumerate()
        .map(|(i, row)| row.iter().copied().chain((0..n).map(|j| f64::from(u8::from(i == j)))).collect())
        .collect();
    for column in 0..n {
        let pivot = (column..n).max_by(|a, b| work[*a][column].abs().total_cmp(&work[*b][column].abs()))?;
        if work[pivot][column].abs() < 1e-12 {
            return None;
        }
        work.swap(column, pivot);
        let scale = work[column][column];
        work[column].iter_mut().for_each(|v| *v /= scale);
        let unit = work[column].clone();
        for (r, row) in work.iter_mut().enumerate() {
            if r != column {
                let factor = row[column];
                row.iter_mut().zip(&unit).for_each(|(v, u)| *v -= factor * u);
            }
        }
    }
    Some(work.into_iter().map(|row| row[n..].to_vec()).collect())
}

/// Maximum likelihood by Newton with step halving. `None` when no finite maximum is reached: see [`components`].
#[must_use]
pub fn fit(rows: &[Row], items: usize, extras: Extras) -> Option<Fit> {
    let free = items.checked_sub(1)?;
    let size = free + usize::from(extras.order);
    let mut beta = vec![0.0; size];
    let mut here = point(rows, &beta, free, extras);
    for _ in 0..200 {
        let inverse = inverse(&here.information)?;
        let step: Vec<f64> = inverse.iter().map(|row| row.iter().zip(&here.gradient).map(|(a, g)| a * g).sum()).collect();
        let mut scale = 1.0;
        let next = loop {
            let trial: Vec<f64> = beta.iter().zip(&step).map(|(b, s)| b + scale * s).collect();
            let there = point(rows, &trial, free, extras);
            if there.value >= here.value - 1e-12 || scale < 1e-6 {
                beta = trial;
                break there;
            }
            scale *= 0.5;
        };
        here = next;
        if step.iter().map(|s| (s * scale).abs()).fold(0.0, f64::max) < 1e-13 {
            break;
        }
    }
    if beta.iter().any(|b| !b.is_finite() || b.abs() > 30.0) {
        return None;
    }
    let covariance = inverse(&here.information)?;
    let theta = beta[..free].iter().copied().chain([0.0]).collect();
    Some(Fit { theta, covariance, gamma: extras.order.then(|| beta[free]), log_likelihood: here.value })
}

impl Fit {
    fn variance(&self, a: usize, b: usize) -> f64 {
        let free = self.theta.len() - 1;
        if a < free && b < free { self.covariance[a][b] } else { 0.0 }
    }

    /// Difference of two abilities and its standard error: what may be compared, unlike an ability alone.
    #[must_use]
    pub fn difference(&self, a: usize, b: usize) -> (f64, f64) {
        let variance = self.variance(a, a) + self.variance(b, b) - 2.0 * self.variance(a, b);
        (self.theta[a] - self.theta[b], variance.max(0.0).sqrt())
    }

    /// Abilities whose mean is zero, with their standard errors.
    #[must_use]
    pub fn centred(&self) -> Vec<(f64, f64)> {
        let n = self.theta.len();
        let mean = self.theta.iter().sum::<f64>() / n as f64;
        let weight = |i: usize, k: usize| f64::from(u8::from(i == k)) - 1.0 / n as f64;
        (0..n)
            .map(|i| {
                let variance: f64 = (0..n)
                    .flat_map(|a| (0..n).map(move |b| (a, b)))
                    .map(|(a, b)| weight(i, a) * weight(i, b) * self.variance(a, b))
                    .sum();
                (self.theta[i] - mean, variance.max(0.0).sqrt())
            })
            .collect()
    }
}

/// Likelihood-ratio test of the order effect, 1 degree of freedom: statistic and p.
#[must_use]
pub fn order_effect(with: &Fit, without: &Fit) -> (f64, f64) {
    let statistic = (2.0 * (with.log_likelihood - without.log_likelihood)).max(0.0);
    (statistic, chi_square_tail(statistic, 1.0))
}

/// Whether a scale exists, and the tiers if not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Components {
    /// Strong components of the win graph, strongest first: a finite scale exists if and only if there is one.
    pub strong: Vec<Vec<usize>>,
    /// All items can be compared at all, through others if need be.
    pub connected: bool,
}

/// Strong components of the graph in which i points to j when i was ever chosen over j (Ford 1957).
#[must_use]
pub fn components(wins: &[Vec<f64>]) -> Components {
    let n = wins.len();
    let closure = |edge: &dyn Fn(usize, usize) -> bool| {
        let mut reach: Vec<Vec<bool>> = (0..n).map(|i| (0..n).map(|j| i == j || edge(i, j)).collect()).collect();
        for k in 0..n {
            for i in 0..n {
                for j in 0..n {
                    reach[i][j] |= reach[i][k] && reach[k][j];
                }
            }
        }
        reach
    };
    let beats = closure(&|i, j| wins[i][j] > 0.0);
    let joined = closure(&|i, j| wins[i][j] > 0.0 || wins[j][i] > 0.0);
    let mut strong: Vec<Vec<usize>> = Vec::new();
    for (i, row) in beats.iter().enumerate() {
        match strong.iter_mut().find(|c| row[c[0]] && beats[c[0]][i]) {
            Some(component) => component.push(i),
            None => strong.push(vec![i]),
        }
    }
    // A tier that reaches more items stands higher; equal ones keep the order of the plan.
    strong.sort_by_key(|c| std::cmp::Reverse(beats[c[0]].iter().filter(|r| **r).count()));
    Components { strong, connected: joined.iter().flatten().all(|r| *r) }
}

/// A shrunk scale for plots where none exists: one win and one loss of every item against a phantom of ability 0. Abilities with standard
/// errors.
#[must_use]
pub fn shrunk(wins: &[Vec<f64>]) -> Option<Vec<(f64, f64)>> {
    let n = wins.len();
    let mut rows = rows_of(wins);
    rows.extend((0..n).map(|i| Row { first: i, second: n, first_wins: 1.0, second_wins: 1.0 }));
    let fit = fit(&rows, n + 1, Extras::default())?;
    Some((0..n).map(|i| fit.difference(i, n)).collect())
}

/// Circular triads of one listener who compared every pair once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triads {
    /// Their number.
    pub count: u64,
    /// Coefficient of consistency: 1 for none.
    pub zeta: f64,
    /// Probability of so few by choosing at random; `None` above 7 items.
    pub p: Option<f64>,
}

/// `chosen[i][j]`: i was chosen over j. d = C(k,3) - sum C(a_i, 2).
#[must_use]
pub fn circular_triads(chosen: &[Vec<bool>]) -> Triads {
    let k = chosen.len() as u64;
    let pairs = |a: u64| a * a.saturating_sub(1) / 2;
    let scores = chosen.iter().map(|row| row.iter().filter(|c| **c).count() as u64);
    let count = (k * (k.saturating_sub(1)) * (k.saturating_sub(2)) / 6).saturating_sub(scores.map(pairs).sum());
    let k_f = k as f64;
    let most = if k % 2 == 1 { (k_f.powi(3) - k_f) / 24.0 } else { (k_f.powi(3) - 4.0 * k_f) / 24.0 };
    let zeta = if most > 0.0 { 1.0 - count as f64 / most } else { 1.0 };
    let p = triad_counts(chosen.len()).map(|counts| {
        let all: u64 = counts.iter().sum();
        counts.iter().take(count as usize + 1).sum::<u64>() as f64 / all as f64
    });
    Triads { count, zeta, p }
}

/// How many of all tournaments of k items have 0, 1, 2 ... circular triads, by enumeration; `None` above 7 items.
#[must_use]
pub fn triad_counts(k: usize) -> Option<Vec<u64>> {
    if !(3..=7).contains(&k) {
        return None;
    }
    let pairs: Vec<(usize, usize)> = (0..k).flat_map(|i| (i + 1..k).map(move |j| (i, j))).collect();
    let mut counts = Vec::new();
    for bits in 0u32..1 << pairs.len() {
        let mut scores = [0u32; 7];
        for (b, (i, j)) in pairs.iter().enumerate() {
            scores[if bits >> b & 1 == 1 { *i } else { *j }] += 1;
        }
        let triples = (k * (k - 1) * (k - 2) / 6) as u32;
        let d = (triples - scores[..k].iter().map(|a| a * a.saturating_sub(1) / 2).sum::<u32>()) as usize;
        if counts.len() <= d {
            counts.resize(d + 1, 0);
        }
        counts[d] += 1;
    }
    Some(counts)
}

/// Agreement of m judges who each compared every pair once: (sum of C(c_ij, 2), u).
#[must_use]
pub fn agreement(counts: &[Vec<u64>], judges: u64) -> (u64, f64) {
    let pairs = |c: u64| c * c.saturating_sub(1) / 2;
    let sum: u64 = counts.iter().flatten().map(|c| pairs(*c)).sum();
    let k = counts.len() as u64;
    (sum, 2.0 * sum as f64 / (pairs(judges) * pairs(k)) as f64 - 1.0)
}
