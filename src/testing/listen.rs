//! Listening: the trials service joined with the player. It gives the terminal page and the like a handle, and the player its fade table and
//! finished clips.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ListenerCode, TestId};
use crate::model::outside::Clock;
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Design, Plan, SlotHeard};
use crate::sound::device::Trouble;
use crate::sound::player::Player;
use crate::store::random;
use crate::testing::receipt::Receipt;
use crate::testing::seat::HEARD_MS;
use crate::testing::sounding::{Places, is_silent, open_device, start};
use crate::testing::trials::{Closing, OpenTrial, Standing, Trials};
use crate::trial::{Generator, methods};
use std::collections::BTreeMap;
use std::path::Path;

/// After so many trials in a row a break is advised.
pub const BREAK_AFTER: u32 = 12;

/// What a listener has heard of one slot.
#[derive(Debug, Clone, Default)]
struct Heard {
    times: u32,
    frames: u64,
}

/// The open trial with what was heard of it.
struct Current {
    open: OpenTrial,
    heard: Vec<Heard>,
    /// Which slot each request of the player was for.
    requests: BTreeMap<u64, usize>,
}

/// A listener at this computer.
pub struct Listening<'a> {
    pub(super) trials: Trials<'a>,
    pub(super) plan: Plan,
    pub(super) listener: ListenerCode,
    pub(super) player: Player,
    pub(super) places: Places,
    noise: Option<usize>,
    current: Option<Current>,
    in_a_row: u32,
    /// Where a chosen part of the loop begins.
    pub(super) part_from: Option<u32>,
    /// The part that is looped; none for the whole.
    pub(super) part: Option<(u32, u32)>,
    /// Frames of the whole, at the player's rate.
    pub(super) frames: u32,
    pub(super) training: bool,
    /// What was asked for last in training.
    pub(super) trained: Option<usize>,
    pub(super) training_clips: Vec<ClipId>,
    device: Option<String>,
    receipts: Vec<Receipt>,
}

/// Frames of the plan's clips at the player's rate.
fn length(trials: &Trials<'_>, plan: &Plan, player: &Player) -> Result<u32, Failure> {
    let clips = trials.session().clips()?;
    let seconds =
        plan.clips.first().and_then(|p| clips.iter().find(|c| c.id == p.clip)).map_or(0.0, |c| c.frames as f64 / c.rate.as_f64());
    Ok((seconds * f64::from(player.rate().hz())).round() as u32)
}

/// Most samples of a training in the crossed design: each has a key of its own.
const TRAINING: usize = 9;

/// One clip of every setup; in the crossed design some of all takes in a drawn order.
pub(crate) fn training_clips(plan: &Plan) -> Result<Vec<ClipId>, Failure> {
    if plan.design == Design::Crossed {
        let mut all: Vec<ClipId> = plan.clips.iter().map(|c| c.clip.clone()).collect();
        RandomWords::shuffle(&mut Generator::from_seed(random::seed()?), &mut all);
        all.truncate(TRAINING);
        return Ok(all);
    }
    let of = |setup| plan.clips.iter().find(|c| &c.setup == setup).map(|c| c.clip.clone());
    Ok(plan.setups.iter().filter_map(of).collect())
}

impl<'a> Listening<'a> {
    /// Opens a session for a listener; all clips are loaded and the device runs when this returns.
    ///
    /// # Errors
    /// No open test, a listener too many, a clip that changed, no device.
    pub fn open(
        folder: &Path,
        listener: &ListenerCode,
        test: Option<&TestId>,
        device: Option<&str>,
        clock: &'a dyn Clock,
    ) -> Result<Self, Failure> {
        let silent = is_silent(device);
        let trials = Trials::open(folder, clock)?;
        let mut trials = if silent { trials.without_sound() } else { trials };
        let plan = trials.choose(test)?;
        // The device is looked for before anything is written.
        let named = device.map(str::to_owned);
        let device = open_device(device)?;
        let (player, places, noise) = start(&*device, trials.session(), &plan)?;
        let frames = length(&trials, &plan, &player)?;
        trials.enter(&plan, listener, false)?;
        let standing = trials.standing(&plan, listener)?;
        if standing.through() {
            let message = if standing.closed {
                format!("{} is closed", plan.test)
            } else {
                format!("{listener} has answered all trials of {}", plan.test)
            };
            return Err(Failure::plain("listener-through", Fate::Refused, message, "read the verdict with: cabjury score"));
        }
        let training_clips = training_clips(&plan)?;
        trials.log("listen", listener.as_str(), &serde_json::json!({ "test": plan.test, "player": player.describe() }))?;
        Ok(Self {
            trials,
            plan,
            listener: listener.clone(),
            player,
            places,
            noise,
            current: None,
            in_a_row: 0,
            part_from: None,
            part: None,
            frames,
            training: false,
            trained: None,
            training_clips,
            device: named,
            receipts: Vec::new(),
        })
    }

