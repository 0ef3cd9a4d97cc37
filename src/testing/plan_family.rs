//! How many tests a session's claim rests on: said with the first seal, never changed.

use super::plan_check::MOST_ALPHA;
use super::request::{Request, wrong};
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::trial::{FamilyPlace, SealedTest};
use crate::stats::family::{Family, Place};
use crate::store::Session;

/// Tests that were given up.
///
/// # Errors
/// The records cannot be read.
pub(super) fn given_up(session: &Session) -> Result<Vec<TestId>, Failure> {
    let mut out = Vec::new();
    for test in session.tests()? {
        if session.given_up(&test.plan.test)?.is_some() {
            out.push(test.plan.test);
        }
    }
    Ok(out)
}

/// What the session's seals say so far.
pub(super) struct Tests {
    /// Those for people, oldest first.
    sealed: Vec<SealedTest>,
    given_up: Vec<TestId>,
}

impl Tests {
    pub(super) fn read(session: &Session) -> Result<Self, Failure> {
        let sealed = session.tests()?.into_iter().filter(|t| t.plan.for_a_panel()).collect();
        Ok(Self { sealed, given_up: given_up(session)? })
    }

    /// What the first seal fixed; of a session that was begun before there were families, its one test.
    fn fixed(&self) -> Option<Family> {
        let first = self.sealed.first()?;
        let planned = first.plan.family.map_or(1, |f| f.planned);
        Some(Family { planned, alpha: first.plan.alpha.value().min(MOST_ALPHA) })
    }

    /// Tests that stand: sealed for people and not given up.
    fn standing(&self) -> impl Iterator<Item = &SealedTest> {
        self.sealed.iter().filter(|t| !self.given_up.contains(&t.plan.test))
    }

    /// The level of all tests together and the place of the one that is asked for.
    pub(super) fn place(&self, request: &Request) -> Result<(f64, FamilyPlace), Failure> {
        let aside = request.simulated || request.audience;
        let fixed = self.fixed().filter(|_| !aside);
        let family = fixed.unwrap_or(Family { planned: request.tests.unwrap_or(1), alpha: request.alpha.unwrap_or(MOST_ALPHA) });
        if let Some(tests) = request.tests.filter(|t| *t != family.planned) {
            let message = format!("--tests {tests}, but the first seal said {}", family.planned);
            return Err(wrong(message, "leave --tests out, or begin a new session"));
        }
        if let Some(alpha) = request.alpha.filter(|a| (a - family.alpha).abs() > 1e-12) {
            let message = format!("--alpha {alpha}, but the first seal said {}", family.alpha);
            return Err(wrong(message, "leave --alpha out, or begin a new session"));
        }
        let taken: Vec<u32> = self.standing().filter_map(|t| t.plan.family.map_or(Some(1), |f| f.number)).collect();
        let place = if aside { Place { number: None, level: family.level() } } else { family.next(&taken) };
        Ok((family.alpha, FamilyPlace { planned: family.planned, number: place.number, level: place.level }))
    }

    /// How many tests stand already: another one is a further test.
    pub(super) fn before(&self) -> usize {
        self.standing().count()
    }
}
