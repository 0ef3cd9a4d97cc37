//! How a sitting begins: rig, patch, DI and device are looked at before anything sounds.

use super::gate;
use super::inspect::{Known, noise, rms_db};
use super::patch::{Patch, patch};
use super::sitting::{RecordRequest, SILENCE_S, Sitting, Stage};
use super::stage::invented_di;
use crate::capture::beside::{Directly, Way, make};
use crate::capture::recording;
use crate::capture::runsheet::{PassDoc, is_recorded, runsheet_by};
use crate::capture::take as intake;
use crate::model::audio::Audio;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::Clock;
use crate::model::rig::Rig;
use crate::model::session::Take;
use crate::signal::{align, meter, test_sounds};
use crate::sound::deck::{Material, Timing};
use crate::sound::recorder::{Layout, Recorder};
use crate::sound::write_wav24;
use crate::store::Session;
use crate::units::SampleRate;
use jiff::Timestamp;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Brings the DI in, where none is there yet: the one that was named, or an invented one for the simulated rig.
fn bring_di(way: &dyn Way, request: &RecordRequest, simulated: bool, clock: &'static dyn Clock) -> Result<(), Failure> {
    let folder = way.folder();
    let has = Session::open_read(folder)?.takes()?.iter().any(|t| t.setup.is_none());
    let take = |file: PathBuf, notes: BTreeMap<String, String>| {
        let wanted = intake::Request { files: vec![file], di: true, notes, ..intake::Request::default() };
        intake::take_by(way, &wanted, clock)
    };
    match (&request.di, has) {
        (Some(file), _) => take(file.clone(), BTreeMap::new()).map(drop),
        (None, true) => Ok(()),
        (None, false) if simulated => {
            let rate = SampleRate::new(48_000)?;
            let audio = Audio::new(rate, vec![invented_di(rate, request.simulation.seed)])
                .map_err(|e| Failure::plain("shape", Fate::Failed, e.to_string(), "this is a defect of the simulated rig"))?;
            let path = super::folder(folder)?.join("invented-di.wav");
            let _ = std::fs::remove_file(&path); // of a sitting that was ended in this very moment
            write_wav24(&path, &audio)?;
            let done = take(path.clone(), BTreeMap::from([("simulated".to_owned(), "invented by the program".to_owned())]));
            let _ = std::fs::remove_file(&path); // the session has its own copy
            done.map(drop)
        }
        (None, false) => Err(Failure::plain(
            "no-di",
            Fate::Refused,
            "the session has no DI to play",
            format!("take it in with: cabjury take {} FILE --di", quoted(folder)),
        )),
    }
}

/// Length, rest and peak of the DI in words.
fn look_at_di(di: &[f32], rate: SampleRate) -> String {
    let peak = di.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    let first = di.iter().position(|v| v.abs() > 0.03 * peak).unwrap_or(0) as f64 / rate.as_f64();
    let rest = if first < 0.5 { "; a second of rest in front of it would show the noise" } else { "" };
    format!(
        "The DI lasts {:.1} s at {rate}, its first note comes at {first:.1} s{rest}; its peak is {:.1} dBFS.",
        di.len() as f64 / rate.as_f64(),
        20.0 * f64::from(peak.max(1e-9)).log10()
    )
}

/// What earlier takes show, to compare with.
fn remember(session: &Session, takes: &[Take]) -> Vec<Known> {
    let used: Vec<(PathBuf, &Take)> =
        takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).map(|t| (session.absolute(&t.path), t)).collect();
    used.par_iter()
        .filter_map(|(path, take)| {
            let audio = recording::load_from(path, take).ok()?;
            let frames = |note: &str| take.notes.get(note).and_then(|n| n.parse::<usize>().ok());
            let (rest, burst) = (frames(super::REST_NOTE), frames(super::BURST_NOTE));
            let of_burst = |rest: usize| audio.channels()[0].get(rest..rest + burst?).and_then(rms_db);
            Some(Known {
                setup: take.setup.clone()?,
                mic: take.mic.clone(),
                level: meter::measure(&audio).integrated.map(|l| l.value()),
                noise: rest.and_then(|r| noise(&audio.channels()[0], r, audio.rate().as_f64())),
                burst: rest.and_then(of_burst),
            })
        })
        .collect()
}

/// The output level at which a sitting begins.
const FIRST_DB: f64 = -30.0;

/// Channels, material and lengths of the sitting.
fn lay_out(request: &RecordRequest, patch: &Patch, di: &[f32], rate: SampleRate) -> Result<Layout, Failure> {
    let frames = |s: f64| (s.max(0.0) * rate.as_f64()) as u64;
    let burst: Vec<f32> = if request.burst {
        // The same noise in every pass of every session.
        let noise = test_sounds::pink(frames(0.5) as usize, rate, -24.0, &mut crate::trial::Generator::simulated(1));
        noise.map(|n| n.channels()[0].clone()).unwrap_or_default()
    } else {
        Vec::new()
    };
    if !(0.3..=30.0).contains(&request.count_in_s) || !(0.2..=30.0).contains(&request.tail_s) {
        return Err(Failure::plain(
            "wrong-use",
            Fate::WrongUse,
            "the count-in lasts 0.3 to 30 s, the tail 0.2 to 30 s",
            format!("leave the options out for {SILENCE_S} s each"),
        ));
    }
    let timing = Timing {
        lead: frames(3.0).min(di.len() as u64),
        gap: frames(1.0),
        count_in: frames(request.count_in_s),
        tail: frames(request.tail_s),
    };
    let material = Material { di: Arc::from(di), burst: Arc::from(burst), timing };
    Ok(Layout { rate, channels: patch.channels(), material, form: patch.form(), buffer: patch.kept.buffer_frames })
}

