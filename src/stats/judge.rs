//! The verdict's kind and subject out of plain numbers: the gates in their order.

use crate::model::trial::Design;
use crate::model::verdict::{Subject, VerdictKind};

/// What stands before every verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Gates {
    /// A hash, a stop fault, the chain, the seal or a commitment makes the data unfit.
    pub data_void: bool,
    /// Same-file controls were right above chance at 0.01.
    pub player_cue: bool,
    /// Paired design: repeat takes were told apart as well as the setups, and some hidden sample was its reference's own file.
    pub repeat_floor: bool,
}

impl Gates {
    /// The first gate that is closed.
    #[must_use]
    pub fn closed(self) -> Option<VerdictKind> {
        [
            (self.data_void, VerdictKind::DataVoid),
            (self.player_cue, VerdictKind::PlayerCue),
            (self.repeat_floor, VerdictKind::RepeatFloor),
        ]
        .into_iter()
        .find_map(|(closed, kind)| closed.then_some(kind))
    }
}

/// A test with a right answer: abx, duo-trio, triangle, attribute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RightOrWrong {
    /// What stands before.
    pub gates: Gates,
    /// The test's level: alpha/M.
    pub level: f64,
    /// Smallest share worth finding.
    pub bound: f64,
    /// The p that decides: exact from S of N, or the anytime p.
    pub p_value: f64,
    /// P of the wrong way round, from S + U of N (open-ended: mirrored anytime p).
    pub p_reversed: f64,
    /// N; with none there is no verdict but too few.
    pub trials: u64,
    /// Upper 95 % limit of distinguishers, from S + U of N.
    pub upper95: f64,
    /// [`super::listeners::heard_some`] holds.
    pub heard_some: bool,
    /// [`super::listeners::small_for_all`] holds.
    pub small_for_all: bool,
    /// Two listeners or more, some p after Holm at most the level.
    pub some_listener: bool,
    /// Known-difference controls: `None` where none were planned, else whether they were told apart.
    pub known_passed: Option<bool>,
}

impl RightOrWrong {
    /// The verdict.
    #[must_use]
    pub fn verdict(&self) -> VerdictKind {
        if let Some(kind) = self.gates.closed() {
            return kind;
        }
        if self.trials == 0 {
            return VerdictKind::TooFew;
        }
        if self.p_value <= self.level {
            return if self.heard_some {
                VerdictKind::HeardSome
            } else if self.upper95 < self.bound && self.small_for_all {
                VerdictKind::HeardSmall
            } else {
                VerdictKind::Heard
            };
        }
        if self.p_reversed <= self.level {
            VerdictKind::Reversed
        } else if self.some_listener {
            VerdictKind::MixedPanel
        } else if self.upper95 <= self.bound {
            if self.known_passed == Some(false) { VerdictKind::Insensitive } else { VerdictKind::NotShownBounded }
        } else {
            VerdictKind::TooFew
        }
    }
}

/// A pair of setups that were preferred or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Preferring {
    /// What stands before.
    pub gates: Gates,
    /// [`super::taste::Taste::scope`] is something.
    pub preferred: bool,
    /// [`super::taste::Taste::divided`].
    pub divided: bool,
    /// [`super::taste::Taste::bounded`] holds.
    pub bounded: bool,
}

impl Preferring {
    /// The verdict. Known-difference controls cannot be planned with a preference, so nothing stands before its bound.
    #[must_use]
    pub fn verdict(self) -> VerdictKind {
        self.gates.closed().unwrap_or(if self.preferred {
            VerdictKind::Preferred
        } else if self.divided {
            VerdictKind::Divided
        } else if self.bounded {
            VerdictKind::NoPreferenceBounded
        } else {
            VerdictKind::NoPreferenceShown
        })
    }
}

/// Ratings: apart where p is at most the level.
#[must_use]
pub fn rated(gates: Gates, p: f64, level: f64) -> VerdictKind {
    gates.closed().unwrap_or(if p <= level { VerdictKind::RatedApart } else { VerdictKind::NotRatedApart })
}

/// What a positive verdict is about; `None` for the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct About {
    /// The design.
    pub design: Design,
    /// The test's level.
    pub level: f64,
    /// p of the takes test; `None` where there is none.
    pub p_takes: Option<f64>,
    /// Something let the listeners know takes by their setup's name, or treated a setup as a whole.
    pub known_by_name: bool,
}

impl About {
    /// The setups only in the crossed design, where the takes test is at most the level and nothing gave the setups away; else these
    /// recordings. For `heard-some` hand in the largest of the named listeners' [`super::takes::Crossed::largest`].
    #[must_use]
    pub fn subject(self, kind: VerdictKind) -> Option<Subject> {
        kind.positive().then(|| {
            let shown = self.design == Design::Crossed && !self.known_by_name && self.p_takes.is_some_and(|p| p <= self.level);
            if shown { Subject::Setups } else { Subject::Recordings }
        })
    }
}
