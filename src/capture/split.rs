//! One long bounce: the DI's repeats are found in it and cut into passes.

use crate::capture::derive::Tray;
use crate::capture::incoming::{Manner, RefusedDoc, take_in};
use crate::capture::measure::{Held, Measured, hold_file};
use crate::capture::recording::Incoming;
use crate::capture::recording::{CUT, TakeDoc, load, mics_of, rate_as, usable_as_take};
use crate::capture::runsheet::coming;
use crate::capture::strangers::{SAME, thinned};
use crate::model::audio::Audio;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::{Clock, Progress};
use crate::model::session::Depth;
use crate::signal::align;
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// So much before a repeat is kept with it, and so much after it, in seconds; ours.
const LEAD_S: f64 = 0.25;
const TAIL_S: f64 = 1.0;

/// A repeat resembles the DI at least by this share of what the best one does; ours.
const LEAST_OF_BEST: f64 = 0.5;

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct SplitRequest {
    /// The setup of all repeats; none: the run sheet's order.
    pub setup: Option<SetupName>,
    /// The mic, or channels of the file (from 1) and their mics.
    pub mics: Vec<(Option<u16>, MicName)>,
    /// What was touched before each.
    pub depth: Option<Depth>,
    /// Free notes.
    pub notes: BTreeMap<String, String>,
}

/// One repeat that was found.
#[derive(Debug, Clone, Serialize)]
pub struct RepeatDoc {
    /// Where the DI begins in the file.
    pub start_s: f64,
    /// Where the part that is cut out begins.
    pub from_s: f64,
    /// Where it ends.
    pub to_s: f64,
    /// How far it resembles the DI, from 0 to 1.
    pub resemblance: f64,
    /// Its setup.
    pub setup: String,
    /// Its pass.
    pub pass: u32,
}