/// Refuses what no sitting can be.
fn sensible(request: &RecordRequest, patch: &Patch) -> Result<(), Failure> {
    let wrong = |kind, message, next| Err(Failure::plain(kind, Fate::WrongUse, message, next));
    if !patch.simulated() && !request.simulation.damages.is_empty() {
        return wrong("damage", "damage is for the simulated rig alone", "choose the device \"simulated\", or leave it out");
    }
    if request.warm_up_s.is_some_and(|s| !(0.0..=3600.0).contains(&s)) {
        return wrong("wrong-use", "that warm-up cannot be", "give 0 to 3600 s");
    }
    Ok(())
}

/// The session's rig and the patch, kept where it is new; refuses loads that must not be connected.
fn prepare(way: &dyn Way, request: &RecordRequest, now: Timestamp) -> Result<(Rig, Patch), Failure> {
    let mut rig = Session::open_read(way.folder())?.rig()?;
    let patch = patch(&rig, &request.patch)?;
    sensible(request, &patch)?;
    let setups: Vec<SetupName> = rig.setups.iter().map(|s| s.name.clone()).collect();
    let reason = request.load_reason.clone();
    way.change(Box::new(move |session| gate::loads(session, &setups, reason.as_deref(), now)))?;
    // A device that is not there is not kept.
    patch.open(&rig, &request.simulation)?;
    if rig.audio.as_ref() != Some(&patch.kept) {
        let kept = patch.kept.clone();
        rig = make(way, move |session| {
            let rig = Rig { audio: Some(kept), ..session.rig()? };
            session.set_rig(&rig, now)?;
            Ok(rig)
        })?;
    }
    Ok((rig, patch))
}

impl Sitting {
    /// Opens the session and the device; nothing sounds.
    ///
    /// # Errors
    /// No session, no DI, a load that must not be connected, a device that does not work.
    pub fn open(folder: &Path, request: RecordRequest, clock: &'static dyn Clock) -> Result<Self, Failure> {
        Self::open_by(Box::new(Directly::to(folder, clock)), request, clock)
    }

    /// The same where others have the session.
    ///
    /// # Errors
    /// As [`Sitting::open`].
    pub fn open_by(way: Box<dyn Way>, request: RecordRequest, clock: &'static dyn Clock) -> Result<Self, Failure> {
        let folder = way.folder();
        let alone = Session::recording_alone(folder)?;
        let (rig, patch) = prepare(&*way, &request, clock.now())?;
        let device = patch.open(&rig, &request.simulation)?;
        let left_over = super::left_over(folder);
        bring_di(&*way, &request, device.simulated().is_some(), clock)?;
        let (takes, known, di, rate) = look_back(folder, &patch)?;
        let layout = lay_out(&request, &patch, &di, rate)?;
        let mics: Vec<MicName> = patch.mics.iter().map(|(_, m)| m.clone()).collect();
        let order = runsheet_by(&*way, request.takes, 1, clock.now())?.order;
        let plan: Vec<PassDoc> = order.into_iter().filter(|p| !is_recorded(p, &mics, &takes)).collect();
        let recorder = Recorder::start(&*device, layout.clone())?;
        recorder.set_level(FIRST_DB);
        Ok(Self {
            way,
            _alone: alone,
            clock,
            stage: if plan.is_empty() { Stage::Done } else { Stage::Cautions },
            device: device.name(),
            simulated: device.simulated(),
            di_said: look_at_di(&di, rate),
            now: Vec::new(),
            holds: vec![0.0; mics.len()],
            request,
            rig,
            patch,
            recorder,
            layout,
            di,
            plan,
            at: 0,
            attempt: 1,
            di_at: 0,
            level_db: FIRST_DB,
            fixed: false,
            warmed: false,
            rewired: true,
            sounded: Vec::new(),
            known,
            last_sound: 0.0,
            passes: Vec::new(),
            round_trip: None,
            left_over,
            message: String::new(),
        })
    }
}

/// The session's takes, what earlier ones show, and the DI with its rate.
type Before = (Vec<Take>, Vec<Known>, Vec<f32>, SampleRate);

/// Looks back at what the session has.
fn look_back(folder: &Path, patch: &Patch) -> Result<Before, Failure> {
    let session = Session::open_read(folder)?;
    let takes = session.takes()?;
    let Some(di) = takes.iter().find(|t| t.setup.is_none()) else {
        return Err(Failure::plain("no-di", Fate::Refused, "the session has no DI to play", "take it in with --di FILE"));
    };
    let audio = recording::load(&session, di)?;
    let rate = audio.rate();
    if let Some(asked) = patch.kept.rate_hz.filter(|r| *r != rate) {
        let message = format!("the sheet's [audio] says {asked}, the DI has {rate}: one rate is needed");
        return Err(Failure::plain(
            "rate-differs",
            Fate::Unfit,
            message,
            "take rate_hz out of the sheet, or export the DI at that rate",
        ));
    }
    let known = remember(&session, &takes);
    Ok((takes, known, align::mono(audio.channels()), rate))
}
