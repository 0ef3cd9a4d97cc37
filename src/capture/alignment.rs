//! Where every take lies on the session's time base: lag, polarity, drift, by the best method that the material allows.

use crate::capture::beside::go_on;
use crate::capture::recording as intake;
use crate::model::audio::{DbOrSilence, Polarity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::Progress;
use crate::model::session::Take;
use crate::signal::placing::{self, Alignment, Jump, Placement, Relation};
use crate::signal::{align, bands};
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Where a take lies on the session's time base.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Place {
    /// The take.
    pub take: TakeId,
    /// Samples later than the time base.
    pub lag: f64,
    /// How far that can be trusted.
    pub within: f64,
    /// What it was compared with.
    pub against: String,
    /// Polarity against the first take of its mic.
    pub polarity: Polarity,
    /// Polarity against the first take of its own setup and mic.
    pub in_setup: Polarity,
    /// Clock drift against the time base, in ppm: an event at frame t of it lies at `lag` + t (1 + drift / 10^6) of the take.
    #[serde(with = "bits")]
    pub drift: Option<f64>,
    /// How far the drift can be trusted.
    #[serde(with = "bits")]
    pub drift_within: Option<f64>,
    /// The drift that has to be taken out by resampling; none where the clocks count as one.
    #[serde(with = "bits")]
    pub correct: Option<f64>,
    /// Residual against its setup's first take.
    #[serde(with = "bits")]
    pub residual: Option<f64>,
    /// Jumps of its lag: samples are missing or doubled. Frames of the time base.
    pub jumps: Vec<Jump>,
}

/// Numbers bit by bit: JSON has no infinity, which is what one file leaves against itself.
mod bits {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(value: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
        value.map(f64::to_bits).serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
        Ok(Option::<u64>::deserialize(from)?.map(f64::from_bits))
    }
}

impl Place {
    /// Where the take lies on the time base.
    #[must_use]
    pub fn alignment(&self) -> Alignment {
        Alignment { lag: self.lag, drift: self.correct }
    }

    /// The drift that a clip of it has had taken out: none where the clocks count as one, unknown where the take is too short to tell.
    pub(crate) fn taken_out(&self) -> Option<f64> {
        self.correct.or(self.drift.map(|_| 0.0))
    }

    /// What is said of its jumps: time on the time base, samples, what to do.
    pub(crate) fn jump_warnings(&self, rate: f64) -> Vec<String> {
        let say = |j: &Jump| {
            let count = j.samples.abs().max(1.0).round();
            let what = match (count > 1.0, j.samples < 0.0) {
                (true, true) => "samples are missing",
                (true, false) => "samples are there twice",
                (false, true) => "sample is missing",
                (false, false) => "sample is there twice",
            };
            format!(
                "{}: {count:.0} {what} at {:.3} s: the interface dropped or doubled a buffer; from there on it runs beside the others. \
                 Raise the buffer, record it again, and withdraw this one",
                self.take,
                j.at / rate
            )
        };
        self.jumps.iter().map(say).collect()
    }
}

/// Drift in ppm above which it is another clock or another file, and refused.
pub const DRIFT_REFUSED: f64 = 200.0;

/// What a first take is compared with when the session has a DI.
const DI: &str = "the DI";

/// Takes in use, setups only.
pub(crate) fn usable(takes: &[Take]) -> Vec<&Take> {
    takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect()
}

/// Places every take in use. The takes of one setup and mic lie against one of them that is whole; those of a mic's first setup against the
/// DI, of its other setups against the first setup's. Lags and clocks are joined along that chain, so that all of them lie on one time base.
///
/// # Errors
/// A take's copy cannot be read, or holds silence.
pub fn place(session: &Session, takes: &[Take], progress: &dyn Progress) -> Result<Vec<Place>, Failure> {
    let di = takes.iter().find(|t| t.setup.is_none()).map(|t| intake::load(session, t)).transpose()?;
    let di = di.map(|a| align::mono(a.channels()));
    let used = usable(takes);
    let done = AtomicU64::new(used.len() as u64);
    let step = || {
        progress.step("aligning", done.fetch_add(1, Ordering::Relaxed) + 1, 2 * used.len() as u64);
        go_on(progress)
    };
    let paths: Vec<PathBuf> = used.iter().map(|t| intake::path_of(session, t)).collect();
    let mut anchors: Vec<Anchor> = Vec::new();
    let mut places: Vec<(usize, Place)> = Vec::new();
    for group in groups(&used) {
        let family = Family::settled(&used, &paths, &group, &step)?;
        let take = used[family.anchor];
        let (samples, rate) = (family.samples, family.rate);
        let mut place = if let Some(other) = anchors.iter().find(|a| a.take.mic == take.mic) {
            let base = Base { samples: &other.samples, place: Some(&other.place), name: other.take.id.to_string() };
            against(take, &base, &samples, rate, Relation::OtherRig)?
        } else if let Some(di) = &di {
            against(take, &Base { samples: di, place: None, name: DI.to_owned() }, &samples, rate, Relation::Driven)?
        } else {
            Place::of_the_base(take)
        };
        place.in_setup = Polarity::Same;
        let base = Base { samples: &samples, place: Some(&place), name: take.id.to_string() };
        places.extend(family.found.iter().map(|(k, found)| (*k, joined(used[*k], &base, found, Relation::SameRig))));
        places.push((family.anchor, place.clone()));
        anchors.push(Anchor { take: take.clone(), samples, place });
        step()?;
    }
    places.sort_by_key(|p| p.0);
    let mut places: Vec<Place> = places.into_iter().map(|p| p.1).collect();
    own_up(&mut places);
    by_majority(&used, &mut places);
    Ok(places)
}

