//! Slots as WAV, or as FLAC of one size: every one of a test has the same length and header, and fresh dither every time, so that equal bytes
//! never give a key away.

use super::Desk;
use super::clerk::Floor;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, TestId, TrialId};
use crate::model::trial::Plan;
use crate::signal::dither;
use crate::sound::flac::{flac24_bytes, flac24_length};
use crate::sound::write::{wav24_head, wav24_samples};
use crate::store::Session;
use crate::store::random;
use crate::testing::sounding::{Treatment, noise, read_clips};
use crate::trial::Generator;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Frames that are dithered and handed out at a time.
const PIECE: usize = 8192;

/// A test's clips in memory, all of one length.
struct Loaded {
    places: BTreeMap<(ClipId, Treatment), Arc<Audio>>,
    noise: Option<Arc<Audio>>,
    /// Bytes of every slot as FLAC.
    flac: OnceLock<usize>,
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
        let noise = noise(&audio)?.map(Arc::new);
        let frames = audio.iter().map(Audio::frames).min().unwrap_or(0);
        for one in &mut audio {
            // Clips of one excerpt are equally long already; an anchor's filter may not change that either.
            let planes = one.channels().iter().map(|c| c[..frames].to_vec()).collect();
            *one = Audio::new(one.rate(), planes)
                .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "run match again, and plan anew"))?;
        }
        let audio: Vec<Arc<Audio>> = audio.into_iter().map(Arc::new).collect();
        let places = places.into_iter().filter_map(|(key, i)| Some((key, Arc::clone(audio.get(i)?)))).collect();
        let loaded = Arc::new(Loaded { places, noise, flac: OnceLock::new() });
        all.insert(plan.test.clone(), Arc::clone(&loaded));
        Ok(loaded)
    }
}

impl Loaded {
    fn sound(&self, slot: &Slot) -> Result<Arc<Audio>, Failure> {
        let found = match &slot.key {
            Some(key) => self.places.get(key),
            None => self.noise.as_ref(),
        };
        found.cloned().ok_or_else(gone)
    }

    /// The one size of all slots: that of the largest, and room for what fresh dither changes.
    fn flac_size(&self, generator: &mut Generator) -> usize {
        *self.flac.get_or_init(|| {
            let largest = self.places.values().map(|audio| flac24_length(&dithered(audio, generator))).max().unwrap_or(0);
            (largest + largest / 100 + 8192).next_multiple_of(4096)
        })
    }
}

/// The clips lie on the 24-bit grid already, so this adds noise of half a step and nothing else.
fn dithered(audio: &Audio, generator: &mut Generator) -> Audio {
    let mut audio = audio.clone();
    for channel in audio.channels_mut() {
        dither::to_24_bits(channel, generator);
    }
    audio
}

fn fresh() -> Result<Generator, Failure> {
    Ok(Generator::from_seed(random::seed()?))
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
    /// The trial and the label of the slot; none for the noise.
    #[must_use]
    pub fn of(&self) -> Option<(TrialId, String)> {
        self.of.clone()
    }
}

/// A slot as a 24-bit WAV, dithered piece by piece as it is taken: whoever takes it slowly holds one piece and no more.
pub struct Pieces {
    audio: Arc<Audio>,
    generator: Generator,
    head: Option<Vec<u8>>,
    length: u64,
    at: usize,
}

impl Pieces {
    /// Bytes in all.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.length
    }

    /// True when the last piece is out.
    #[must_use]
    pub fn over(&self) -> bool {
        self.head.is_none() && self.at >= self.audio.frames()
    }
}

impl Iterator for Pieces {
    type Item = Vec<u8>;

    fn next(&mut self) -> Option<Vec<u8>> {
        if self.over() {
            return None;
        }
        let to = self.audio.frames().min(self.at + PIECE);
        let mut planes: Vec<Vec<f32>> = self.audio.channels().iter().map(|c| c[self.at..to].to_vec()).collect();
        for plane in &mut planes {
            dither::to_24_bits(plane, &mut self.generator);
        }
        let mut out = self.head.take().unwrap_or_default();
        out.reserve((to - self.at) * planes.len() * 3);
        wav24_samples(&planes, &mut out);
        self.at = to;
        Some(out)
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

    /// The slot as WAV, in pieces: slow the first time, on any thread.
    ///
    /// # Errors
    /// A clip has changed since it was sealed, or cannot be read.
    pub fn pieces(&self, slot: &Slot) -> Result<Pieces, Failure> {
        let audio = self.sounds.of(&self.folder, &slot.plan)?.sound(slot)?;
        let head = wav24_head(audio.rate(), audio.channels().len(), audio.frames())?;
        let length = head.len() as u64 + audio.frames() as u64 * audio.channels().len() as u64 * 3;
        Ok(Pieces { audio, generator: fresh()?, head: Some(head), length, at: 0 })
    }

    /// The slot as FLAC, padded to the one size of all slots of its test: slow, on any thread.
    ///
    /// # Errors
    /// As [`Desk::pieces`]; the noise is not offered as FLAC.
    pub fn flac(&self, slot: &Slot) -> Result<Vec<u8>, Failure> {
        if slot.key.is_none() {
            return Err(gone());
        }
        let loaded = self.sounds.of(&self.folder, &slot.plan)?;
        let (audio, mut generator) = (loaded.sound(slot)?, fresh()?);
        let size = loaded.flac_size(&mut generator);
        flac24_bytes(&dithered(&audio, &mut generator), size).ok_or_else(|| {
            let message = "the sample came out larger than all others";
            Failure::plain("flac-size", Fate::Failed, message, "ask for it as WAV")
        })
    }
}
