//! `check`: faults, lags, levels over capture order, and the difference between setups beside the repeat floor.

use crate::capture::alignment::{DRIFT_REFUSED, Place, place, usable};
use crate::capture::beside::{go_on, unchanged};
use crate::capture::hearable::{self, EstimateDoc};
use crate::capture::measure::{FaultDoc, FileDoc};
use crate::capture::recording as intake;
use crate::capture::remembered::Of;
use crate::capture::{inspection, polarity};
use crate::model::audio::FileFacts;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::{Clock, Progress};
use crate::model::session::Take;
use crate::rig::predicted::predicted;
use crate::signal::{align, bands, excerpts, meter};
use crate::store::Session;
use serde::Serialize;
use std::path::Path;

/// One take, as `measure` has it and more.
#[derive(Debug, Clone, Serialize)]
pub struct CheckedDoc {
    /// Measurements; `path` is relative to the session's folder.
    #[serde(flatten)]
    pub file: FileDoc,
    /// Its number.
    pub take: String,
    /// Its setup; null for the DI.
    pub setup: Option<String>,
    /// Its mic.
    pub mic: String,
    /// Its pass.
    pub pass: u32,
    /// Against the DI, or the first take; null for that one itself when it is the DI.
    pub lag_samples: Option<f64>,
    /// How far it can be trusted.
    pub lag_within_samples: Option<f64>,
    /// Integrated loudness.
    pub level_lufs: Option<f64>,
    /// Why it was withdrawn, if it was.
    pub withdrawn: Option<String>,
}

/// One band of a difference between setups.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct DifferenceBand {
    /// Exact centre.
    pub hz: f64,
    /// Second minus first, loudness difference removed; null where a band holds too little.
    pub between_db: Option<f64>,
    /// The larger of the two setups' repeat floors; null with fewer than two takes of either.
    pub repeat_db: Option<f64>,
    /// What the driver model expects at this mic, its mean set to that of the measured bands; null without driver data.
    pub predicted_db: Option<f64>,
}

/// A stretch that is worth listening to.
#[derive(Debug, Clone, Serialize)]
pub struct ExcerptDoc {
    /// Its name.
    pub name: &'static str,
    /// Beginning on the time base.
    pub start_s: f64,
    /// End on the time base.
    pub end_s: f64,
    /// Why it is proposed.
    pub why: &'static str,
}

/// The difference of two setups at one mic.
#[derive(Debug, Clone, Serialize)]
pub struct DifferenceDoc {
    /// The first setup.
    pub first: String,
    /// The second setup.
    pub second: String,
    /// The mic.
    pub mic: String,
    /// One-third octaves that a guitar cab's verdict may show.
    pub bands: Vec<DifferenceBand>,
    /// Loudness, second minus first.
    pub level_lu: Option<f64>,
    /// Share of the splits of the takes, names aside, whose setups differ no less. Null with fewer than four takes of either.
    pub p_floor: Option<f64>,
    /// Whether that is 5 % at most: the setups differ by more than repeat takes do.
    pub above_floor: Option<bool>,
    /// How audible it may be, for planning; null where the setups differ by no more than repeat takes.
    pub estimate: Option<EstimateDoc>,
}

/// The document of `check`.
#[derive(Debug, Clone, Serialize)]
pub struct CheckDoc {
    /// Every take, the DI and withdrawn ones included.
    pub takes: Vec<CheckedDoc>,
    /// Slope of level over capture order, within setups.
    pub level_trend_db_per_take: Option<f64>,
    /// Pairs of setups at each mic.
    pub differences: Vec<DifferenceDoc>,
    /// Excerpts that the material offers, from the DI (without one: the first take).
    pub excerpts: Vec<ExcerptDoc>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// A take with what was found in it.
struct Looked {
    take: Take,
    file: FileDoc,
    level: Option<f64>,
    bands: Vec<Option<f64>>,
}

fn look(session: &Session, take: &Take) -> Result<Looked, Failure> {
    let audio = intake::load(session, take)?;
    let levels = meter::measure(&audio);
    let facts = FileFacts {
        format: "take".to_owned(),
        lossy: false,
        rate: take.rate,
        bits: None,
        channels: take.channels,
        frames: take.frames,
        sha256: take.sha256.clone(),
        time_reference: None,
        cue_points: Vec::new(),
        findings: Vec::new(),
    };
    let file = FileDoc::new(&take.path, &facts, &levels, &take.findings);
    let bands = bands::judged(audio.channels(), audio.rate());
    Ok(Looked { take: take.clone(), file, level: levels.integrated.map(|l| l.value()), bands })
}

/// Looks at every take, compares, and keeps a summary for `plan`.
///
/// # Errors
/// A take's copy cannot be read any more.
pub fn check(folder: &Path, clock: &dyn Clock, progress: &dyn Progress) -> Result<CheckDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let found = look_over(&session, progress)?;
    keep(&mut session, found, clock)
}

/// What was found in the takes that the session had, before it is kept.
#[derive(Debug)]
pub struct Found {
    takes: Vec<Take>,
    doc: CheckDoc,
}

