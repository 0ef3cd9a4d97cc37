//! All answers of a test as two quadratic forms in the sides of the units.
//!
//! With s = +1 for the first group and -1 for the second, "these two differ" is (1 - s_i s_j)/2 and "this one is of the first group"
//! (1 + s_i)/2. Every rule's two counts, scored and right, are sums of such products of two: so a split costs n^2/2 additions, however many
//! trials were answered, and in whole numbers. Four times a count is whole.

use super::{Heard, Rule};

/// The side of every unit: +1 or -1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Signs(pub(super) Vec<i64>);

impl Signs {
    pub(super) fn of(first: &[bool]) -> Self {
        Self(first.iter().map(|f| if *f { 1 } else { -1 }).collect())
    }
}

/// constant + sum linear_i s_i + sum over i < j of pairs_ij s_i s_j: four times a count.
#[derive(Debug, Clone)]
struct Form {
    units: usize,
    constant: i64,
    linear: Vec<i64>,
    /// Row i holds j = 0..i.
    pairs: Vec<i64>,
}

impl Form {
    fn new(units: usize) -> Self {
        Self { units, constant: 0, linear: vec![0; units], pairs: vec![0; units * units.saturating_sub(1) / 2] }
    }

    fn pair(&mut self, i: u16, j: u16, by: i64) {
        let (low, high) = (usize::from(i.min(j)), usize::from(i.max(j)));
        if low == high {
            // A unit is on its own side.
            self.constant += by;
        } else if let Some(slot) = self.pairs.get_mut(high * (high - 1) / 2 + low) {
            *slot += by;
        }
    }

    fn line(&mut self, i: u16, by: i64) {
        if let Some(slot) = self.linear.get_mut(usize::from(i)) {
            *slot += by;
        }
    }

    fn at(&self, signs: &Signs) -> u64 {
        let s = &signs.0;
        let (mut sum, mut row) = (self.constant, 0);
        for i in 0..self.units {
            let products: i64 = self.pairs[row..row + i].iter().zip(s).map(|(q, side)| q * side).sum();
            sum += s[i] * (self.linear[i] + products);
            row += i;
        }
        (sum / 4).unsigned_abs()
    }
}

/// Scored and right of all answers of a test, or of a listener.
#[derive(Debug, Clone)]
pub(super) struct Forms {
    scored: Form,
    right: Form,
}

impl Forms {
    pub(super) fn of(rule: Rule, units: usize, heard: &[Heard]) -> Self {
        let mut out = Self { scored: Form::new(units), right: Form::new(units) };
        for answer in heard {
            match rule {
                Rule::Match => out.matched(answer),
                Rule::Odd => out.odd(answer),
                Rule::Prefer | Rule::More => out.picked(answer),
            }
        }
        out
    }

    /// Scored: 4 (1 - ab)/2. Right, where p was picked and q not: 4 (1 - pq)/2 (1 + px)/2 = 1 - pq + px - qx.
    fn matched(&mut self, answer: &Heard) {
        let [a, b, x] = answer.units;
        self.differ(a, b);
        let (p, q) = if answer.pick == 0 { (a, b) } else { (b, a) };
        self.right.constant += 1;
        self.right.pair(p, q, -1);
        self.right.pair(p, x, 1);
        self.right.pair(q, x, -1);
    }

    /// Scored: not all alike, 3 - ab - ax - bx. Right, where p was picked and q, r not: 4 (1 - pq)/2 (1 + qr)/2 = 1 - pq - pr + qr.
    fn odd(&mut self, answer: &Heard) {
        let [a, b, x] = answer.units;
        self.scored.constant += 3;
        for (i, j) in [(a, b), (a, x), (b, x)] {
            self.scored.pair(i, j, -1);
        }
        let (p, q, r) = match answer.pick {
            0 => (a, b, x),
            1 => (b, a, x),
            _ => (x, a, b),
        };
        self.right.constant += 1;
        self.right.pair(p, q, -1);
        self.right.pair(p, r, -1);
        self.right.pair(q, r, 1);
    }

    /// Scored: 4 (1 - ab)/2. Of the first group, where p was picked and q not: 4 (1 + p)/2 (1 - q)/2 = 1 + p - q - pq.
    fn picked(&mut self, answer: &Heard) {
        let [a, b, _] = answer.units;
        self.differ(a, b);
        let (p, q) = if answer.pick == 0 { (a, b) } else { (b, a) };
        self.right.constant += 1;
        self.right.line(p, 1);
        self.right.line(q, -1);
        self.right.pair(p, q, -1);
    }

    fn differ(&mut self, a: u16, b: u16) {
        self.scored.constant += 2;
        self.scored.pair(a, b, -2);
    }

    /// Scored and right under these sides.
    pub(super) fn count(&self, signs: &Signs) -> (u64, u64) {
        (self.scored.at(signs), self.right.at(signs))
    }
}
