//! Where every take lies on the session's time base: lag, polarity, drift, by the best method that the material allows.

use crate::capture::recording as intake;
use crate::model::audio::{DbOrSilence, Polarity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::Progress;
use crate::model::session::Take;
use crate::signal::placing::{self, Jump, Placement, Relation};
use crate::signal::{align, bands};
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Where a take lies on the session's time base.
#[derive(Debug, Clone)]
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
    pub drift: Option<f64>,
    /// How far the drift can be trusted.
    pub drift_within: Option<f64>,
    /// The drift that has to be taken out by resampling; none where the clocks count as one.
    pub correct: Option<f64>,
    /// Residual against its setup's first take.
    pub residual: Option<f64>,
    /// Jumps of its lag: samples are missing or doubled. Frames of the time base.
    pub jumps: Vec<Jump>,
}

impl Place {
    /// The drift that has to be taken out by resampling; none where the clocks count as one.
    #[must_use]
    pub fn to_correct(&self) -> Option<f64> {
        self.correct
    }

    /// What is said of its jumps: time on the time base, samples, what to do.
    pub(crate) fn jump_warnings(&self, rate: f64) -> Vec<String> {
        let say = |j: &Jump| {
            let what = if j.samples < 0.0 { "are missing" } else { "are there twice" };
            format!(
                "{}: {:.0} samples {what} at {:.3} s: the interface dropped or doubled a buffer; from there on it runs beside the others. \
                 Raise the buffer, record it again, and withdraw this one",
                self.take,
                j.samples.abs().max(1.0),
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

/// Places every take in use: the first take of each mic against the DI, the first takes of its other setups against that one, repeat takes
/// against their setup's first take. Lags and clocks are joined along that chain, so that all of them lie on one time base.
///
/// # Errors
/// A take's copy cannot be read, or holds silence.
pub fn place(session: &Session, takes: &[Take], progress: &dyn Progress) -> Result<Vec<Place>, Failure> {
    let di = takes.iter().find(|t| t.setup.is_none()).map(|t| intake::load(session, t)).transpose()?;
    let di = di.map(|a| align::mono(a.channels()));
    let used = usable(takes);
    let done = AtomicU64::new(used.len() as u64);
    let step = || progress.step("aligning", done.fetch_add(1, Ordering::Relaxed) + 1, 2 * used.len() as u64);
    let paths: Vec<PathBuf> = used.iter().map(|t| intake::path_of(session, t)).collect();
    // First takes of each setup and mic, one after the other: later ones may lean on earlier ones.
    let is_first = |i: usize| !used[..i].iter().any(|t| t.setup == used[i].setup && t.mic == used[i].mic);
    let mut anchors: Vec<Anchor> = Vec::new();
    for (i, take) in used.iter().enumerate().filter(|(i, _)| is_first(*i)) {
        let (samples, rate) = mono_of(&paths[i], take)?;
        let mut place = if let Some(other) = anchors.iter().find(|a| a.take.mic == take.mic) {
            let base = Base { samples: &other.samples, place: Some(&other.place), name: other.take.id.to_string() };
            against(take, &base, &samples, rate, Relation::OtherRig)?
        } else if let Some(di) = &di {
            against(take, &Base { samples: di, place: None, name: DI.to_owned() }, &samples, rate, Relation::Driven)?
        } else {
            Place::of_the_base(take)
        };
        place.in_setup = Polarity::Same;
        anchors.push(Anchor { take: (*take).clone(), samples, place });
        step();
    }
    let mut places = repeats(&used, &paths, &anchors, &step)?;
    own_up(&mut places);
    Ok(places)
}

fn mono_of(path: &Path, take: &Take) -> Result<(Vec<f32>, SampleRate), Failure> {
    let audio = intake::load_from(path, take)?;
    Ok((align::mono(audio.channels()), audio.rate()))
}

fn repeats(used: &[&Take], paths: &[PathBuf], anchors: &[Anchor], step: &(dyn Fn() + Sync)) -> Result<Vec<Place>, Failure> {
    // Repeat takes lean on their setup's first take alone.
    used.par_iter()
        .zip(paths)
        .map(|(take, path)| {
            let Some(first) = anchors.iter().find(|a| a.take.setup == take.setup && a.take.mic == take.mic) else {
                let message = format!("{} has no first take to be compared with", take.id);
                return Err(Failure::plain("no-first-take", Fate::Unfit, message, "import it again"));
            };
            if first.take.id == take.id {
                return Ok(first.place.clone());
            }
            let (samples, rate) = mono_of(path, take)?;
            let base = Base { samples: &first.samples, place: Some(&first.place), name: first.take.id.to_string() };
            let place = against(take, &base, &samples, rate, Relation::SameRig);
            step();
            place
        })
        .collect()
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
    let Some(found) = placing::place(base.samples, samples, rate, relation) else {
        let message = format!("{} or what it is compared with ({}) is silent or too short", take.id, base.name);
        return Err(Failure::plain("silence", Fate::Unfit, message, "withdraw it and record it again"));
    };
    let residual = if relation == Relation::SameRig { residual(base.samples, samples, &found) } else { None };
    let (base_lag, base_drift) = base.place.map_or((0.0, None), |p| (p.lag, p.correct));
    let (lag, correct) = placing::chained((base_lag, base_drift), (found.lag.samples, found.correct));
    // What is shown is what is corrected; what lies within its uncertainty is shown as it was found.
    let drift = correct.or(found.drift);
    let turned = base.place.map_or(Polarity::Same, |p| p.polarity);
    Ok(Place {
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
        residual,
        jumps: found.jumps.iter().map(|j| Jump { at: j.at - base_lag, ..*j }).collect(),
    })
}

fn residual(reference: &[f32], samples: &[f32], found: &Placement) -> Option<f64> {
    match bands::residual(reference, &found.laid(samples, 0, reference.len())) {
        Some(DbOrSilence::Db(db)) => Some(db),
        _ => None,
    }
}

/// Frames within which two jumps are one.
const ONE_JUMP: f64 = 30_000.0;

/// A jump that every recording shows that was compared with one take is that take's own.
fn own_up(places: &mut [Place]) {
    let same = |a: &Jump, b: &Jump, sign: f64| (a.at - b.at).abs() < ONE_JUMP && (a.samples - sign * b.samples).abs() < 0.6;
    for i in 0..places.len() {
        let name = places[i].take.to_string();
        let children: Vec<usize> = (0..places.len()).filter(|k| places[*k].against == name).collect();
        let Some(first) = children.first() else { continue };
        for jump in places[*first].jumps.clone() {
            let known = places[i].jumps.iter().any(|own| same(own, &jump, -1.0));
            let all = children.len() >= 2 && children.iter().all(|k| places[*k].jumps.iter().any(|j| same(j, &jump, 1.0)));
            if !known && !all {
                continue;
            }
            if !known {
                places[i].jumps.push(Jump { samples: -jump.samples, ..jump });
            }
            for k in &children {
                places[*k].jumps.retain(|j| !same(j, &jump, 1.0));
            }
        }
    }
}