/// Keeps the summary.
///
/// # Errors
/// The takes have changed meanwhile; the session cannot be written.
pub fn keep(session: &mut Session, found: Found, clock: &dyn Clock) -> Result<CheckDoc, Failure> {
    let Found { takes, doc } = found;
    unchanged(session, &takes)?;
    let summary = serde_json::json!({ "differences": doc.differences, "level_trend_db_per_take": doc.level_trend_db_per_take, "warnings": doc.warnings });
    session.set_note("last-check", &summary.to_string(), clock.now())?;
    Ok(doc)
}

/// Looks at every take and compares; writes nothing.
///
/// # Errors
/// A take's copy cannot be read any more; it was stopped.
pub fn look_over(session: &Session, progress: &dyn Progress) -> Result<Found, Failure> {
    let takes = session.takes()?;
    let mut looked = Vec::new();
    for (i, take) in takes.iter().enumerate() {
        go_on(progress)?;
        session.verified_take(take)?;
        looked.push(look(session, take)?);
        progress.step("measuring", i as u64 + 1, 2 * takes.len() as u64);
    }
    let known = Of::verified(&takes);
    let placed = known.or("places", || place(session, &takes, progress))?;
    let mut warnings = Vec::new();
    for place in &placed {
        clock_findings(place, &mut warnings);
    }
    warnings.extend(polarity::groups(&takes, &placed).iter().flat_map(|g| g.warnings("cabjury match FOLDER")));
    go_on(progress)?;
    let inspected = known.or("marks", || inspection::inspect(session, &takes, &placed))?;
    for l in &mut looked {
        if let Some(own) = inspected.iter().find(|i| i.take == l.take.id) {
            l.file.faults.extend(own.findings.iter().map(FaultDoc::from));
        }
    }
    let docs: Vec<CheckedDoc> = looked
        .iter()
        .map(|l| {
            let place = placed.iter().find(|p| p.take == l.take.id);
            CheckedDoc {
                file: l.file.clone(),
                take: l.take.id.to_string(),
                setup: l.take.setup.as_ref().map(ToString::to_string),
                mic: l.take.mic.to_string(),
                pass: l.take.pass,
                lag_samples: place.map(|p| p.lag),
                lag_within_samples: place.map(|p| p.within),
                level_lufs: l.level,
                withdrawn: l.take.withdrawn.clone(),
            }
        })
        .collect();
    go_on(progress)?;
    let trend = level_trend(&looked);
    if let Some(slope) = trend.filter(|s| s.abs() >= 0.1) {
        warnings.push(format!("the level moves by {slope:+.2} dB per take over the capture order: warm-up or drift could pose as wiring; record the setups interleaved"));
    }
    let differences = differences(session, &looked, &hearable::aligned(session, &takes, &placed)?)?;
    let excerpts = excerpts(session, &takes, &placed)?;
    for d in differences.iter().filter(|d| d.above_floor == Some(false)) {
        warnings.push(format!(
            "{} and {} at {} differ by no more than repeat takes of one setup do (p_floor {:.2})",
            d.first,
            d.second,
            d.mic,
            d.p_floor.unwrap_or(1.0)
        ));
    }
    let doc = CheckDoc { takes: docs, level_trend_db_per_take: trend, differences, excerpts, warnings };
    Ok(Found { takes, doc })
}

fn clock_findings(place: &Place, warnings: &mut Vec<String>) {
    match place.correct {
        Some(ppm) if ppm.abs() > DRIFT_REFUSED => warnings.push(format!(
            "{} runs {ppm:.0} ppm off {}: another clock, or another file; it cannot be matched",
            place.take, place.against
        )),
        Some(ppm) => warnings.push(format!(
            "{} runs {ppm:+.2} ppm (+-{:.2}) off {}: two clocks; its clips will be resampled onto one",
            place.take,
            place.drift_within.unwrap_or(0.0),
            place.against
        )),
        None => {}
    }
}

/// Least-squares slope of level over capture order, each setup's own mean taken out, so that a difference between setups is no trend.
fn level_trend(looked: &[Looked]) -> Option<f64> {
    let used: Vec<&Looked> =
        looked.iter().filter(|l| l.take.setup.is_some() && l.take.withdrawn.is_none() && l.level.is_some()).collect();
    let mut points: Vec<(f64, f64)> = Vec::new();
    for group in groups(&used) {
        if group.len() < 2 {
            continue;
        }
        let n = group.len() as f64;
        let order = |l: &&&Looked| f64::from(l.take.pass);
        let (t, y) = (group.iter().map(|l| order(&l)).sum::<f64>() / n, group.iter().filter_map(|l| l.level).sum::<f64>() / n);
        points.extend(group.iter().filter_map(|l| Some((order(&l) - t, l.level? - y))));
    }
    let bottom: f64 = points.iter().map(|p| p.0 * p.0).sum();
    if points.len() < 4 || bottom <= 0.0 {
        return None;
    }
    Some(points.iter().map(|p| p.0 * p.1).sum::<f64>() / bottom)
}

