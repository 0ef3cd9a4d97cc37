//! Is there anything to hear? The difference of two setups beside what repeat takes differ by, on takes that lie over each other, and an
//! estimate of how audible it is, for planning. Never a verdict.

use crate::capture::alignment::Place;
use crate::capture::recording as intake;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::session::Take;
use crate::signal::placing::Alignment;
use crate::signal::{bands, loudness, meter};
use crate::stats::dprime::Model;
use crate::stats::{power, repeat_floor};
use crate::store::{Session, random};
use crate::trial::Generator;
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::Serialize;

/// Bands of a take on the span that all takes share, its loudness taken out.
pub(crate) struct Aligned {
    setup: SetupName,
    mic: MicName,
    bands: Vec<Option<f64>>,
}

/// Every take's bands over the same stretch of the performance.
///
/// # Errors
/// A take's copy cannot be read any more.
pub(crate) fn aligned(session: &Session, takes: &[Take], places: &[Place]) -> Result<Vec<Aligned>, Failure> {
    let of = |p: &Place| takes.iter().find(|t| t.id == p.take);
    let (start, end) = Alignment::shared(places.iter().filter_map(|p| Some((p.alignment(), of(p)?.frames as f64))));
    let len = end - start;
    if !(1.0..1e12).contains(&len) {
        return Ok(Vec::new());
    }
    let jobs: Vec<_> =
        places.iter().filter_map(|p| Some((p, of(p)?))).map(|(p, t)| (p, t, intake::path_of(session, t))).collect();
    jobs.par_iter()
        .filter_map(|(place, take, path)| {
            let setup = take.setup.clone()?;
            let one = || {
                let audio = intake::load_from(path, take)?;
                let lay = |c: &Vec<f32>| place.alignment().laid(c, start as usize, len as usize);
                let laid: Vec<Vec<f32>> = audio.channels().iter().map(lay).collect();
                let bands = without_loudness(&laid, audio.rate());
                Ok(Aligned { setup, mic: take.mic.clone(), bands })
            };
            Some(one())
        })
        .collect()
}

fn without_loudness(laid: &[Vec<f32>], rate: SampleRate) -> Vec<Option<f64>> {
    let mut meter = meter::Meter::new(rate, laid.len());
    meter.push(laid);
    let loud = loudness::integrated(&loudness::blocks(meter.steps(), rate)).map(|l| l.value());
    bands::judged(laid, rate).into_iter().map(|b| Some(b? - loud?)).collect()
}

/// How audible a difference may be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EstimateDoc {
    /// Share of ABX trials that a listener may get right: an untrained one on hard material.
    pub p_correct_low: f64,
    /// The same for a trained one.
    pub p_correct_high: f64,
    /// Trials that find the middle of the two in 80 % of tests at 5 %; null where over a thousand would be needed.
    pub trials: Option<u64>,
    /// In words.
    pub sentence: String,
    /// What it rests on.
    pub sources: [&'static str; 3],
}

const SOURCES: [&str; 3] = [
    "level of one region of a wide spectrum: trained listeners hear about 1.5 dB (Green, Profile Analysis, 1988; from memory)",
    "peaks and notches: about 3 dB are needed by others (Moore, Oldfield & Dooley, JASA 85, 1989; from memory)",
    "regions add up as independent ones do, d' = root of the sum of squares (Green & Swets 1966; from memory)",
];
/// dB in one band that a trained listener hears with d' = 1, and an untrained one; see [`SOURCES`].
const TRAINED_DB: f64 = 1.5;
const UNTRAINED_DB: f64 = 3.0;
/// dB under the loudest band below which a band is taken to be covered by the others (common practice, no source).
const COVERED_DB: f64 = 30.0;
/// Right answers up to this share cannot be told from guessing by any test that anybody would sit through.
const LITTLE: f64 = 0.52;

/// What is known of two setups at one mic.
#[derive(Debug, Clone, Default)]
pub(crate) struct Outlook {
    pub(crate) p_floor: Option<f64>,
    pub(crate) above_floor: Option<bool>,
    pub(crate) estimate: Option<EstimateDoc>,
}

