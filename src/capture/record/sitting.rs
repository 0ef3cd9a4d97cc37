//! A sitting: the run sheet, step by step, as a machine with stages. A page shows its view and hands it what was pressed.

use super::doc::PassRecord;
use super::gate;
use super::inspect::{Judged, Known};
use super::patch::{Patch, PatchRequest, Simulation};
pub use super::press::Press;
use crate::capture::beside::{Way, make};
use crate::capture::mend;
use crate::capture::runsheet::PassDoc;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::outside::Clock;
use crate::model::rig::Rig;
use crate::model::session::MeterValue;
use crate::rig::ohmmeter;
use crate::sound::deck::{InputMeter, Phase};
use crate::sound::duplex::Coming;
use crate::sound::recorder::{Layout, Recorder, Void};
use crate::store::RecordersLock;
use std::path::PathBuf;

/// Silence in front of the DI and behind it, in seconds, unless said.
pub const SILENCE_S: f64 = 1.5;

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
    /// Wait after the first power-on; `None`: 120 s, for the simulated rig 3.
    pub warm_up_s: Option<f64>,
    /// Half a second of noise in front of the DI.
    pub burst: bool,
    /// Why a load is connected that should not be.
    pub load_reason: Option<String>,
    /// For a simulated device.
    pub simulation: Simulation,
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

/// The step of a key at the output's level.
pub(super) const STEP_DB: f64 = 3.0;
/// Wait after the first power-on: common practice, no source.
const WARM_UP_S: f64 = 120.0;
/// Wait after power-on in later passes, as a share of the first one.
const LATER: f64 = 0.25;
/// Seconds without sound after which the page reminds that the amplifier is on.
const LONG_PAUSE_S: f64 = 300.0;

/// A sitting at a session.
pub struct Sitting {
    pub(super) way: Box<dyn Way>,
    pub(super) clock: &'static dyn Clock,
    /// Nobody else records into the session meanwhile.
    pub(super) _alone: RecordersLock,
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
    pub(super) warmed: bool,
    pub(super) rewired: bool,
    /// Setups that sounded in this sitting.
    pub(super) sounded: Vec<SetupName>,
    pub(super) known: Vec<Known>,
    /// Peaks of the moment, and the largest since the level was touched.
    pub(super) now: Vec<InputMeter>,
    pub(super) holds: Vec<f32>,
    pub(super) last_sound: f64,
    pub(super) passes: Vec<PassRecord>,
    pub(super) round_trip: Option<f64>,
    pub(super) left_over: Vec<String>,
    pub(super) message: String,
}

impl Sitting {
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

    /// True while something may come out of the output.
    #[must_use]
    pub fn sounds(&self) -> bool {
        matches!(self.recorder.phase(), Phase::Loop | Phase::Lead | Phase::Armed | Phase::Rolling)
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
            (Stage::Level, Press::Escape) => self.recorder.stop(),
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

    /// Nobody is there any more who could stop what sounds: it is stopped, and said.
    ///
    /// # Errors
    /// As [`Sitting::press`].
    pub fn left_alone(&mut self) -> Result<(), Failure> {
        self.press(&Press::Escape)?;
        self.message = "Nobody was at the page any more: the sound was stopped.".to_owned();
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
        let now = self.clock.now();
        let doc = make(&*self.way, move |session| {
            let reading = ohmmeter::Reading { wiring: setup.as_str(), value, load_reason: None };
            ohmmeter::meter_in(session, &reading, now)
        })?;
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
        let whole = self.request.warm_up_s.unwrap_or(if self.simulated.is_some() { 3.0 } else { WARM_UP_S });
        let wait = whole * if self.warmed { LATER } else { 1.0 };
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
                super::note_event(&*self.way, super::GAINS_FIXED, "levels".to_owned(), body, self.clock.now())?;
                self.message = "Gains and level are fixed from here on: hands off.".to_owned();
                self.stage = Stage::Ready;
            }
            Press::Key('p') => self.recorder.loop_di(!sounds),
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
        self.now = self.recorder.meters();
        for (hold, meter) in self.holds.iter_mut().zip(&self.now) {
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
        let ids: Vec<TakeId> = takes.iter().map(|id| TakeId::new(id)).collect::<Result<_, _>>()?;
        let (reason, now) = (reason.to_owned(), self.clock.now());
        self.way
            .change(Box::new(move |session| ids.iter().try_for_each(|id| mend::withdraw_in(session, id, &reason, now).map(drop))))
    }
}
