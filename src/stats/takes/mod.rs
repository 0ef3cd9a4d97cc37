//! Was it the setups, or the takes? The takes test of the crossed design.
//!
//! A trial's samples are drawn from all takes of both setups without looking at the setup. If the setups do nothing, takes are takes: every
//! way to split them into groups of the true sizes was as likely to be the true one. So all answered trials are scored once for every split,
//! and p is the share of splits under which the answers look at least as right as under the true one:
//!
//! * m = trials that are scored under the split, R = right ones among them (preference: picks of the first group)
//! * z = (R - g m) / sqrt(m g (1 - g)); preference |2 R - m| / sqrt m; 0 where m = 0
//! * p = #{splits with z >= z of the true one - 1e-9} / #splits
//!
//! Exact whatever the listeners do, given everything but the labels. What is split is the *unit*: all takes of one rewiring go together.
//! Sources: permutation under exchangeable labels, Fisher 1935, Pitman 1937, Edgington and Onghena (from memory); the label-free draw is ours.

mod forms;
pub mod splits;

use crate::model::random::RandomWords;
use crate::model::trial::Method;
use forms::{Forms, Signs};
use splits::{Named, Splits};

/// So near counts as equal: z of two splits that say the same differ by rounding only.
const SLACK: f64 = 1e-9;

/// How a trial is scored once every sample has a side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Rule {
    /// Samples a, b and a third that is matched to one of them (ABX: X; duo-trio: the reference). Scored where a and b differ.
    Match,
    /// Three samples, one of them odd. Scored where they are not all alike.
    Odd,
    /// Two samples, the preferred one. Scored where they differ; two-sided.
    Prefer,
    /// Two samples, the one that has more of something. Scored where they differ; the first group is expected to have more.
    More,
}

impl Rule {
    /// The rule of a method; `None` for ratings, whose draw looks at the setups.
    #[must_use]
    pub fn of(method: Method) -> Option<Self> {
        match method {
            Method::Abx | Method::DuoTrio => Some(Self::Match),
            Method::Triangle => Some(Self::Odd),
            Method::Preference => Some(Self::Prefer),
            Method::Attribute => Some(Self::More),
            Method::Graded => None,
        }
    }

    /// Samples in a trial.
    #[must_use]
    pub fn samples(self) -> usize {
        match self {
            Self::Match | Self::Odd => 3,
            Self::Prefer | Self::More => 2,
        }
    }

    /// Chance of a right guess in a scored trial.
    #[must_use]
    pub fn chance(self) -> f64 {
        if self == Self::Odd { 1.0 / 3.0 } else { 0.5 }
    }

    /// Whether the two groups of a split have names: only where a claim has a direction.
    #[must_use]
    pub fn named(self) -> Named {
        if self == Self::More { Named::Yes } else { Named::No }
    }

    /// How a trial counts: `None` where it is not scored, else whether the pick is right (preference: whether it is of the first group).
    /// `first` says of each sample whether it belongs to the first group; `pick` is the place of the picked sample, from 0.
    #[must_use]
    pub fn score(self, first: [bool; 3], pick: usize) -> Option<bool> {
        let [a, b, x] = first;
        match self {
            Self::Match => (a != b).then(|| first.get(pick) == Some(&x)),
            Self::Odd => {
                let odd = if b == x {
                    0
                } else if a == x {
                    1
                } else {
                    2
                };
                (a != b || b != x).then_some(pick == odd)
            }
            Self::Prefer | Self::More => (a != b).then(|| first.get(pick) == Some(&true)),
        }
    }

    /// z of `right` among `scored`.
    #[must_use]
    pub fn z(self, scored: u64, right: u64) -> f64 {
        if scored == 0 {
            return 0.0;
        }
        let (m, r) = (scored as f64, right as f64);
        match self {
            Self::Match | Self::More => (2.0 * r - m) / m.sqrt(),
            Self::Prefer => (2.0 * r - m).abs() / m.sqrt(),
            // g = 1/3: (R - m/3) / sqrt(2 m / 9).
            Self::Odd => (3.0 * r - m) / (2.0 * m).sqrt(),
        }
    }

    /// Share of trials that are scored with so many takes of each setup: of ordered pairs of distinct takes 2 T1 T2 / (n (n - 1)), of triples
    /// for the odd one 1 - (C(T1,3) + C(T2,3)) / C(n,3).
    #[must_use]
    pub fn scored_share(self, first: u64, second: u64) -> f64 {
        let (a, b) = (first as f64, second as f64);
        let n = a + b;
        if n < 2.0 {
            return 0.0;
        }
        let triples = |t: f64| t * (t - 1.0) * (t - 2.0);
        match self {
            Self::Odd if n < 3.0 => 0.0,
            Self::Odd => 1.0 - (triples(a) + triples(b)) / triples(n),
            Self::Match | Self::Prefer | Self::More => 2.0 * a * b / (n * (n - 1.0)),
        }
    }

