//! From tallies to a verdict: numbers, gates, subject. People's trials, rehearsals and the audit go through the same code.
//!
//! * `gates`: what stands before every verdict
//! * `looks`: tests that may end before their last trial
//! * `right`: tests with a right answer
//! * `taste`: preference, the listener as the unit
//! * `rated`: ratings

mod gates;
mod looks;
mod rated;
mod right;
mod taste;

use crate::model::audio::Sha256Hex;
use crate::model::ids::TakeId;
use crate::model::result::{CountDoc, CriticalDoc, PreferenceDoc, RanksDoc};
use crate::model::trial::{Design, FamilyPlace, Method, Plan, TrialCount};
use crate::model::verdict::{Scope, Subject, VerdictKind};
use crate::stats::judge::About;
use crate::stats::takes::{Crossed, Heard, Rule, TakesTest};
use crate::trial::Generator;
use crate::verdict::tally::Tally;
pub(crate) use gates::{ControlsFound, Standing};

/// What is weighed.
#[derive(Clone, Copy)]
pub struct Panel<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// Its seal, from which drawn permutations are seeded.
    pub seal: &'a Sha256Hex,
    /// Those who took part.
    pub tallies: &'a [&'a Tally],
    /// Open-ended: the outcomes of all listeners in the order in which they were given.
    pub outcomes: Option<&'a [bool]>,
    /// The data cannot carry a verdict.
    pub data_void: bool,
    /// Listeners could know takes by their setup's name, or a setup was treated as a whole.
    pub known_by_name: bool,
}

/// One listener's p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Own {
    /// Alone.
    pub p: f64,
    /// After Holm over the listeners.
    pub p_holm: f64,
    /// Where some heard it and some did not: the share of splits whose largest z is at least this listener's.
    pub p_takes: Option<f64>,
}

/// What came out.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// The count's numbers; power and d' are left to whoever prints them.
    pub count: CountDoc,
    /// Planned trials of those who took part that were not answered.
    pub unanswered: u64,
    /// The p of the answered trials alone.
    pub p_value_answered: Option<f64>,
    /// The wrong way round.
    pub p_reversed: Option<f64>,
    /// Each listener one opinion.
    pub p_listeners: Option<f64>,
    /// Preference, by picks.
    pub p_by_picks: Option<f64>,
    /// Of whom a preference is said.
    pub scope: Option<Scope>,
    /// The takes test.
    pub takes: Option<TakesTest>,
    /// Fewest right for what was scored.
    pub critical_by_scored: Option<Vec<CriticalDoc>>,
    /// Listeners.
    pub listeners: Vec<Own>,
    /// p of equal listeners.
    pub p_unequal: Option<f64>,
    /// Pairs of a preference test.
    pub pairs: Option<Vec<PreferenceDoc>>,
    /// Ratings by ranks.
    pub ranks: Option<RanksDoc>,
    /// Controls.
    pub(crate) controls: ControlsFound,
    /// Repeat takes were told apart, but fresh takes stood behind every scored trial.
    pub floor_caution: bool,
    /// Some hidden sample was its reference's own file.
    pub own_file: bool,
    /// The verdict.
    pub kind: VerdictKind,
    /// What a positive one is about.
    pub subject: Option<Subject>,
}

impl Panel<'_> {
    /// Level of the test.
    pub(crate) fn level(&self) -> f64 {
        place(self.plan).level
    }

    /// Probability of guessing right.
    pub(crate) fn chance(&self) -> f64 {
        self.plan.method.chance().map_or(0.5, |(a, b)| f64::from(a) / f64::from(b))
    }

    /// No end was set.
    pub(crate) fn open_ended(&self) -> bool {
        self.plan.trials == TrialCount::OpenEnded
    }

    /// Outcomes in their order; of simulated evenings one listener after the other.
    pub(crate) fn outcomes(&self) -> Vec<bool> {
        match self.outcomes {
            Some(given) => given.to_vec(),
            None => self.tallies.iter().flat_map(|t| t.scored.iter().map(|s| s.0)).collect(),
        }
    }

    /// A generator for permutations of one purpose.
    pub(crate) fn random(&self, purpose: &str) -> Generator {
        Generator::of_the_seal(self.seal, purpose)
    }

    /// The crossed design's question to the takes, and what every listener answered; `None` in the paired design.
    pub(crate) fn crossed(&self) -> Option<(Crossed, Vec<Vec<Heard>>)> {
        let rule = Rule::of(self.plan.method).filter(|_| self.plan.design == Design::Crossed)?;
        let (unit_of, first) = units(self.plan);
        let pairs = rule.samples() == 2;
        let heard = |tally: &&Tally| {
            let of = |place: u16| unit_of.get(usize::from(place)).copied().unwrap_or(0);
            let each = tally.crossed.iter().map(|c| {
                let [a, b, x] = c.clips;
                Heard { units: [of(a), of(b), if pairs { 0 } else { of(x) }], pick: c.pick }
            });
            each.collect()
        };
        Some((Crossed { rule, first }, self.tallies.iter().map(heard).collect()))
    }

    /// What a positive verdict is about.
    pub(crate) fn about(&self, kind: VerdictKind, p: f64, p_takes: Option<f64>) -> Option<Subject> {
        // The claim itself has to be one about all who listened: where each was tested alone, p stays above the level.
        let p_takes = p_takes.filter(|_| p <= self.level() || kind == VerdictKind::HeardSome);
        About { design: self.plan.design, level: self.level(), p_takes, known_by_name: self.known_by_name }.subject(kind)
    }
}

/// The unit of every clip of a plan, and of every unit whether it is of the first group: what is split is the rewiring, not the take.
fn units(plan: &Plan) -> (Vec<u16>, Vec<bool>) {
    let first_setup = plan.expect.as_ref().filter(|_| plan.method == Method::Attribute).or(plan.setups.first());
    let (mut ids, mut first): (Vec<&TakeId>, Vec<bool>) = (Vec::new(), Vec::new());
    let of_clip = plan.clips.iter().map(|clip| {
        let id = plan.units.get(&clip.take).unwrap_or(&clip.take);
        let place = ids.iter().position(|known| *known == id).unwrap_or_else(|| {
            ids.push(id);
            first.push(Some(&clip.setup) == first_setup);
            ids.len() - 1
        });
        u16::try_from(place).unwrap_or(u16::MAX)
    });
    let of_clip = of_clip.collect();
    (of_clip, first)
}

/// A test's place in the family; a plan that was sealed before there were families is one of one.
#[must_use]
pub fn place(plan: &Plan) -> FamilyPlace {
    plan.family.unwrap_or(FamilyPlace { planned: 1, number: Some(1), level: plan.alpha.value() })
}

/// Weighs what a panel answered.
#[must_use]
pub fn weigh(panel: &Panel<'_>) -> Weighed {
    match panel.plan.method {
        Method::Preference => taste::weigh(panel),
        Method::Graded => rated::weigh(panel),
        Method::Abx | Method::DuoTrio | Method::Triangle | Method::Attribute => right::weigh(panel),
    }
}
