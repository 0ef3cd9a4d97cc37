//! A sitting: the run sheet, step by step, as a machine with stages. A page shows its view and hands it what was pressed.

use super::doc::PassRecord;
use super::gate;
use super::inspect::{Judged, Known, noise};
use super::patch::{Patch, PatchRequest, Simulation, patch};
use super::stage::invented_di;
use crate::capture::mend;
use crate::capture::runsheet::{PassDoc, runsheet};
use crate::capture::take as intake;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::outside::{Clock, Unwatched};
use crate::model::rig::Rig;
use crate::model::session::{MeterValue, Take};
use crate::rig::ohmmeter;
use crate::signal::{align, meter, test_sounds};
use crate::sound::deck::{Material, Phase, Timing};
use crate::sound::device::DeviceError;
use crate::sound::duplex::Coming;
use crate::sound::recorder::{Layout, Recorder, Void};
use crate::sound::write_wav24;
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What was asked for.
#[derive(Debug, Clone)]
pub struct RecordRequest {
    /// How the interface is connected.
    pub patch: PatchRequest,
    /// Takes of every setup.
    pub takes: Option<u32>,
    /// The DI, if the session has none yet.
    pub di: Option<PathBuf>,
    /// Silence in front of the DI.
    pub count_in_s: f64,
    /// Silence behind it.
    pub tail_s: f64,
    /// Wait after the first power-on.
    pub warm_up_s: f64,
    /// Half a second of noise in front of the DI.
    pub burst: bool,
    /// Why a load is connected that should not be.
    pub load_reason: Option<String>,
    /// For a simulated device.
    pub simulation: Simulation,
}

/// What was pressed or typed.
#[derive(Debug, Clone, PartialEq)]
pub enum Press {
    /// Go on.
    Enter,
    /// Stop, or back.
    Escape,
    /// A letter.
    Key(char),
    /// An ohmmeter reading.
    Reading(MeterValue),
}

/// Where the sitting is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Stage {
    Cautions,
    /// The rig is to be changed.
    Change,
    /// A reading is asked for; the lines say why the last one would not do.
    Reading(Vec<String>),
    /// The amplifier is to be switched on; once it is, until this second of the device's count.
    Power(Option<f64>),
    /// Levels are set.
    Level,
    Ready,
    Rolling,
    /// A pass was looked at.
    Judged(Box<Judged>, Vec<PathBuf>),
    /// A pass does not count.
    Broken(Void),
    Done,
}

/// The output level at which a sitting begins, and the step of a key.
const FIRST_DB: f64 = -30.0;
pub(super) const STEP_DB: f64 = 3.0;
/// Wait after power-on in later passes, as a share of the first one.
const LATER: f64 = 0.25;
/// Seconds without sound after which the page reminds that the amplifier is on.
const LONG_PAUSE_S: f64 = 300.0;

/// A sitting at a session.
pub struct Sitting<'a> {
    pub(super) folder: PathBuf,
    pub(super) clock: &'a dyn Clock,
    pub(super) request: RecordRequest,
    pub(super) rig: Rig,
    pub(super) patch: Patch,
    pub(super) recorder: Recorder,
    pub(super) layout: Layout,
    pub(super) device: String,
    pub(super) simulated: Option<String>,
    pub(super) di: Vec<f32>,
    pub(super) di_said: String,
    pub(super) plan: Vec<PassDoc>,
    /// The pass that is at hand, in `plan`.
    pub(super) at: usize,
    pub(super) attempt: u32,
    /// Frame of the pass that is being decided about at which the DI was handed to the device.
    pub(super) di_at: i64,
    pub(super) stage: Stage,
    pub(super) level_db: f64,
    pub(super) fixed: bool,
    /// The amplifier was switched on in this sitting, so much before.
    warmed: bool,
    pub(super) rewired: bool,
    /// Setups that sounded in this sitting.
    pub(super) sounded: Vec<SetupName>,
    pub(super) known: Vec<Known>,
    pub(super) holds: Vec<f32>,
    pub(super) last_sound: f64,
    pub(super) passes: Vec<PassRecord>,
    pub(super) round_trip: Option<f64>,
    pub(super) left_over: Vec<String>,
    pub(super) message: String,
}