    /// The method's question.
    #[must_use]
    pub fn question(&self) -> String {
        methods::question(&self.plan)
    }

    /// Instructions, one sentence each.
    #[must_use]
    pub fn instructions(&self) -> &'static [&'static str] {
        methods::instructions_of(&self.plan)
    }

    /// Nothing sounds: what is answered here is practice.
    #[must_use]
    pub fn is_practice(&self) -> bool {
        is_silent(self.device.as_deref())
    }

    /// The test that is listened to.
    #[must_use]
    pub fn test(&self) -> &TestId {
        &self.plan.test
    }

    /// Receipts of the answers given here, in their order.
    #[must_use]
    pub fn receipts(&self) -> &[Receipt] {
        &self.receipts
    }

    /// The same with what closes a test that is through.
    #[must_use]
    pub fn closing_by(mut self, closing: Closing) -> Self {
        self.trials = self.trials.closing_by(closing);
        self
    }

    /// True when the answer is a rating of every sample instead of one choice.
    #[must_use]
    pub fn rates(&self) -> bool {
        self.plan.method == crate::model::trial::Method::Graded
    }

    /// How far the listener is.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn standing(&self) -> Result<Standing, Failure> {
        self.trials.standing(&self.plan, &self.listener)
    }

    /// Device, rate, and whether the clips were resampled.
    #[must_use]
    pub fn describe(&self) -> String {
        self.player.describe()
    }

    /// A trial that an ended program left open was found, and is void now.
    #[must_use]
    pub fn healed(&self) -> usize {
        self.trials.session().healed().len()
    }

    /// Plays pink noise as loud as the clips, to set the level by; false stops it.
    pub fn level_noise(&self, on: bool) {
        self.player.ask(self.noise.filter(|_| on));
    }

    /// The listener has set the level; from now on it is fixed.
    ///
    /// # Errors
    /// The log cannot be written.
    pub fn level_is_set(&mut self) -> Result<(), Failure> {
        self.player.ask(None);
        self.trials.log("level-set", self.listener.as_str(), &serde_json::json!({ "test": self.plan.test }))
    }

    /// True when a confidence and a remark are asked for after each pick.
    #[must_use]
    pub fn asks_confidence(&self) -> bool {
        self.plan.ask_confidence
    }

    /// Where the loop stands, in seconds: the place, the part that is looped (its end open while it is being chosen), the whole's length. The
    /// same for every slot: all clips of a test are one passage, and a switch keeps the place.
    #[must_use]
    pub fn stands_at(&self) -> (f64, Option<(f64, Option<f64>)>, f64) {
        let seconds = |frames: f64| frames / f64::from(self.player.rate().hz());
        let part = match (self.part, self.part_from) {
            (Some((from, to)), _) => Some((seconds(f64::from(from)), Some(seconds(f64::from(to))))),
            (None, Some(from)) => Some((seconds(f64::from(from)), None)),
            (None, None) => None,
        };
        (seconds(self.player.position() as f64), part, seconds(f64::from(self.frames)))
    }

    /// A break is advised: many trials in a row.
    #[must_use]
    pub fn break_advised(&self) -> bool {
        self.in_a_row > 0 && self.in_a_row.is_multiple_of(BREAK_AFTER)
    }

    /// The open trial.
    #[must_use]
    pub fn trial(&self) -> Option<&OpenTrial> {
        self.current.as_ref().map(|c| &c.open)
    }

    /// Opens the next trial. Its commitment is on disk when this returns, before the first sound.
    ///
    /// # Errors
    /// The listener is through, or the store cannot be written.
    pub fn open_next(&mut self) -> Result<(), Failure> {
        self.player.ask(None);
        self.player.ended();
        self.training = false;
        // A part that was chosen for one trial says nothing about the next.
        self.part_is_whole();
        let open = self.trials.next(&self.plan, &self.listener, &self.player.describe())?;
        let heard = vec![Heard::default(); open.labels.len()];
        self.current = Some(Current { open, heard, requests: BTreeMap::new() });
        Ok(())
    }

    /// Plays a slot by its place; every switch is the same, also to itself.
    pub fn play(&mut self, slot: usize) {
        self.collect();
        let Some(current) = &mut self.current else { return };
        let Some(label) = current.open.labels.get(slot) else { return };
        let place = self.trials.sound_for_the_player(&current.open.id, label).and_then(|key| self.places.get(&key).copied());
        let request = self.player.ask(place);
        // The clips are in this program's memory, whole.
        self.trials.fetched(&current.open.id, label);
        current.requests.insert(request, slot);
        current.heard[slot].times += 1;
    }

    /// Silence.
    pub fn pause(&mut self) {
        self.collect();
        self.player.ask(None);
    }

    fn collect(&mut self) {
        let ended = self.player.ended();
        let Some(current) = &mut self.current else { return };
        for (request, frames) in ended {
            if let Some(slot) = current.requests.remove(&request) {
                current.heard[slot].frames += frames;
            }
        }
    }

    fn ms(&self, frames: u64) -> u64 {
        frames * 1000 / u64::from(self.player.rate().hz())
    }

    /// For how long each slot has sounded, in milliseconds, the one that sounds now included.
    #[must_use]
    pub fn heard_ms(&mut self) -> Vec<u64> {
        self.collect();
        let now = self.player.now();
        let Some(current) = &self.current else { return Vec::new() };
        let sounding = now.and_then(|(request, frames)| current.requests.get(&request).map(|slot| (*slot, frames)));
        current
            .heard
            .iter()
            .enumerate()
            .map(|(i, h)| self.ms(h.frames + sounding.filter(|s| s.0 == i).map_or(0, |s| s.1)))
            .collect()
    }

    /// Labels of slots that have not sounded yet: no answer is taken before all have.
    #[must_use]
    pub fn unheard(&mut self) -> Vec<String> {
        let heard = self.heard_ms();
        let Some(current) = &self.current else { return Vec::new() };
        current.open.labels.iter().zip(heard).filter(|(_, ms)| *ms < HEARD_MS).map(|(l, _)| l.clone()).collect()
    }

    /// Takes the pick; it is on disk when this returns. Whether every slot was heard is for the seat to say.
    ///
    /// # Errors
    /// A slot has not sounded yet, it is no choice, or the store cannot be written.
    pub fn pick(&mut self, answer: &Answer) -> Result<(), Failure> {
        let ms = self.heard_ms();
        let Some(current) = &self.current else { return Ok(()) };
        let heard = current
            .open
            .labels
            .iter()
            .zip(&current.heard)
            .zip(ms)
            .map(|((label, h), ms)| SlotHeard { label: label.clone(), times: h.times, ms })
            .collect();
        let id = current.open.id.clone();
        let receipt = self.trials.pick(&self.plan, &id, answer, heard)?;
        self.receipts.push(receipt);
        self.player.ask(None);
        self.current = None;
        self.in_a_row += 1;
        Ok(())
    }

    /// Looks at the device: with trouble in a trial, sound stops and the trial is void, to be drawn anew. Returns what to tell the listener.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn look_after_device(&mut self) -> Result<Option<String>, Failure> {
        let Some(trouble) = self.player.trouble() else { return Ok(None) };
        let reason = match trouble {
            Trouble::Lost => "the sound device was lost".to_owned(),
            Trouble::UnderRuns(n) => format!("the sound had {n} gaps (under-runs)"),
        };
        self.void(&reason)?;
        Ok(Some(format!("{reason}; the trial is void and will be drawn anew")))
    }

    /// Opens the device again after it was lost. The level has to be set anew: it may be another device under the same name.
    ///
    /// # Errors
    /// The device is still away, or a clip changed meanwhile.
    pub fn reconnect(&mut self) -> Result<(), Failure> {
        self.void("the sound device was opened again")?;
        let device = open_device(self.device.as_deref())?;
        (self.player, self.places, self.noise) = start(&*device, self.trials.session(), &self.plan)?;
        let body = serde_json::json!({ "test": self.plan.test, "player": self.player.describe() });
        self.trials.log("listen", self.listener.as_str(), &body)
    }

    fn void(&mut self, reason: &str) -> Result<(), Failure> {
        self.player.ask(None);
        if let Some(current) = self.current.take() {
            self.trials.void(&current.open.id, reason)?;
        }
        Ok(())
    }

    /// Leaves: an open trial is void and drawn anew when the listener comes back.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn leave(mut self) -> Result<(), Failure> {
        self.void("the listener left")
    }
}