/// The takes of each setup and mic, in the order of their first takes.
fn groups(used: &[&Take]) -> Vec<Vec<usize>> {
    let alike = |i: usize, k: usize| used[i].setup == used[k].setup && used[i].mic == used[k].mic;
    (0..used.len())
        .filter(|i| !(0..*i).any(|k| alike(*i, k)))
        .map(|i| (i..used.len()).filter(|k| alike(i, *k)).collect())
        .collect()
}

/// What a take's placement and its residual are.
type Found = (Placement, Option<f64>);

/// The takes of one setup and mic against one of them.
struct Family {
    anchor: usize,
    samples: Vec<f32>,
    rate: SampleRate,
    /// All others.
    found: Vec<(usize, Found)>,
}

/// How often another take is tried as the one that the others lie against.
const TRIES: usize = 3;

impl Family {
    /// Against the first take, or, where that has lost samples, against one that is whole.
    fn settled(
        used: &[&Take],
        paths: &[PathBuf],
        group: &[usize],
        step: &(dyn Fn() -> Result<(), Failure> + Sync),
    ) -> Result<Self, Failure> {
        let mut family = Self::of(used, paths, group, group[0], step)?;
        let mut tried = vec![group[0]];
        while tried.len() < TRIES && family.anchor_broken() {
            let next = family.found.iter().filter(|f| !tried.contains(&f.0)).min_by_key(|f| f.1.0.jumps.len()).map(|f| f.0);
            let Some(next) = next else { break };
            tried.push(next);
            family = Self::of(used, paths, group, next, &|| Ok(()))?;
        }
        Ok(family)
    }

    fn of(
        used: &[&Take],
        paths: &[PathBuf],
        group: &[usize],
        anchor: usize,
        step: &(dyn Fn() -> Result<(), Failure> + Sync),
    ) -> Result<Self, Failure> {
        let (samples, rate) = mono_of(&paths[anchor], used[anchor])?;
        let base = Base { samples: &samples, place: None, name: used[anchor].id.to_string() };
        let others: Vec<usize> = group.iter().copied().filter(|k| *k != anchor).collect();
        let found = others
            .par_iter()
            .map(|k| {
                let (other, rate) = mono_of(&paths[*k], used[*k])?;
                let found = locate(used[*k], &base, &other, rate, Relation::SameRig)?;
                step()?;
                Ok((*k, found))
            })
            .collect::<Result<_, Failure>>()?;
        Ok(Self { anchor, samples, rate, found })
    }

    /// A jump that most of the others show is the anchor's own.
    fn anchor_broken(&self) -> bool {
        let count = self.found.len();
        let shows = |f: &(usize, Found), jump: &Jump| f.1.0.jumps.iter().any(|j| same_jump(j, jump, 1.0));
        count >= 2
            && self
                .found
                .iter()
                .flat_map(|f| &f.1.0.jumps)
                .any(|jump| 2 * self.found.iter().filter(|f| shows(f, jump)).count() > count)
    }
}

/// The odd one out is the smaller part of a setup, not whatever came after its first take.
fn by_majority(used: &[&Take], places: &mut [Place]) {
    let invert = |p: Polarity| times(p, Polarity::Flipped);
    let mut mics = Vec::new();
    for group in groups(used) {
        let mic = &used[group[0]].mic;
        let count = |p: Polarity| group.iter().filter(|k| places[**k].in_setup == p).count();
        // The mic's first setup is the measure of all others at it.
        let measure = !mics.contains(&mic);
        mics.push(mic);
        if count(Polarity::Flipped) <= count(Polarity::Same) {
            continue;
        }
        group.iter().for_each(|k| places[*k].in_setup = invert(places[*k].in_setup));
        if measure {
            (0..used.len()).filter(|k| &used[*k].mic == mic).for_each(|k| places[k].polarity = invert(places[k].polarity));
        }
    }
}