/// Brings the DI in, where none is there yet: the one that was named, or an invented one for the simulated rig.
fn bring_di(folder: &Path, request: &RecordRequest, simulated: bool, clock: &dyn Clock) -> Result<(), Failure> {
    let has = Session::open_read(folder)?.takes()?.iter().any(|t| t.setup.is_none());
    let take = |file: PathBuf, notes: BTreeMap<String, String>| {
        let wanted = intake::Request { files: vec![file], di: true, notes, ..intake::Request::default() };
        intake::take(folder, &wanted, clock, &Unwatched)
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
            format!("take it in with: cabjury take {} FILE --di", folder.display()),
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

/// True when every mic of a pass is there.
fn is_recorded(pass: &PassDoc, mics: &[MicName], takes: &[Take]) -> bool {
    mics.iter().all(|mic| {
        let here = |t: &&Take| t.pass == pass.pass && t.mic == *mic && t.withdrawn.is_none();
        takes.iter().filter(here).any(|t| t.setup.as_ref().is_some_and(|s| s.as_str() == pass.setup))
    })
}

/// What earlier takes show, to compare with.
fn remember(session: &Session, takes: &[Take]) -> Vec<Known> {
    let used: Vec<(PathBuf, &Take)> =
        takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).map(|t| (session.absolute(&t.path), t)).collect();
    used.par_iter()
        .filter_map(|(path, take)| {
            let audio = intake::load_from(path, take).ok()?;
            let rest = take.notes.get(super::REST_NOTE).and_then(|n| n.parse().ok());
            Some(Known {
                setup: take.setup.clone()?,
                mic: take.mic.clone(),
                level: meter::measure(&audio).integrated.map(|l| l.value()),
                noise: rest.and_then(|r| noise(&audio.channels()[0], r, audio.rate().as_f64())),
                burst: None,
            })
        })
        .collect()
}

impl<'a> Sitting<'a> {
    /// Opens the session and the device; nothing sounds.
    ///
    /// # Errors
    /// No session, no DI, a load that must not be connected, a device that does not work.
    pub fn open(folder: &Path, request: RecordRequest, clock: &'a dyn Clock) -> Result<Self, Failure> {
        let plan = runsheet(folder, request.takes, 1, clock)?.order;
        let mut session = Session::open_write(folder, clock.now())?;
        let mut rig = session.rig()?;
        let patch = patch(&rig, &request.patch)?;
        let device = patch.open(&rig, &request.simulation)?;
        let setups: Vec<SetupName> = rig.setups.iter().map(|s| s.name.clone()).collect();
        gate::loads(&mut session, &setups, request.load_reason.as_deref(), clock.now())?;
        let left_over = super::left_over(folder);
        if rig.audio.as_ref() != Some(&patch.kept) {
            rig.audio = Some(patch.kept.clone());
            session.set_rig(&rig, clock.now())?;
        }
        drop(session);
        bring_di(folder, &request, device.simulated().is_some(), clock)?;
        let session = Session::open_read(folder)?;
        let takes = session.takes()?;
        let Some(di) = takes.iter().find(|t| t.setup.is_none()) else {
            return Err(Failure::plain("no-di", Fate::Refused, "the session has no DI to play", "take it in with --di FILE"));
        };
        let audio = intake::load(&session, di)?;
        let rate = audio.rate();
        if let Some(asked) = patch.kept.rate_hz.filter(|r| *r != rate) {
            return Err(Failure::from(DeviceError::Rate {
                device: format!("the sheet's {asked}, and the DI"),
                rate: asked,
                offered: vec![rate],
            }));
        }
        let di = align::mono(audio.channels());
        let layout = lay_out(&request, &patch, &di, rate)?;
        let recorder = Recorder::start(&*device, layout.clone())?;
        let mics: Vec<MicName> = patch.mics.iter().map(|(_, m)| m.clone()).collect();
        let plan: Vec<PassDoc> = plan.into_iter().filter(|p| !is_recorded(p, &mics, &takes)).collect();
        let known = remember(&session, &takes);
        recorder.set_level(FIRST_DB);
        Ok(Self {
            folder: folder.to_owned(),
            clock,
            stage: if plan.is_empty() { Stage::Done } else { Stage::Cautions },
            device: device.name(),
            simulated: device.simulated(),
            di_said: look_at_di(&di, rate),
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

    /// The mics, in the order of their inputs.
    pub(super) fn mics(&self) -> Vec<MicName> {
        self.patch.mics.iter().map(|(_, m)| m.clone()).collect()
    }

    /// The pass at hand.
    pub(super) fn pass(&self) -> Option<&PassDoc> {
        self.plan.get(self.at)
    }

    pub(super) fn setup(&self) -> Option<SetupName> {
        self.pass().and_then(|p| SetupName::new(&p.setup).ok())
    }

    /// True when nothing is left to record.
    #[must_use]
    pub fn through(&self) -> bool {
        self.stage == Stage::Done
    }

    /// True while the time goes by itself: a pass is recorded, the amplifier warms up.
    #[must_use]
    pub fn runs(&self) -> bool {
        matches!(self.stage, Stage::Rolling | Stage::Power(Some(_)))
    }

    /// Seconds of the device's own time since the sitting began.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.recorder.seconds()
    }

    /// True when a line is typed, not a key pressed.
    #[must_use]
    pub fn asks_reading(&self) -> bool {
        matches!(self.stage, Stage::Reading(_))
    }

    /// What the last step had to say; said once.
    pub fn said(&mut self) -> Option<String> {
        Some(std::mem::take(&mut self.message)).filter(|m| !m.is_empty())
    }

    /// Handles what was pressed.
    ///
    /// # Errors
    /// The session cannot be written.
    pub fn press(&mut self, press: &Press) -> Result<(), Failure> {
        match (&self.stage, press) {
            (Stage::Cautions, Press::Enter) => self.next_pass(),
            (Stage::Change, Press::Enter) => self.changed(),
            (Stage::Reading(_), Press::Reading(value)) => return self.read(*value),
            (Stage::Power(None), Press::Enter) => self.powered(),
            (Stage::Power(Some(until)), Press::Key('+')) => self.stage = Stage::Power(Some(until + 30.0)),
            (Stage::Level, _) => return self.level_key(press),
            (Stage::Ready, Press::Enter) => return self.roll(),
            (Stage::Ready, Press::Key('g')) => self.stage = Stage::Level,
            (Stage::Ready | Stage::Change | Stage::Done, Press::Key('b')) => return self.again(),
            (Stage::Rolling, Press::Escape) => self.recorder.stop(),
            (Stage::Judged(..), _) => return self.decide(press),
            (Stage::Broken(void), Press::Enter) => {
                let lost = *void == Void::Lost;
                if !lost || self.reconnect() {
                    self.stage = Stage::Ready;
                }
            }
            _ => {}
        }
        Ok(())
    }

    /// Goes on to what the run sheet has next.
    pub(super) fn next_pass(&mut self) {
        let Some(pass) = self.pass() else {
            self.stage = Stage::Done;
            return;
        };
        // At the beginning of a sitting nobody knows how it was left.
        let first = self.passes.is_empty() && self.attempt == 1;
        self.rewired = first || !pass.change.is_empty();
        self.stage = if self.rewired { Stage::Change } else { Stage::Ready };
    }

    fn changed(&mut self) {
        let metered = self.setup().is_some_and(|s| gate::is_metered(&self.rig, &s));
        self.stage = if metered { Stage::Reading(Vec::new()) } else { Stage::Power(None) };
    }

    fn read(&mut self, value: MeterValue) -> Result<(), Failure> {
        let Some(setup) = self.setup() else { return Ok(()) };
        let reading = ohmmeter::Reading { wiring: setup.as_str(), value, load_reason: None };
        let doc = ohmmeter::meter(&self.folder, &reading, self.clock)?;
        if doc.as_intended {
            self.message = format!("{} reads as intended.", doc.wiring);
            self.stage = Stage::Power(None);
            return Ok(());
        }
        let mut why = vec!["It does NOT read as intended: leave the amplifier off.".to_owned()];
        why.extend(doc.suspects.iter().take(3).map(|s| format!("Would fit: {} ({}).", s.what, s.expected_ohm)));
        why.push(doc.next_step);
        self.stage = Stage::Reading(why);
        Ok(())
    }

    fn powered(&mut self) {
        let wait = self.request.warm_up_s * if self.warmed { LATER } else { 1.0 };
        self.warmed = true;
        self.last_sound = self.recorder.seconds();
        self.stage = Stage::Power(Some(self.recorder.seconds() + wait));
    }

    fn level_key(&mut self, press: &Press) -> Result<(), Failure> {
        let sounds = self.recorder.phase() == Phase::Loop;
        match press {
            Press::Enter if !sounds => {
                self.recorder.announce(&self.coming(0));
                self.recorder.loop_di(true);
            }
            Press::Enter => {
                self.recorder.loop_di(false);
                self.fixed = true;
                let body = serde_json::json!({ "output_db": self.level_db, "device": self.device });
                super::note_event(&self.folder, super::GAINS_FIXED, "levels", &body, self.clock)?;
                self.message = "Gains and level are fixed from here on: hands off.".to_owned();
                self.stage = Stage::Ready;
            }
            Press::Escape | Press::Key('p') => self.recorder.loop_di(!sounds),
            Press::Key(c @ ('+' | '-')) => {
                let step = if *c == '+' { STEP_DB } else { -STEP_DB };
                self.level_db = (self.level_db + step).clamp(-60.0, 0.0);
                self.recorder.set_level(self.level_db);
                self.holds.fill(0.0);
            }
            _ => {}
        }
        Ok(())
    }

    pub(super) fn coming(&self, attempt: u32) -> Coming {
        let (pass, setup) = self.pass().map_or((0, String::new()), |p| (p.pass, p.setup.clone()));
        Coming { pass, attempt, setup }
    }

    /// Looks after device and pass; to be called often.
    ///
    /// # Errors
    /// The session cannot be written.
    pub fn tick(&mut self) -> Result<(), Failure> {
        let over = self.recorder.tick();
        if matches!(self.recorder.phase(), Phase::Loop | Phase::Lead | Phase::Rolling) {
            self.last_sound = self.recorder.seconds();
        }
        for (hold, meter) in self.holds.iter_mut().zip(self.recorder.meters()) {
            *hold = hold.max(meter.peak);
        }
        if let Stage::Power(Some(until)) = self.stage
            && self.recorder.seconds() >= until
        {
            self.stage = if self.fixed { Stage::Ready } else { Stage::Level };
        }
        if let (Stage::Rolling, Some(over)) = (&self.stage, over) {
            return match over {
                Ok(passed) => self.passed(&passed),
                Err(void) => self.broken(void),
            };
        }
        if self.recorder.lost() && matches!(self.stage, Stage::Power(_) | Stage::Level | Stage::Ready) {
            self.stage = Stage::Broken(Void::Lost);
        }
        Ok(())
    }

    /// A line that reminds of the amplifier after a long pause.
    pub(super) fn reminder(&self) -> Option<&'static str> {
        let on = self.warmed && !matches!(self.stage, Stage::Rolling | Stage::Done | Stage::Change | Stage::Reading(_));
        let long = self.recorder.seconds() - self.last_sound > LONG_PAUSE_S;
        (on && long).then_some("A long pause: the amplifier is still on.")
    }

    /// Opens the device again; false, with a message, when it is not there.
    fn reconnect(&mut self) -> bool {
        let opened = self.patch.open(&self.rig, &self.request.simulation).and_then(|device| {
            let recorder = Recorder::start(&*device, self.layout.clone())?;
            recorder.set_level(self.level_db);
            Ok(recorder)
        });
        match opened {
            Ok(recorder) => {
                self.recorder = recorder;
                true
            }
            Err(error) => {
                self.message = format!("{error}: {}.", error.explain().next());
                false
            }
        }
    }

    /// Withdraws takes of a pass that is played again.
    pub(super) fn withdraw(&self, takes: &[String], reason: &str) -> Result<(), Failure> {
        takes.iter().try_for_each(|id| mend::withdraw(&self.folder, &TakeId::new(id)?, reason, self.clock).map(drop))
    }
}

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
            "leave the options out for 1.5 s each",
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