/// What would be cut.
#[derive(Debug, Clone, Serialize)]
pub struct SplitPlan {
    /// The file.
    pub file: String,
    /// The repeats in their order.
    pub repeats: Vec<RepeatDoc>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// What was cut and taken in.
#[derive(Debug, Clone, Serialize)]
pub struct SplitDoc {
    /// What was found.
    #[serde(flatten)]
    pub plan: SplitPlan,
    /// Takes that were kept now.
    pub takes: Vec<TakeDoc>,
    /// Parts that the session had already, by the take that they are.
    pub already: Vec<String>,
    /// Parts that are not fit, and why.
    pub refused: Vec<RefusedDoc>,
}

/// A bounce that was read, with what was found in it.
pub struct Bounce {
    held: Held,
    /// What would be cut.
    pub plan: SplitPlan,
}

/// Reads a long bounce and finds the DI's repeats; nothing is stored.
///
/// # Errors
/// The session has no DI, the file is not fit, or no repeat is found.
pub fn plan_split(folder: &Path, file: &Path, request: &SplitRequest, progress: &dyn Progress) -> Result<Bounce, Failure> {
    let session = Session::open_read(folder)?;
    let takes = session.takes()?;
    let Some(di) = takes.iter().find(|t| t.setup.is_none() && t.withdrawn.is_none()) else {
        let next = format!("import it first: cabjury take {} DI-FILE --di", quoted(folder));
        return Err(Failure::plain("no-di", Fate::Refused, "repeats of the DI are looked for, and the session has no DI", next));
    };
    let held = hold_file(file)?;
    let measured = &held.measured;
    rate_as(file, measured.facts.rate.hz(), di.rate.hz(), &di.original_name)?;
    let di = load(&session, di)?;
    let (starts, mut warnings) = repeats(&di, &held.audio, progress);
    if starts.is_empty() {
        let message = format!("the DI is not found in {}", file.display());
        return Err(Failure::at_path(
            "no-repeats",
            Fate::Unfit,
            file,
            message,
            "is it the right file, and of the session's own DI?",
        ));
    }
    let places = match &request.setup {
        Some(setup) => {
            crate::capture::names::setup(&session.rig()?, setup)?;
            let next = 1 + takes.iter().map(|t| t.pass).max().unwrap_or(0);
            (next..).map(|pass| (pass, setup.clone())).take(starts.len()).collect()
        }
        None => coming(&session)?,
    };
    let setups = session.rig()?.setups.len();
    if request.setup.is_none() && starts.len() % setups.max(1) != 0 {
        warnings.push(format!(
            "{} repeats were found, which is not a whole number of rounds of {setups} setups: is one missing?",
            starts.len()
        ));
    }
    let (rate, length) = (held.audio.rate().as_f64(), di.frames() as f64);
    let all = held.audio.frames() as f64;
    let lead = LEAD_S * rate;
    let mut found = Vec::new();
    for (i, ((start, resemblance), (pass, setup))) in starts.iter().zip(places).enumerate() {
        let before = if i == 0 { 0.0 } else { starts[i - 1].0 + length };
        let after = starts.get(i + 1).map_or(all, |next| next.0 - lead.min((next.0 - start - length).max(0.0)));
        found.push(RepeatDoc {
            start_s: start / rate,
            from_s: (start - lead).max(before).max(0.0).min(*start) / rate,
            to_s: (start + length + TAIL_S * rate).min(after).min(all) / rate,
            resemblance: *resemblance,
            setup: setup.to_string(),
            pass,
        });
    }
    Ok(Bounce { held, plan: SplitPlan { file: file.display().to_string(), repeats: found, warnings } })
}

/// Where the DI begins, in frames of the bounce, and how well it fits there.
fn repeats(di: &Audio, bounce: &Audio, progress: &dyn Progress) -> (Vec<(f64, f64)>, Vec<String>) {
    let (short, step) = thinned(di, usize::MAX);
    let (long, _) = thinned(bounce, usize::MAX);
    let length = short.len();
    if length == 0 || long.len() < length {
        return (Vec::new(), Vec::new());
    }
    let rate = SampleRate::new((di.rate().hz() as usize / step) as u32);
    let Ok(rate) = rate else { return (Vec::new(), Vec::new()) };
    // Windows of one and a half times the DI, a quarter of a DI apart: each repeat lies wholly within two of them or more, beside as little of
    // its neighbours as may be.
    let hop = (length / 4).max(1);
    let windows: Vec<usize> = (0..long.len()).step_by(hop).collect();
    let total = windows.len() as u64;
    let done = std::sync::atomic::AtomicU64::new(0);
    let mut found: Vec<(usize, f64)> = windows
        .into_par_iter()
        .filter_map(|from| {
            let window = &long[from..long.len().min(from + length + length / 2)];
            progress.step("looking for the DI", done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, total);
            let lag = align::find_lag(&short, window, rate, false)?;
            let at = usize::try_from(lag.samples.round() as i64).ok()?;
            let part = window.get(at..at + length)?;
            Some((from + at, align::resemblance(&short, part, rate)?))
        })
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let least = found.first().map_or(SAME, |best| SAME.max(best.1 * LEAST_OF_BEST));
    let mut chosen: Vec<(usize, f64)> = Vec::new();
    for (start, resemblance) in found.into_iter().filter(|f| f.1 >= least) {
        // Two repeats do not overlap; a little less than the whole, for a bounce that was trimmed.
        if chosen.iter().all(|c| c.0.abs_diff(start) * 10 >= length * 9) {
            chosen.push((start, resemblance));
        }
    }
    chosen.sort_unstable_by_key(|c| c.0);
    let mut warnings = Vec::new();
    let end = chosen.last().map_or(0, |c| c.0 + length);
    if long.len().saturating_sub(end) > length / 2 {
        let seconds = (long.len() - end) as f64 / rate.as_f64();
        warnings.push(format!("behind the last repeat lie {seconds:.1} s in which the whole DI is not found: they are left out"));
    }
    (chosen.into_iter().map(|c| ((c.0 * step) as f64, c.1)).collect(), warnings)
}

/// Cuts the bounce and takes the parts in.
///
/// # Errors
/// The session is locked, or a part cannot be written.
pub fn take_split(
    folder: &Path,
    bounce: Bounce,
    request: &SplitRequest,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<SplitDoc, Failure> {
    let Bounce { held, plan } = bounce;
    let Held { measured, audio: whole } = &held;
    let mut session = Session::open_write(folder, clock.now())?;
    let tray = Tray::new(&session);
    let mics = mics_of(&request.mics, 1, &session)?.remove(0);
    let mut refused = Vec::new();
    let mut parts: Vec<(&RepeatDoc, Measured)> = Vec::new();
    for repeat in &plan.repeats {
        let frames = |s: f64| (s * whole.rate().as_f64()).round() as usize;
        let (from, to) = (frames(repeat.from_s), frames(repeat.to_s).min(whole.frames()));
        let planes = whole.channels().iter().map(|c| c[from..to].to_vec()).collect();
        let audio = Audio::new(whole.rate(), planes)
            .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "export the file again"))?;
        let how = vec![format!("{CUT}: {:.3} s to {:.3} s", repeat.from_s, repeat.to_s)];
        match tray.keep(measured, &audio, how).and_then(usable_as_take) {
            Ok(part) => parts.push((repeat, part)),
            Err(error) => {
                let name = format!("{} at {:.1} s", plan.file, repeat.start_s);
                refused.push(RefusedDoc::new(Path::new(&name), &error));
            }
        }
    }
    let mut incoming = Vec::new();
    for (repeat, part) in &parts {
        for (channel, mic) in &mics {
            incoming.push(Incoming {
                meant: None,
                measured: part,
                setup: Some(SetupName::new(&repeat.setup)?),
                channel: *channel,
                mic: mic.clone(),
                pass: repeat.pass,
                depth: request.depth,
                notes: request.notes.clone(),
                original_name: part.derived.as_ref().map(|d| d.from.clone()).unwrap_or_default(),
            });
        }
    }
    let doc = take_in(&mut session, &incoming, Manner::TheOthers(&mut refused), clock, progress)?;
    drop(incoming);
    drop(parts);
    let mut plan = plan;
    plan.warnings.extend(doc.warnings);
    Ok(SplitDoc { plan, takes: doc.takes, already: doc.already, refused })
}
