//! Simulated ears: what they hear of the samples that a person's ear would be given, and what they answer.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, TakeId};
use crate::model::random::RandomWords;
use crate::model::trial::{Method, Plan, SlotRecord};
use crate::stats::beta_binomial::share_at;
use crate::stats::dprime::Model;
use crate::stats::special::quantile;
use crate::trial::methods;
use crate::verdict::tally::setup_of;
use serde::Serialize;
use std::collections::BTreeMap;

/// What simulated listeners are like. All shares lie in 0..=1.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ears {
    /// The share of trials that are truly heard, on average.
    pub hears: f64,
    /// How unequal the listeners are: each one's share is drawn from a beta distribution with this correlation; 0: all alike, 1: some hear
    /// all and the others nothing.
    pub unequal: f64,
    /// The share of answers that are a slip: a guess although it was heard.
    pub slips: f64,
    /// The share of guesses that fall on the first choice; `None`: even.
    pub leans: Option<f64>,
    /// `preference`: the share of listeners whose favourite each setup is, in the plan's order; what is left has none. Empty: everybody's
    /// favourite is the setup that the plan names first.
    pub tastes: Vec<f64>,
    /// Takes differ: every rewiring lies so many standard deviations of one hearing from its setup's place, and listeners go by what lies
    /// nearest. `None`: they go by the setups.
    pub takes_vary: Option<f64>,
    /// The share of listeners who leave before their end, after a number of trials that is drawn evenly.
    pub leave: f64,
    /// The share of known-difference trials that are truly heard.
    pub hears_known: f64,
}

/// Known differences are heard in so many trials unless said otherwise.
pub(super) const HEARS_KNOWN: f64 = 0.9;

/// The farthest apart that two setups are set: nobody errs there.
const FARTHEST: f64 = 8.0;

impl Ears {
    /// Listeners who are all alike, without slips or a lean.
    #[must_use]
    pub fn plain(hears: f64) -> Self {
        Self {
            hears,
            unequal: 0.0,
            slips: 0.0,
            leans: None,
            tastes: Vec::new(),
            takes_vary: None,
            leave: 0.0,
            hears_known: HEARS_KNOWN,
        }
    }

    /// Checks the numbers, and with a plan whether they fit it.
    pub(super) fn check(&self, plan: Option<&Plan>) -> Result<(), Failure> {
        let wrong = |message: String, next: &str| Err(Failure::plain("wrong-use", Fate::WrongUse, message, next));
        let mut each = vec![
            ("hears", self.hears),
            ("unequal", self.unequal),
            ("slips", self.slips),
            ("leans", self.leans.unwrap_or(0.5)),
            ("leave", self.leave),
            ("hears-known", self.hears_known),
        ];
        each.extend(self.tastes.iter().map(|t| ("tastes", *t)));
        if let Some((name, share)) = each.into_iter().find(|(_, share)| !(0.0..=1.0).contains(share)) {
            return wrong(format!("--{name} {share}; a share of 0 to 1 is needed"), "as in --hears 0.5 --slips 0.02");
        }
        if let Some(vary) = self.takes_vary.filter(|v| !(0.0..=100.0).contains(v)) {
            return wrong(
                format!("--takes-vary {vary}; 0 to 100 is needed"),
                "as in --takes-vary 1: as much as one hearing varies",
            );
        }
        if self.tastes.iter().sum::<f64>() > 1.0 + 1e-9 {
            return wrong("the shares of --tastes come to more than 1".to_owned(), "as in --tastes 0.5,0.5");
        }
        let Some(plan) = plan else { return Ok(()) };
        if !self.tastes.is_empty() && (plan.method != Method::Preference || self.tastes.len() > plan.setups.len()) {
            let message = format!("{} shares of tastes for {} of {} setups", self.tastes.len(), plan.method, plan.setups.len());
            return wrong(message, "--tastes is for preference, one share for each setup in the plan's order");
        }
        if self.takes_vary.is_some() && (plan.method == Method::Graded || plan.setups.len() != 2) {
            return wrong("--takes-vary is for two setups and methods without ratings".to_owned(), "leave it out");
        }
        Ok(())
    }
}

/// Where an evening's rewirings lie, where takes differ.
pub(super) struct World(Option<BTreeMap<TakeId, f64>>);

fn normal(random: &mut dyn RandomWords) -> f64 {
    quantile(random.unit().clamp(1e-15, 1.0 - 1e-15))
}

impl World {
    pub(super) fn of(plan: &Plan, ears: &Ears, random: &mut dyn RandomWords) -> Self {
        Self(ears.takes_vary.map(|vary| {
            let mut places: BTreeMap<TakeId, f64> = BTreeMap::new();
            for clip in &plan.clips {
                let unit = plan.units.get(&clip.take).unwrap_or(&clip.take);
                if !places.contains_key(unit) {
                    places.insert(unit.clone(), vary * normal(random));
                }
            }
            places
        }))
    }

