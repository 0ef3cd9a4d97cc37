//! The exact binomial distribution and the tests made of it.
//!
//! Probabilities come from the saddle-point form (C. Loader, "Fast and accurate computation of binomial probabilities", 2000; from memory),
//! which keeps full relative accuracy where differences of log-gammas lose it (n = 10^6: 3e-9); tails are sums of terms, smallest first.

/// ln n! minus Stirling's formula: `stirlerr` of Loader. Exact factorials up to 15, the asymptotic series above.
fn stirling_error(n: f64) -> f64 {
    const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_8;
    if n < 16.0 {
        let factorial: f64 = (1..=n as u32).map(f64::from).product();
        return factorial.ln() - ((n + 0.5) * n.ln() - n + LN_SQRT_2PI);
    }
    let i = 1.0 / (n * n);
    (1.0 / 12.0 - (1.0 / 360.0 - (1.0 / 1260.0 - (1.0 / 1680.0 - i / 1188.0) * i) * i) * i) / n
}

/// x ln(x/m) + m - x without cancellation when x is near m: `bd0` of Loader.
fn deviance(x: f64, m: f64) -> f64 {
    if (x - m).abs() < 0.1 * (x + m) {
        let v = (x - m) / (x + m);
        let mut sum = (x - m) * v;
        let mut term = 2.0 * x * v;
        for j in 1..1000 {
            term *= v * v;
            let next = sum + term / f64::from(2 * j + 1);
            if (next - sum).abs() <= f64::EPSILON * next.abs() {
                return next;
            }
            sum = next;
        }
        return sum;
    }
    x * (x / m).ln() + m - x
}

/// P(X = k) for X ~ Bin(n, p).
#[must_use]
pub fn pmf(k: u64, n: u64, p: f64) -> f64 {
    if k > n {
        return 0.0;
    }
    let (kf, nf, q) = (k as f64, n as f64, 1.0 - p);
    if p <= 0.0 {
        return if k == 0 { 1.0 } else { 0.0 };
    }
    if q <= 0.0 {
        return if k == n { 1.0 } else { 0.0 };
    }
    if k == 0 {
        return (nf * (-p).ln_1p()).exp();
    }
    if k == n {
        return (nf * p.ln()).exp();
    }
    let exponent =
        stirling_error(nf) - stirling_error(kf) - stirling_error(nf - kf) - deviance(kf, nf * p) - deviance(nf - kf, nf * q);
    exponent.exp() * (nf / (2.0 * std::f64::consts::PI * kf * (nf - kf))).sqrt()
}

/// Sum of terms that fall off from `first`, by the given ratio of each to the one before, smallest added first.
fn falling_sum(first: f64, mut ratio: impl FnMut(u64) -> f64, count: u64) -> f64 {
    let mut terms = vec![first];
    let mut term = first;
    for i in 1..count {
        term *= ratio(i);
        if term <= first * 1e-19 {
            break;
        }
        terms.push(term);
    }
    terms.iter().rev().sum()
}

/// P(X >= s), X ~ Bin(n, p).
#[must_use]
pub fn upper_tail(s: u64, n: u64, p: f64) -> f64 {
    if s == 0 {
        return 1.0;
    }
    if s > n {
        return 0.0;
    }
    if (s as f64) > n as f64 * p {
        let odds = p / (1.0 - p);
        falling_sum(pmf(s, n, p), |i| (n - s - i + 1) as f64 / (s + i) as f64 * odds, n - s + 1).min(1.0)
    } else {
        1.0 - lower_tail(s - 1, n, p)
    }
}

/// P(X <= s), X ~ Bin(n, p).
#[must_use]
pub fn lower_tail(s: u64, n: u64, p: f64) -> f64 {
    if s >= n {
        return 1.0;
    }
    if (s as f64) < n as f64 * p {
        let odds = (1.0 - p) / p;
        falling_sum(pmf(s, n, p), |i| (s - i + 1) as f64 / (n - s + i) as f64 * odds, s + 1).min(1.0)
    } else {
        1.0 - upper_tail(s + 1, n, p)
    }
}

/// Two-sided p ("minlike"): the sum of P(k) over all k that are no likelier than `s`. For p = 1/2 that is twice the smaller tail.
#[must_use]
pub fn two_sided(s: u64, n: u64, p: f64) -> f64 {
    if n == 0 {
        return 1.0;
    }
    let at = pmf(s, n, p);
    // Equal probabilities must count as equal in floating point.
    let limit = at * (1.0 + 1e-7);
    let mode = (((n + 1) as f64) * p).floor().min(n as f64) as u64;
    if pmf(mode, n, p) <= limit {
        return 1.0;
    }
    // The far side's probabilities are monotone: find by bisection where they fall to the limit.
    let far_is_upper = s < mode;
    let fits = |k: u64| pmf(k, n, p) <= limit;
    let near = if far_is_upper { lower_tail(s, n, p) } else { upper_tail(s, n, p) };
    let far = if far_is_upper {
        let (mut low, mut high) = (mode, n + 1);
        while high - low > 1 {
            let middle = low.midpoint(high);
            if fits(middle) { high = middle } else { low = middle }
        }
        upper_tail(high, n, p)
    } else {
        // Invariant: `low` counts the terms from 0 that fit.
        let (mut low, mut high) = (0, mode);
        while low < high {
            let middle = low.midpoint(high);
            if fits(middle) { low = middle + 1 } else { high = middle }
        }
        if low == 0 { 0.0 } else { lower_tail(low - 1, n, p) }
    };
    (near + far).min(1.0)
}

/// Mid-p of the one-sided test: P(X > s) + P(X = s)/2. Liberal: shown, never used to decide.
#[must_use]
pub fn mid_p(s: u64, n: u64, p: f64) -> f64 {
    upper_tail(s, n, p) - 0.5 * pmf(s, n, p)
}

/// Mid-p of the two-sided test: half the probability of what is exactly as likely as `s`.
#[must_use]
pub fn mid_p_two_sided(s: u64, n: u64, p: f64) -> f64 {
    let at = pmf(s, n, p);
    let twins = if (p - 0.5).abs() < 1e-12 && s * 2 != n { 2.0 } else { 1.0 };
    two_sided(s, n, p) - 0.5 * twins * at
}

/// The smallest c with P(X >= c) <= alpha; `None` when not even n of n reaches it.
#[must_use]
pub fn critical(n: u64, p: f64, alpha: f64) -> Option<u64> {
    if upper_tail(n, n, p) > alpha {
        return None;
    }
    let (mut low, mut high) = (0, n);
    // Invariant: P(X >= high) <= alpha, P(X >= low) > alpha or low = 0.
    while high - low > 1 {
        let middle = low.midpoint(high);
        if upper_tail(middle, n, p) <= alpha { high = middle } else { low = middle }
    }
    Some(if low == 0 && upper_tail(0, n, p) <= alpha { 0 } else { high })
}

/// The smallest number of agreeing choices (of either kind) that a two-sided test at p = 1/2 calls significant.
#[must_use]
pub fn critical_two_sided(n: u64, alpha: f64) -> Option<u64> {
    critical(n, 0.5, alpha / 2.0).filter(|c| 2 * *c > n)
}