    /// The smallest p that the takes test can reach with so many units of each setup.
    #[must_use]
    pub fn least_p(self, first: u64, second: u64) -> f64 {
        if first == 0 || second == 0 {
            return 1.0;
        }
        let all = splits::count(first, second, self.named());
        // Where splits are drawn, the true one is added to those drawn.
        if all > splits::EXACT as f64 { 1.0 / (1.0 + splits::DRAWN as f64) } else { 1.0 / all }
    }

    /// The fewest units of each setup with which a test at this level can speak of the setups; `None` where no number reaches it.
    #[must_use]
    pub fn takes_needed(self, level: f64) -> Option<u64> {
        // From a dozen on splits are drawn, and the least p falls no further.
        (1..=12).find(|t| self.least_p(*t, *t) <= level)
    }
}

/// An answered trial, its samples as units (from 0): the unit of each sample and the place of the picked one. Pairs use two places; `Match`
/// has the sample that is matched last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Heard {
    /// The unit of each sample.
    pub units: [u16; 3],
    /// The picked sample's place.
    pub pick: u8,
}

/// What is tested: the rule, and of each unit whether it belongs to the first group (preference: the setup whose picks are counted;
/// attribute: the one expected to have more).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Crossed {
    /// How a trial is scored.
    pub rule: Rule,
    /// Of each unit: is it of the first group?
    pub first: Vec<bool>,
}

/// The takes test's result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TakesTest {
    /// Trials that are scored under the true split.
    pub scored: u64,
    /// Right ones (preference: picks of the first group).
    pub right: u64,
    /// z of the true split.
    pub z: f64,
    /// Splits that were looked at; where they were drawn, the true one is among them.
    pub splits: u64,
    /// Splits whose z is not below the true one's.
    pub at_least_as_far: u64,
    /// p: the share of those splits.
    pub p: f64,
    /// True where every split was looked at.
    pub every_split: bool,
}

impl Crossed {
    fn sizes(&self) -> (usize, usize) {
        let first = self.first.iter().filter(|f| **f).count();
        (first, self.first.len() - first)
    }

    fn splits(&self) -> Splits {
        let (first, second) = self.sizes();
        Splits::new(first, second, self.rule.named())
    }

    /// The pooled takes test. `random` is asked only where there are more than [`splits::EXACT`] splits; seed it from the seal.
    #[must_use]
    pub fn test(&self, heard: &[Heard], random: &mut dyn RandomWords) -> TakesTest {
        let forms = Forms::of(self.rule, self.first.len(), heard);
        let (scored, right) = forms.count(&Signs::of(&self.first));
        let z = self.rule.z(scored, right);
        let mut far = 0;
        let looked = self.splits().each(random, |signs| {
            let (m, r) = forms.count(signs);
            far += u64::from(self.rule.z(m, r) >= z - SLACK);
        });
        TakesTest {
            scored,
            right,
            z,
            splits: looked.splits,
            at_least_as_far: far + looked.added(),
            p: (far + looked.added()) as f64 / looked.splits as f64,
            every_split: looked.every,
        }
    }

    /// z of each split that [`Crossed::test`] looks at with the same `random`, and whether these are all; where they are drawn, the true one
    /// is counted as one more there.
    #[must_use]
    pub fn each_z(&self, heard: &[Heard], random: &mut dyn RandomWords) -> (Vec<f64>, bool) {
        let forms = Forms::of(self.rule, self.first.len(), heard);
        let mut out = Vec::new();
        let looked = self.splits().each(random, |signs| {
            let (m, r) = forms.count(signs);
            out.push(self.rule.z(m, r));
        });
        (out, looked.every)
    }

    /// For `heard-some`: of each listener the share of splits under which the *largest* z over all listeners is at least that listener's true
    /// z. Only where it is at most the level may the sentence say of the listener that it was the setups.
    #[must_use]
    pub fn largest(&self, listeners: &[Vec<Heard>], random: &mut dyn RandomWords) -> Vec<f64> {
        let forms: Vec<Forms> = listeners.iter().map(|heard| Forms::of(self.rule, self.first.len(), heard)).collect();
        let z_of = |form: &Forms, signs: &Signs| {
            let (m, r) = form.count(signs);
            self.rule.z(m, r)
        };
        let truth = Signs::of(&self.first);
        let own: Vec<f64> = forms.iter().map(|f| z_of(f, &truth)).collect();
        let mut far = vec![0u64; own.len()];
        let looked = self.splits().each(random, |signs| {
            let most = forms.iter().map(|f| z_of(f, signs)).fold(f64::NEG_INFINITY, f64::max);
            far.iter_mut().zip(&own).for_each(|(n, z)| *n += u64::from(most >= z - SLACK));
        });
        far.into_iter().map(|n| (n + looked.added()) as f64 / looked.splits as f64).collect()
    }
}