    fn place(&self, plan: &Plan, clip: &ClipId) -> Option<f64> {
        let take = &plan.clips.iter().find(|c| &c.clip == clip)?.take;
        self.0.as_ref()?.get(plan.units.get(take).unwrap_or(take)).copied()
    }
}

/// The listeners of many evenings.
pub(super) struct Panel {
    ears: Ears,
    /// How far the setups lie apart for ears that are all alike.
    apart: Option<f64>,
}

/// One listener.
pub(super) struct Ear<'a> {
    ears: &'a Ears,
    hears: f64,
    apart: f64,
    /// Their favourite setup, by its place in the plan.
    favourite: Option<usize>,
}

/// How far apart setups lie for who hears a share of the trials, with takes that do not differ.
fn apart(plan: &Plan, hears: f64) -> f64 {
    let model = match plan.method {
        Method::Abx => Model::AbxDifferencing,
        Method::DuoTrio => Model::DuoTrio,
        Method::Triangle => Model::Triangle,
        Method::Preference | Method::Attribute | Method::Graded => Model::TwoAfc,
    };
    let g = model.chance();
    model.d_prime(g + (1.0 - g) * hears).min(FARTHEST)
}

impl Panel {
    pub(super) fn of(plan: &Plan, ears: &Ears) -> Self {
        let alike = ears.takes_vary.is_some() && ears.unequal <= 0.0;
        Self { ears: ears.clone(), apart: alike.then(|| apart(plan, ears.hears)) }
    }

    /// The next listener.
    pub(super) fn one(&self, plan: &Plan, random: &mut dyn RandomWords) -> Ear<'_> {
        let ears = &self.ears;
        // No word is drawn for what nobody asked for: a seed keeps its result.
        let hears = if ears.unequal > 0.0 { share_at(random.unit(), ears.hears, ears.unequal) } else { ears.hears };
        let favourite = if ears.tastes.is_empty() {
            Some(0)
        } else {
            let mut at = random.unit();
            ears.tastes.iter().position(|share| {
                at -= share;
                at < 0.0
            })
        };
        let apart = match self.apart {
            Some(apart) => apart,
            None if ears.takes_vary.is_some() => apart(plan, hears),
            None => 0.0,
        };
        Ear { ears, hears, apart, favourite }
    }
}

/// The place of the sample that answers the question, out of what a listener takes for the same: samples in the order of the columns a, b, x.
fn by_likeness(method: Method, same: &dyn Fn(usize, usize) -> bool, count: usize) -> Option<usize> {
    match (method, count) {
        (Method::Abx | Method::DuoTrio, 3) => match (same(0, 1), same(0, 2), same(1, 2)) {
            (false, true, false) => Some(0),
            (false, false, true) => Some(1),
            _ => None,
        },
        (Method::Triangle, 3) => match (same(0, 1), same(0, 2), same(1, 2)) {
            (true, false, false) => Some(2),
            (false, true, false) => Some(1),
            (false, false, true) => Some(0),
            _ => None,
        },
        _ => None,
    }
}