/// The split test over the bands that all takes of both setups have, and the estimate.
///
/// # Errors
/// The system gives no random words (asked for only with very many takes).
pub(crate) fn outlook(all: &[Aligned], first: &str, second: &str, mic: &str) -> Result<Outlook, Failure> {
    let of =
        |setup: &str| -> Vec<&Aligned> { all.iter().filter(|a| a.setup.as_str() == setup && a.mic.as_str() == mic).collect() };
    let (a, b) = (of(first), of(second));
    if a.is_empty() || b.is_empty() {
        return Ok(Outlook::default());
    }
    let shared: Vec<usize> = bands::BANDS
        .enumerate()
        .filter(|(k, n)| bands::CAB_BANDS.contains(n) && a.iter().chain(&b).all(|t| t.bands.get(*k).is_some_and(Option::is_some)))
        .map(|(k, _)| k)
        .collect();
    let levels = |takes: &[&Aligned]| -> Vec<Vec<f64>> {
        takes.iter().map(|t| shared.iter().filter_map(|k| t.bands[*k]).collect()).collect()
    };
    let (a, b) = (levels(&a), levels(&b));
    let mut generator = Generator::from_seed(random::seed()?);
    let p_floor = if shared.is_empty() { None } else { repeat_floor::p_floor(&a, &b, &mut generator) };
    let above_floor = p_floor.map(|p| p <= repeat_floor::FLOOR_LEVEL);
    let estimate = (!shared.is_empty() && above_floor != Some(false)).then(|| estimate(&a, &b));
    Ok(Outlook { p_floor, above_floor, estimate })
}

/// From the two setups' mean levels by band: what takes of one setup scatter by is taken out first.
///
/// Shape: takes x bands, dB.
#[must_use]
pub fn estimate(a: &[Vec<f64>], b: &[Vec<f64>]) -> EstimateDoc {
    let count = a[0].len();
    let mean = |takes: &[Vec<f64>], k: usize| takes.iter().map(|t| t[k]).sum::<f64>() / takes.len() as f64;
    let scatter = |takes: &[Vec<f64>], k: usize| {
        let (m, n) = (mean(takes, k), takes.len() as f64);
        if takes.len() < 2 { 0.0 } else { takes.iter().map(|t| (t[k] - m).powi(2)).sum::<f64>() / (n - 1.0) / n }
    };
    let loudest = (0..count).map(|k| mean(a, k).max(mean(b, k))).fold(f64::MIN, f64::max);
    let squares: f64 = (0..count)
        .filter(|k| mean(a, *k).max(mean(b, *k)) > loudest - COVERED_DB)
        .map(|k| ((mean(b, k) - mean(a, k)).powi(2) - scatter(a, k) - scatter(b, k)).max(0.0))
        .sum();
    of_difference(squares.sqrt())
}

/// From one difference over all bands, dB.
#[must_use]
pub fn of_difference(all_db: f64) -> EstimateDoc {
    let right = |db: f64| Model::AbxDifferencing.p_correct(all_db / db);
    let (low, high) = (right(UNTRAINED_DB), right(TRAINED_DB));
    let middle = low.midpoint(high);
    let trials =
        (middle > LITTLE).then(|| power::trials_for(0.8, 1000, |n| power::one_sided(n, 0.5, 0.05, middle)).first).flatten();
    let share = format!("{:.0} to {:.0} %", 100.0 * low, 100.0 * high);
    let plan = trials.map_or_else(
        || "too little for a test that anybody would sit through".to_owned(),
        // The smallest tests are planned larger: an estimate is no reason to be sparing.
        |n| format!("plan {} trials", n.max(16)),
    );
    let sentence = format!(
        "an estimate from published thresholds, not a verdict: expect a listener to be right in {share} of ABX trials: {plan}"
    );
    EstimateDoc { p_correct_low: low, p_correct_high: high, trials: trials.map(|n| n.max(16)), sentence, sources: SOURCES }
}
