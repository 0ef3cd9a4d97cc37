//! A pass is looked at before anything else is done: faults, lag against the DI, level and noise against earlier passes.

use crate::capture::measure::{FaultDoc, Held, hold_file};
use crate::model::audio::{FaultKind, Finding, Severity};
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::signal::placing::{self, Placement, Relation};
use crate::signal::{align, inspect as marks};
use crate::units::SampleRate;
use serde::Serialize;
use std::path::PathBuf;

/// A step of level against the earlier takes of the setup that no rewiring explains; ours.
pub const LEVEL_STEP_DB: f64 = 0.5;
/// A step of the noise in the rests against the passes before; ours.
pub const NOISE_STEP_DB: f64 = 1.5;
/// The same of the reference burst; ours.
pub const BURST_STEP_DB: f64 = 0.5;

/// One mic of a pass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeardDoc {
    /// The mic.
    pub mic: String,
    /// Largest sample; null for digital silence.
    pub peak_db: Option<f64>,
    /// How much later than it was played the DI is heard.
    pub lag_ms: Option<f64>,
    /// Loudness.
    pub level_lufs: Option<f64>,
    /// Against the median of the setup's earlier takes at this mic.
    pub level_step_db: Option<f64>,
    /// Noise in the rest in front of the DI.
    pub noise_db: Option<f64>,
    /// Against the median of the passes before at this mic, whatever the setup.
    pub noise_step_db: Option<f64>,
    /// The reference burst, where one was played.
    pub burst_db: Option<f64>,
    /// Faults.
    pub faults: Vec<FaultDoc>,
}

impl HeardDoc {
    /// Peak, loudness, noise, lag and what it is against earlier passes, in one line.
    #[must_use]
    pub fn line(&self) -> String {
        let db = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.1}"));
        let step = self.level_step_db.map_or_else(String::new, |s| format!(", {s:+.2} dB against its earlier takes"));
        let lag = self.lag_ms.map_or_else(String::new, |l| format!(", {l:.2} ms late"));
        let (peak, level, noise) = (db(self.peak_db), db(self.level_lufs), db(self.noise_db));
        format!("{}: peak {peak} dBFS, {level} LUFS, noise {noise} dBFS{lag}{step}", self.mic)
    }
}

/// What an earlier pass showed at one mic.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Known {
    pub(super) setup: SetupName,
    pub(super) mic: MicName,
    pub(super) level: Option<f64>,
    pub(super) noise: Option<f64>,
    pub(super) burst: Option<f64>,
}

/// A pass as it lies on the disk.
pub(super) struct Recorded<'a> {
    pub(super) files: &'a [PathBuf],
    pub(super) mics: &'a [MicName],
    pub(super) setup: &'a SetupName,
    /// The DI, one channel.
    pub(super) di: &'a [f32],
    /// Frame of the files at which the DI was handed to the device.
    pub(super) di_at: i64,
    /// Frames of the rest at the beginning.
    pub(super) rest: usize,
    /// Frames of the burst behind the rest.
    pub(super) burst: usize,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Judged {
    pub(super) mics: Vec<HeardDoc>,
    /// Why it should be played again; empty: it is kept.
    pub(super) again: Vec<String>,
    /// What the engineer should know all the same.
    pub(super) warnings: Vec<String>,
    /// Something that no take may have.
    pub(super) unusable: bool,
    /// What later passes are compared with.
    pub(super) known: Vec<Known>,
}

/// Level of a stretch without its mean, dB of full scale; none for an empty one and for digital silence.
pub(super) fn rms_db(x: &[f32]) -> Option<f64> {
    let n = x.len() as f64;
    let mean = x.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let power = x.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>() / n;
    (power > 0.0).then(|| 10.0 * power.log10())
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| 0.5 * (values[(n - 1) / 2] + values[n / 2]))
}

/// The rest in front of the DI, its edges left out.
pub(super) fn noise(samples: &[f32], rest: usize, rate: f64) -> Option<f64> {
    let edge = (0.05 * rate) as usize;
    let part = samples.get(edge..rest.checked_sub(edge)?)?;
    if part.len() < edge { None } else { rms_db(part) }
}

/// What no instrument plays and no amplifier does: samples that are missing, held, or come twice.
fn impossible(samples: &[f32], placed: Option<&Placement>, rate: SampleRate) -> Vec<String> {
    let at = |frame: f64| frame / rate.as_f64();
    let jumps = placed.iter().flat_map(|p| &p.jumps).map(|j| {
        let what = if j.samples < 0.0 { "missing" } else { "too many" };
        format!("at {:.2} s of the DI {:.0} samples are {what}: the interface dropped or doubled them", at(j.at), j.samples.abs())
    });
    let exact = marks::held(samples).into_iter().chain(marks::repeated(samples)).map(|e| {
        let what = if e.back == 0 { "one sample is held" } else { "a buffer comes a second time" };
        format!("at {:.2} s {what} for {:.1} ms: the interface stalled", at(e.at as f64), 1e3 * at(e.frames as f64))
    });
    jumps.chain(exact).map(|what| format!("{what}. Raise its buffer")).collect()
}

