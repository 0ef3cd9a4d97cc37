//! How many tests there were. The first seal says how many a session's claim rests on; each has level alpha/M, frozen, and the tests beyond
//! are exploratory (Bonferroni).

/// What the first seal fixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Family {
    /// Tests that the claim rests on, M.
    pub planned: u32,
    /// Level of the whole.
    pub alpha: f64,
}

/// A test's place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// 1 to M; `None` for an exploratory test.
    pub number: Option<u32>,
    /// alpha/M.
    pub level: f64,
}

impl Place {
    /// A test beyond the planned ones: never a finding.
    #[must_use]
    pub fn exploratory(self) -> bool {
        self.number.is_none()
    }

    /// A p that this test may call found.
    #[must_use]
    pub fn found(self, p: f64) -> bool {
        !self.exploratory() && p <= self.level
    }
}

impl Family {
    /// Level of each test.
    #[must_use]
    pub fn level(self) -> f64 {
        self.alpha / f64::from(self.planned.max(1))
    }

    /// The place of the next test. `taken` are the numbers of the tests sealed before that were not given up; tests with `--simulated` and
    /// practice have none. A number that was given up is free again.
    #[must_use]
    pub fn next(self, taken: &[u32]) -> Place {
        Place { number: (1..=self.planned.max(1)).find(|n| !taken.contains(n)), level: self.level() }
    }

    /// `p_family`: min(1, M p).
    #[must_use]
    pub fn p_family(self, p: f64) -> f64 {
        (f64::from(self.planned.max(1)) * p).min(1.0)
    }
}

/// Only a sealed test that nobody answered can be given up.
#[must_use]
pub fn may_be_given_up(answers: u64) -> bool {
    answers == 0
}