impl Ear<'_> {
    /// How many of so many trials this listener answers.
    pub(super) fn stays(&self, all: u32, random: &mut dyn RandomWords) -> u32 {
        if self.ears.leave > 0.0 && random.unit() < self.ears.leave { random.below(u64::from(all)) as u32 } else { all }
    }

    fn slips(&self, random: &mut dyn RandomWords) -> bool {
        self.ears.slips > 0.0 && random.unit() < self.ears.slips
    }

    /// Whether this trial is truly heard, and answered as heard.
    fn truly(&self, random: &mut dyn RandomWords) -> bool {
        let heard = random.unit() < self.hears;
        heard && !self.slips(random)
    }

    fn guess(&self, choices: &[String], random: &mut dyn RandomWords) -> String {
        let at = match self.ears.leans {
            None => random.below(choices.len() as u64),
            Some(share) if random.unit() < share => 0,
            Some(_) => 1 + random.below(choices.len() as u64 - 1),
        };
        choices[at as usize].clone()
    }

    /// What this listener answers after these samples. Where all of them are one sound nothing but a guess is left.
    pub(super) fn answer(
        &self,
        plan: &Plan,
        world: &World,
        slots: &[SlotRecord],
        choices: &[String],
        random: &mut dyn RandomWords,
    ) -> String {
        if plan.method == Method::Graded {
            let truly = self.truly(random);
            return rating(plan, slots, choices, truly, random);
        }
        let guess = self.guess(choices, random);
        let columns = methods::rules(plan.method).columns;
        let samples: Vec<&SlotRecord> = columns.iter().filter_map(|l| slots.iter().find(|s| s.label == *l)).collect();
        let one_sound = samples.windows(2).all(|w| w[0].clip == w[1].clip && w[0].raised == w[1].raised);
        let place = if one_sound {
            None
        } else if samples.iter().any(|s| s.raised) {
            let heard = random.unit() < self.ears.hears_known && !self.slips(random);
            by_likeness(plan.method, &|i, j| samples[i].raised == samples[j].raised, samples.len()).filter(|_| heard)
        } else if world.0.is_some() {
            self.by_nearness(plan, world, &samples, random).filter(|_| !self.slips(random))
        } else {
            let truly = self.truly(random);
            self.by_setup(plan, &samples).filter(|_| truly)
        };
        place.and_then(|i| columns.get(i)).map_or(guess, |label| (*label).to_owned())
    }

    /// By the setups: who hears knows which samples are of one setup.
    fn by_setup(&self, plan: &Plan, samples: &[&SlotRecord]) -> Option<usize> {
        let setups: Vec<_> = samples.iter().map(|s| setup_of(plan, &s.clip)).collect();
        if setups.windows(2).all(|w| w[0] == w[1]) {
            return None;
        }
        match plan.method {
            Method::Attribute => setups.iter().position(|s| *s == plan.expect.as_ref()),
            Method::Preference if self.ears.tastes.is_empty() => {
                // Whatever the plan names earlier.
                let rank = |s: &Option<&crate::model::ids::SetupName>| plan.setups.iter().position(|p| Some(p) == *s);
                (0..setups.len()).min_by_key(|i| rank(&setups[*i]))
            }
            Method::Preference => {
                let favourite = plan.setups.get(self.favourite?);
                setups.iter().position(|s| *s == favourite)
            }
            method => by_likeness(method, &|i, j| setups[i] == setups[j], setups.len()),
        }
    }

    /// By what lies nearest on one line: each sample is its take's place and the noise of one hearing.
    fn by_nearness(&self, plan: &Plan, world: &World, samples: &[&SlotRecord], random: &mut dyn RandomWords) -> Option<usize> {
        let first = plan.expect.as_ref().or(plan.setups.first());
        let mut heard = Vec::new();
        for sample in samples {
            let side = if setup_of(plan, &sample.clip) == first { 0.5 } else { -0.5 };
            heard.push(world.place(plan, &sample.clip)? + side * self.apart + normal(random));
        }
        match (plan.method, heard.as_slice()) {
            (Method::Abx | Method::DuoTrio, [a, b, x]) => Some(usize::from((x - b).abs() < (x - a).abs())),
            (Method::Triangle, [a, b, c]) => {
                let gaps = [(b - c).abs(), (a - c).abs(), (a - b).abs()];
                (0..3).min_by(|i, j| gaps[*i].total_cmp(&gaps[*j]))
            }
            (Method::Attribute, [a, b]) => Some(usize::from(b > a)),
            (Method::Preference, [a, b]) => match self.favourite? {
                0 => Some(usize::from(b > a)),
                _ => Some(usize::from(a > b)),
            },
            _ => None,
        }
    }
}

/// How a simulated listener rates: every sample gets a number from 0 to 100, each drawn evenly. In a trial that is truly heard the largest
/// of these numbers goes to the hidden reference and the smallest to the anchor; what lies between them stays as it was drawn. People's
/// ratings lie closer together: a simulation of them would be made up, and what is told of this one is how many trials ranks need.
fn rating(plan: &Plan, slots: &[SlotRecord], choices: &[String], truly: bool, random: &mut dyn RandomWords) -> String {
    let mut numbers: Vec<u64> = choices.iter().map(|_| random.below(101)).collect();
    let reference = plan.reference.as_ref().or(plan.setups.first());
    let place = |wanted: &dyn Fn(&SlotRecord) -> bool| {
        choices.iter().position(|label| slots.iter().any(|s| s.label == *label && wanted(s)))
    };
    let largest = place(&|s| !s.anchor && setup_of(plan, &s.clip) == reference);
    let smallest = place(&|s| s.anchor);
    if truly && let (Some(reference), Some(anchor)) = (largest, smallest) {
        let first = (0..numbers.len()).max_by_key(|i| numbers[*i]).unwrap_or(reference);
        numbers.swap(first, reference);
        let last = (0..numbers.len()).filter(|i| *i != reference).min_by_key(|i| numbers[*i]).unwrap_or(anchor);
        numbers.swap(last, anchor);
    }
    choices.iter().zip(numbers).map(|(label, n)| format!("{label}={n}")).collect::<Vec<_>>().join(",")
}