fn must_go(finding: &Finding) -> bool {
    finding.severity == Severity::Stop || matches!(finding.kind, FaultKind::Clipping | FaultKind::Dropout | FaultKind::MainsHum)
}

/// Looks at every file of a pass.
pub(super) fn inspect(pass: &Recorded<'_>, before: &[Known]) -> Result<Judged, Failure> {
    let mut judged = Judged::default();
    for (file, mic) in pass.files.iter().zip(pass.mics) {
        one(pass, mic, &hold_file(file)?, before, &mut judged);
    }
    Ok(judged)
}

/// What the file itself shows.
fn faults(mic: &MicName, held: &Held, placed: Option<&Placement>, judged: &mut Judged) {
    let measured = &held.measured;
    for finding in &measured.findings {
        judged.unusable |= finding.severity == Severity::Stop;
        let said = format!("{mic}: {}", finding.detail);
        if must_go(finding) {
            judged.again.push(said);
        } else if finding.severity == Severity::Warn {
            judged.warnings.push(said);
        }
    }
    for what in impossible(&held.audio.channels()[0], placed, measured.facts.rate) {
        judged.unusable = true;
        judged.again.push(format!("{mic}: {what}"));
    }
}

fn one(pass: &Recorded<'_>, mic: &MicName, held: &Held, before: &[Known], judged: &mut Judged) {
    let measured = &held.measured;
    let rate = measured.facts.rate;
    let samples = &held.audio.channels()[0];
    let placed = placing::place(pass.di, samples, rate, Relation::Driven);
    let lag =
        placed.as_ref().map(|p| p.lag.samples).or_else(|| align::find_lag(pass.di, samples, rate, false).map(|l| l.samples));
    let lag = lag.map(|l| 1e3 * (l - pass.di_at as f64) / rate.as_f64());
    let level = measured.levels.integrated.map(|l| l.value());
    let noise = noise(samples, pass.rest, rate.as_f64());
    let burst = samples.get(pass.rest..pass.rest + pass.burst).filter(|b| !b.is_empty()).and_then(rms_db);
    let here = |k: &&Known| k.mic == *mic;
    let siblings = |of: fn(&Known) -> Option<f64>| {
        median(before.iter().filter(here).filter(|k| k.setup == *pass.setup).filter_map(of).collect())
    };
    let step = |now: Option<f64>, then: Option<f64>| now.zip(then).map(|(n, t)| n - t);
    let level_step = step(level, siblings(|k| k.level));
    let burst_step = step(burst, siblings(|k| k.burst));
    let noise_step = step(noise, median(before.iter().filter(here).filter_map(|k| k.noise).collect()));
    faults(mic, held, placed.as_ref(), judged);
    let louder = |db: f64| if db > 0.0 { "louder" } else { "quieter" };
    let moved = level_step.filter(|s| s.abs() > LEVEL_STEP_DB);
    if let Some(db) = moved {
        let noise_too = noise_step.filter(|n| n.abs() > NOISE_STEP_DB && n.signum() == db.signum());
        let cause = match noise_too {
            Some(n) => format!("the noise in the rest moved with it ({n:+.1} dB): a preamp's gain was moved"),
            None => "did a gain, the volume or the mic move?".to_owned(),
        };
        judged.again.push(format!("{mic}: {:.1} dB {} than the earlier takes of {}; {cause}", db.abs(), louder(db), pass.setup));
    }
    if let Some(db) = burst_step.filter(|s| s.abs() > BURST_STEP_DB && moved.is_none()) {
        judged.again.push(format!("{mic}: the burst came back {:.1} dB {}; did a gain move?", db.abs(), louder(db)));
    }
    if let Some(db) = noise_step.filter(|s| s.abs() > NOISE_STEP_DB && moved.is_none()) {
        judged.warnings.push(format!(
            "{mic}: the noise in the rest is {:.1} dB {} than before: a gain that moved, hum, or something new in the room?",
            db.abs(),
            louder(db)
        ));
    }
    judged.mics.push(HeardDoc {
        mic: mic.to_string(),
        peak_db: measured.levels.sample_peak.map(|p| p.value()),
        lag_ms: lag,
        level_lufs: level,
        level_step_db: level_step,
        noise_db: noise,
        noise_step_db: noise_step,
        burst_db: burst,
        faults: measured.findings.iter().map(FaultDoc::from).collect(),
    });
    judged.known.push(Known { setup: pass.setup.clone(), mic: mic.clone(), level, noise, burst });
}
