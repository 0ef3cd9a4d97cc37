//! Slots as WAV: every one of a test has the same length and header, and fresh dither every time, so that equal bytes never give a key away.

use super::Desk;
use super::clerk::Floor;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, TestId, TrialId};
use crate::model::trial::Plan;
use crate::signal::dither;
use crate::sound::write::wav24_bytes;
use crate::store::Session;
use crate::store::random;
use crate::testing::sounding::{Treatment, noise, read_clips};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

/// A test's clips in memory, all of one length.
struct Loaded {
    places: BTreeMap<(ClipId, Treatment), Audio>,
    noise: Option<Audio>,
}

/// Clips of the tests that are being heard.
#[derive(Default)]
pub(super) struct Sounds(Mutex<BTreeMap<TestId, Arc<Loaded>>>);

impl Sounds {
    fn of(&self, folder: &Path, plan: &Plan) -> Result<Arc<Loaded>, Failure> {
        // The lock is held while clips are read: two hundred phones at once would read them two hundred times.
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(loaded) = all.get(&plan.test) {
            return Ok(Arc::clone(loaded));
        }
        let (mut audio, places) = read_clips(&Session::open_read(folder)?, plan)?;
        let noise = noise(&audio)?;
        let frames = audio.iter().map(Audio::frames).min().unwrap_or(0);
        for one in &mut audio {
            // Clips of one excerpt are equally long already; an anchor's filter may not change that either.
            let planes = one.channels().iter().map(|c| c[..frames].to_vec()).collect();
            *one = Audio::new(one.rate(), planes)
                .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "run match again, and plan anew"))?;
        }
        let places = places.into_iter().filter_map(|(key, i)| Some((key, audio.get(i)?.clone()))).collect();
        let loaded = Arc::new(Loaded { places, noise });
        all.insert(plan.test.clone(), Arc::clone(&loaded));
        Ok(loaded)
    }
}

/// 24-bit WAV with fresh dither: the clips lie on the 24-bit grid already, so this adds noise of half a step and nothing else.
fn wav(audio: &Audio) -> Result<Vec<u8>, Failure> {
    let mut audio = audio.clone();
    let mut generator = crate::trial::Generator::from_seed(random::seed()?);
    for channel in audio.channels_mut() {
        dither::to_24_bits(channel, &mut generator);
    }
    Ok(wav24_bytes(&audio)?)
}

fn gone() -> Failure {
    Failure::plain("no-slot", Fate::Unfit, "there is no such slot of an open trial", "reload the page")
}

/// A slot on its way to a listener. It has no `Debug`: it knows which clip it is.
pub struct Slot {
    plan: Arc<Plan>,
    key: Option<(ClipId, Treatment)>,
    /// The trial and the label, to be told when it has been fetched; the noise has none.
    of: Option<(TrialId, String)>,
}

impl Slot {
    /// A clip that is heard openly: it belongs to no trial.
    pub(super) fn open(plan: Arc<Plan>, key: (ClipId, Treatment)) -> Self {
        Self { plan, key: Some(key), of: None }
    }

    /// The trial and the label of the slot; none for the noise.
    #[must_use]
    pub fn of(&self) -> Option<(TrialId, String)> {
        self.of.clone()
    }
}

fn slot(floor: &mut Floor, code: &str, trial: &str, label: &str) -> Result<Slot, Failure> {
    let (playable, who) = floor.invited(code)?;
    let id = TrialId::new(trial).map_err(|_| gone())?;
    let key = floor.look(|trials| {
        let own = trials.current(&playable.plan.test, &who).is_some_and(|open| open.id == id);
        Ok(trials.sound_for_the_player(&id, label).filter(|_| own))
    })?;
    match key {
        Some(key) => Ok(Slot { plan: playable.plan, key: Some(key), of: Some((id, label.to_owned())) }),
        None => Err(gone()),
    }
}

impl Desk {
    /// Which slot to play: quick, on the clerk's thread.
    pub fn slot(&self, code: String, trial: String, label: String, done: super::Done<Slot>) {
        self.ask(move |floor| slot(floor, &code, &trial, &label), done);
    }

    /// Which noise to set the level by.
    pub fn noise_of(&self, code: String, done: super::Done<Slot>) {
        self.ask(move |floor| floor.invited(&code).map(|(playable, _)| Slot { plan: playable.plan, key: None, of: None }), done);
    }

    /// Reads the clips of the test that a slot belongs to, if they are not in memory yet: slow, on any thread.
    ///
    /// # Errors
    /// A clip has changed since it was sealed, or cannot be read.
    pub fn load(&self, slot: &Slot) -> Result<(), Failure> {
        self.sounds.of(&self.folder, &slot.plan).map(|_| ())
    }

    /// The slot as a file: slow, on any thread.
    ///
    /// # Errors
    /// A clip has changed since it was sealed, or cannot be read.
    pub fn render(&self, slot: &Slot) -> Result<Vec<u8>, Failure> {
        let loaded = self.sounds.of(&self.folder, &slot.plan)?;
        let audio = match &slot.key {
            Some(key) => loaded.places.get(key),
            None => loaded.noise.as_ref(),
        };
        wav(audio.ok_or_else(gone)?)
    }
}
