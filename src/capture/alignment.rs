//! Where every take lies on the session's time base: lag, polarity, drift, by the best method that the material allows.

use crate::capture::take as intake;
use crate::model::audio::{DbOrSilence, Polarity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::outside::Progress;
use crate::model::session::Take;
use crate::signal::{align, bands, shift};
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use std::path::Path;
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
    /// Polarity against that.
    pub polarity: Polarity,
    /// Clock drift against that, in ppm: an event at frame t of the time base lies at `lag` + t (1 + drift / 10^6) of the take.
    pub drift: Option<f64>,
    /// Residual against its setup's first take.
    pub residual: Option<f64>,
}

impl Place {
    /// The drift that has to be taken out by resampling; none where the clocks count as one.
    #[must_use]
    pub fn to_correct(&self) -> Option<f64> {
        self.drift.filter(|d| d.abs() > DRIFT_SHOWN)
    }
}

/// Drift in ppm above which a take is resampled onto the time base's clock, with a note.
pub const DRIFT_SHOWN: f64 = 0.2;
/// Drift in ppm above which it is another clock or another file, and refused.
pub const DRIFT_REFUSED: f64 = 200.0;

/// What a first take is compared with when the session has a DI.
const DI: &str = "the DI";

/// Takes in use, setups only.
pub(crate) fn usable(takes: &[Take]) -> Vec<&Take> {
    takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect()
}

/// Places every take in use: the first take of each setup and mic against the time base (the DI, else the first take of that mic) by the
/// whitened peak; repeat takes against their setup's first take by the phase slope.
///
/// # Errors
/// A take's copy cannot be read, or holds silence.
pub fn place(session: &Session, takes: &[Take], progress: &dyn Progress) -> Result<Vec<Place>, Failure> {
    let di = takes.iter().find(|t| t.setup.is_none()).map(|t| intake::load(session, t)).transpose()?;
    let di = di.map(|a| align::mono(a.channels()));
    let used = usable(takes);
    let done = AtomicU64::new(used.len() as u64);
    let step = || progress.step("aligning", done.fetch_add(1, Ordering::Relaxed) + 1, 2 * used.len() as u64);
    let paths: Vec<_> = used.iter().map(|t| intake::path_of(session, t)).collect();
    let samples_of = |path: &Path, take: &Take| -> Result<(Vec<f32>, SampleRate), Failure> {
        let audio = intake::load_from(path, take)?;
        Ok((align::mono(audio.channels()), audio.rate()))
    };
    // First takes of each setup and mic, one after the other: later ones may lean on earlier ones.
    let is_first = |i: usize| !used[..i].iter().any(|t| t.setup == used[i].setup && t.mic == used[i].mic);
    let mut anchors: Vec<Anchor> = Vec::new();
    for (i, take) in used.iter().enumerate().filter(|(i, _)| is_first(*i)) {
        let (samples, rate) = samples_of(&paths[i], take)?;
        let place = if let Some(other) = anchors.iter().find(|a| a.take.mic == take.mic) {
            against(take, &other.samples, &samples, rate, false, other.place.lag, other.take.id.to_string())?
        } else if let Some(di) = &di {
            against(take, di, &samples, rate, false, 0.0, DI.to_owned())?
        } else {
            Place {
                take: take.id.clone(),
                lag: 0.0,
                within: 0.0,
                against: "itself".to_owned(),
                polarity: Polarity::Same,
                drift: None,
                residual: None,
            }
        };
        anchors.push(Anchor { take: (*take).clone(), samples, place });
        step();
    }
    // Repeat takes lean on their setup's first take alone.
    used.par_iter()
        .zip(&paths)
        .map(|(take, path)| {
            let Some(first) = anchors.iter().find(|a| a.take.setup == take.setup && a.take.mic == take.mic) else {
                let message = format!("{} has no first take to be compared with", take.id);
                return Err(Failure::plain("no-first-take", Fate::Unfit, message, "import it again"));
            };
            if first.take.id == take.id {
                return Ok(first.place.clone());
            }
            let (samples, rate) = samples_of(path, take)?;
            let place = against(take, &first.samples, &samples, rate, true, first.place.lag, first.take.id.to_string());
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

fn against(
    take: &Take,
    reference: &[f32],
    samples: &[f32],
    rate: SampleRate,
    same_rig: bool,
    base: f64,
    name: String,
) -> Result<Place, Failure> {
    let Some(lag) = align::find_lag(reference, samples, rate, same_rig) else {
        let message = format!("{} or what it is compared with ({name}) is silent", take.id);
        return Err(Failure::plain("silence", Fate::Unfit, message, "withdraw it and record it again"));
    };
    let drift = if same_rig { align::find_drift(reference, samples, lag.samples, rate) } else { None };
    // Below the limit the clocks count as one, and the lag of the whole is the better number.
    let corrected = drift.filter(|d| d.0.abs() > DRIFT_SHOWN);
    // The time base's frame T is the reference's frame T + base.
    let relative = corrected.map_or(lag.samples, |(ppm, offset)| lag.samples + offset + base * ppm * 1e-6);
    let residual = if same_rig {
        let aligned = match corrected {
            Some((ppm, offset)) => shift::unwarp_at(samples, lag.samples + offset, ppm, 0, reference.len()),
            None => shift::advance(samples, lag.samples, reference.len()),
        };
        match bands::residual(reference, &aligned) {
            Some(DbOrSilence::Db(db)) => Some(db),
            _ => None,
        }
    } else {
        None
    };
    let to_di = name == DI;
    Ok(Place {
        take: take.id.clone(),
        lag: base + relative,
        within: lag.within,
        against: name,
        // Through an amplifier a flip against the DI says nothing: an odd number of stages inverts.
        polarity: if to_di { Polarity::Undecided } else { lag.polarity },
        drift: drift.map(|d| d.0),
        residual,
    })
}