fn mono_of(path: &Path, take: &Take) -> Result<(Vec<f32>, SampleRate), Failure> {
    let audio = intake::load_from(path, take)?;
    Ok((align::mono(audio.channels()), audio.rate()))
}

/// A first take that others are compared with.
struct Anchor {
    take: Take,
    samples: Vec<f32>,
    place: Place,
}

/// What a take is compared with.
struct Base<'a> {
    samples: &'a [f32],
    /// Where it lies itself; none for the time base.
    place: Option<&'a Place>,
    name: String,
}

impl Place {
    fn of_the_base(take: &Take) -> Self {
        Self {
            take: take.id.clone(),
            lag: 0.0,
            within: 0.0,
            against: "itself".to_owned(),
            polarity: Polarity::Same,
            in_setup: Polarity::Same,
            drift: None,
            drift_within: None,
            correct: None,
            residual: None,
            jumps: Vec::new(),
        }
    }
}

/// Polarity along a chain.
fn times(a: Polarity, b: Polarity) -> Polarity {
    match (a.sign(), b.sign()) {
        (Some(a), Some(b)) if a == b => Polarity::Same,
        (Some(_), Some(_)) => Polarity::Flipped,
        _ => Polarity::Undecided,
    }
}

fn against(take: &Take, base: &Base<'_>, samples: &[f32], rate: SampleRate, relation: Relation) -> Result<Place, Failure> {
    Ok(joined(take, base, &locate(take, base, samples, rate, relation)?, relation))
}

fn locate(take: &Take, base: &Base<'_>, samples: &[f32], rate: SampleRate, relation: Relation) -> Result<Found, Failure> {
    let Some(found) = placing::place(base.samples, samples, rate, relation) else {
        let message = format!("{} or what it is compared with ({}) is silent or too short", take.id, base.name);
        return Err(Failure::plain("silence", Fate::Unfit, message, "withdraw it and record it again"));
    };
    let residual = if relation == Relation::SameRig { residual(base.samples, samples, &found) } else { None };
    Ok((found, residual))
}

/// Along the chain: what it was compared with has a place of its own.
fn joined(take: &Take, base: &Base<'_>, (found, residual): &Found, relation: Relation) -> Place {
    let base_at = base.place.map_or(Alignment { lag: 0.0, drift: None }, Place::alignment);
    let Alignment { lag, drift: correct } = placing::chained(base_at, found.alignment());
    // What is shown is what is corrected; what lies within its uncertainty is shown as it was found.
    let drift = correct.or(found.drift);
    let turned = base.place.map_or(Polarity::Same, |p| p.polarity);
    Place {
        take: take.id.clone(),
        lag,
        within: found.lag.within + base.place.map_or(0.0, |p| p.within),
        against: base.name.clone(),
        polarity: match relation {
            // Through an amplifier a flip against the DI says nothing (an odd number of stages inverts): the first take is the measure.
            Relation::Driven => Polarity::Same,
            _ => times(found.lag.polarity, turned),
        },
        in_setup: found.lag.polarity,
        drift,
        drift_within: found.drift_within,
        correct,
        residual: *residual,
        jumps: found.jumps.iter().map(|j| Jump { at: j.at - base_at.lag, ..*j }).collect(),
    }
}

fn residual(reference: &[f32], samples: &[f32], found: &Placement) -> Option<f64> {
    match bands::residual(reference, &found.alignment().laid(samples, 0, reference.len())) {
        Some(DbOrSilence::Db(db)) => Some(db),
        _ => None,
    }
}

/// Frames within which two jumps are one.
const ONE_JUMP: f64 = 30_000.0;
/// Samples by which the two may be told apart in height: a broken line's clock is not known well.
const ONE_HEIGHT: f64 = 2.5;

fn same_jump(a: &Jump, b: &Jump, sign: f64) -> bool {
    (a.at - b.at).abs() < ONE_JUMP && (a.samples - sign * b.samples).abs() < ONE_HEIGHT.min(0.6 * a.samples.abs().max(1.0))
}

/// A jump that every recording shows that was compared with one take is that take's own.
fn own_up(places: &mut [Place]) {
    for i in 0..places.len() {
        let name = places[i].take.to_string();
        let children: Vec<usize> = (0..places.len()).filter(|k| places[*k].against == name).collect();
        let Some(first) = children.first() else { continue };
        for jump in places[*first].jumps.clone() {
            let known = places[i].jumps.iter().any(|own| same_jump(own, &jump, -1.0));
            let all = children.len() >= 2 && children.iter().all(|k| places[*k].jumps.iter().any(|j| same_jump(j, &jump, 1.0)));
            if !known && !all {
                continue;
            }
            if !known {
                places[i].jumps.push(Jump { samples: -jump.samples, ..jump });
            }
            for k in &children {
                places[*k].jumps.retain(|j| !same_jump(j, &jump, 1.0));
            }
        }
    }
}