fn groups<'a>(used: &[&'a Looked]) -> Vec<Vec<&'a Looked>> {
    let mut keys: Vec<(Option<SetupName>, MicName)> = Vec::new();
    let mut out: Vec<Vec<&'a Looked>> = Vec::new();
    for l in used {
        let key = (l.take.setup.clone(), l.take.mic.clone());
        match keys.iter().position(|k| *k == key) {
            Some(i) => out[i].push(l),
            None => {
                keys.push(key);
                out.push(vec![l]);
            }
        }
    }
    out
}

fn mean_bands(takes: &[&Looked]) -> Vec<Option<f64>> {
    let n = takes.first().map_or(0, |l| l.bands.len());
    (0..n)
        .map(|b| {
            let values: Vec<f64> = takes.iter().filter_map(|l| Some(l.bands[b]? - l.level?)).collect();
            (values.len() == takes.len() && !values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
        })
        .collect()
}

fn differences(session: &Session, looked: &[Looked], aligned: &[hearable::Aligned]) -> Result<Vec<DifferenceDoc>, Failure> {
    let rig = session.rig()?;
    let described = crate::rig::cards::describe(&rig)?;
    let used: Vec<&Looked> = looked.iter().filter(|l| l.take.setup.is_some() && l.take.withdrawn.is_none()).collect();
    let mut mics: Vec<MicName> = used.iter().map(|l| l.take.mic.clone()).collect();
    mics.sort();
    mics.dedup();
    let mut out = Vec::new();
    for mic in &mics {
        for (i, first) in rig.setups.iter().enumerate() {
            for second in &rig.setups[i + 1..] {
                let of = |name: &SetupName| -> Vec<&Looked> {
                    used.iter().copied().filter(|l| l.take.setup.as_ref() == Some(name) && &l.take.mic == mic).collect()
                };
                let (a, b) = (of(&first.name), of(&second.name));
                if !a.is_empty() && !b.is_empty() {
                    let mut found = difference(&first.name, &second.name, mic, &a, &b);
                    let outlook = hearable::outlook(aligned, first.name.as_str(), second.name.as_str(), mic.as_str())?;
                    (found.p_floor, found.above_floor, found.estimate) = (outlook.p_floor, outlook.above_floor, outlook.estimate);
                    let curve = predicted(&rig, &described, first.name.as_str(), second.name.as_str(), mic.as_str());
                    let measured: Vec<_> = found.bands.iter().map(|b| (b.hz, b.between_db)).collect();
                    for (band, db) in found.bands.iter_mut().zip(curve.iter().flat_map(|c| c.beside(&measured))) {
                        band.predicted_db = db;
                    }
                    out.push(found);
                }
            }
        }
    }
    Ok(out)
}

/// Excerpts of the time base: the DI, or the first take.
fn excerpts(session: &Session, takes: &[Take], placed: &[Place]) -> Result<Vec<ExcerptDoc>, Failure> {
    let Some(base) = takes.iter().find(|t| t.setup.is_none()).or_else(|| usable(takes).first().copied()) else {
        return Ok(Vec::new());
    };
    let audio = intake::load(session, base)?;
    let frames = |p: &Place| takes.iter().find(|t| t.id == p.take).map_or(0.0, |t| t.frames as f64);
    let start = placed.iter().map(|p| -p.lag).fold(0.0, f64::max);
    let end = placed.iter().map(|p| frames(p) - p.lag).fold(audio.frames() as f64, f64::min);
    let rate = audio.rate().as_f64();
    let found = excerpts::propose(&align::mono(audio.channels()), audio.rate(), (start / rate, end / rate));
    Ok(found
        .into_iter()
        .map(|p| ExcerptDoc { name: p.purpose.name(), start_s: p.start_s, end_s: p.end_s, why: p.purpose.why() })
        .collect())
}

fn difference(first: &SetupName, second: &SetupName, mic: &MicName, a: &[&Looked], b: &[&Looked]) -> DifferenceDoc {
    let level_free = |takes: &[&Looked]| -> Vec<Vec<Option<f64>>> {
        takes.iter().map(|l| l.bands.iter().map(|v| Some((*v)? - l.level?)).collect()).collect()
    };
    let between = bands::difference(&mean_bands(a), &mean_bands(b));
    let floors = [bands::repeat_floor(&level_free(a)), bands::repeat_floor(&level_free(b))];
    let bands: Vec<DifferenceBand> = bands::BANDS
        .enumerate()
        .filter(|(_, n)| bands::CAB_BANDS.contains(n))
        .map(|(k, n)| {
            let repeat = floors[0].get(k).copied().flatten().zip(floors[1].get(k).copied().flatten()).map(|(x, y)| x.max(y));
            DifferenceBand {
                hz: bands::centre(n),
                between_db: between.get(k).copied().flatten(),
                repeat_db: repeat,
                predicted_db: None,
            }
        })
        .collect();
    let mean = |takes: &[&Looked]| {
        let values: Vec<f64> = takes.iter().filter_map(|l| l.level).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    DifferenceDoc {
        first: first.to_string(),
        second: second.to_string(),
        mic: mic.to_string(),
        bands,
        level_lu: mean(b).zip(mean(a)).map(|(b, a)| b - a),
        p_floor: None,
        above_floor: None,
        estimate: None,
    }
}
