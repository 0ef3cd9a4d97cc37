//! Answers that are missing count against every claim: a planned trial that was not answered is the answer that hurts the claim at hand.
//!
//! S = right, U = unanswered, N = S + wrong + U, over all who answered one trial or more. "Heard" is judged from S of N, "the wrong way
//! round" and every upper limit from S + U of N. Source: worst-case imputation, common in trials with missing outcomes (from memory).

use super::binomial::{lower_tail, upper_tail};
use super::dprime::{Model, estimate};
use super::intervals::{
    clopper_pearson, clopper_pearson_lower, clopper_pearson_upper, distinguishers, distinguishers_raw, similarity_p,
};
use super::verdict::Share;

/// Counts of the listeners who took part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Answers {
    /// Right ones.
    pub right: u64,
    /// Wrong ones.
    pub wrong: u64,
    /// Planned and not answered; in the crossed design all of them, whatever they would have been.
    pub unanswered: u64,
}

impl Answers {
    /// N: answered and unanswered.
    #[must_use]
    pub fn trials(self) -> u64 {
        self.right + self.wrong + self.unanswered
    }

    /// Answered ones.
    #[must_use]
    pub fn answered(self) -> u64 {
        self.right + self.wrong
    }

    /// S + U: the most that could have been right.
    #[must_use]
    pub fn most(self) -> u64 {
        self.right + self.unanswered
    }
}

/// What the counts say, each number from the end that hurts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worst {
    /// N.
    pub trials: u64,
    /// P(X >= S | N).
    pub p_value: f64,
    /// P(X <= S + U | N): the wrong way round.
    pub p_reversed: f64,
    /// P(X >= S | answered): valid only if nobody could know the score.
    pub p_value_answered: f64,
    /// Clopper-Pearson, two-sided 95 % of P(right): lower end from S of N, upper end from S + U of N.
    pub interval95: [f64; 2],
    /// One-sided lower 95 % limit of P(right), from S of N.
    pub lower95: f64,
    /// One-sided upper 95 % limit of P(right), from S + U of N.
    pub upper95: f64,
    /// Share of distinguishers: estimate from the answered ones, its ends from the end that hurts.
    pub distinguishers: Share,
    /// P(X <= S + U) if a share `bound` were truly heard.
    pub similarity: f64,
}

/// All numbers of the counts at chance `g` (0 < g < 1) with the smallest share worth finding `bound`.
#[must_use]
pub fn worst(a: Answers, g: f64, bound: f64) -> Worst {
    let (n, least, most) = (a.trials(), a.right, a.most());
    let interval95 = [clopper_pearson(least, n, 0.05)[0], clopper_pearson(most, n, 0.05)[1]];
    let (lower95, upper95) = (clopper_pearson_lower(least, n, 0.05), clopper_pearson_upper(most, n, 0.05));
    let p = if a.answered() == 0 { g } else { a.right as f64 / a.answered() as f64 };
    Worst {
        trials: n,
        p_value: upper_tail(least, n, g),
        p_reversed: lower_tail(most, n, g),
        p_value_answered: upper_tail(a.right, a.answered(), g),
        interval95,
        lower95,
        upper95,
        distinguishers: Share {
            estimate: distinguishers(p, g),
            raw: distinguishers_raw(p, g),
            low: distinguishers(interval95[0], g),
            high: distinguishers(interval95[1], g),
            upper95: distinguishers(upper95, g),
        },
        similarity: similarity_p(most, n, g, bound),
    }
}

/// d' and its likelihood interval: the estimate from the answered ones, the lower end from S of N, the upper end from S + U of N. All are
/// restricted to chance and above; ends may be infinite.
#[must_use]
pub fn d_prime(model: Model, a: Answers) -> (f64, [f64; 2]) {
    let n = a.trials();
    let point = estimate(model, a.right, a.answered(), 0.05).0;
    (point, [estimate(model, a.right, n, 0.05).1[0], estimate(model, a.most(), n, 0.05).1[1]])
}
