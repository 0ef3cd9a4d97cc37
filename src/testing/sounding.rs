//! What sounds and through what: output devices, a plan's clips in memory, the noise for setting the level.

use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::ClipId;
use crate::model::trial::{Method, Plan};
use crate::signal::{fades, meter, test_sounds};
use crate::sound::device::{self, Card, OutputDevice, Pace, Silent};
use crate::sound::player::Player;
use crate::sound::read_all;
use crate::store::Session;
use crate::store::random;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;

/// The document of `devices`.
#[derive(Debug, Clone, Serialize)]
pub struct DevicesDoc {
    /// Names of outputs, the default first.
    pub devices: Vec<String>,
    /// Names of inputs, the default first.
    pub inputs: Vec<String>,
}

/// Output and input devices of this machine, and those that are always there.
#[must_use]
pub fn devices() -> DevicesDoc {
    let (mut devices, mut inputs) = (device::names(), device::input_names());
    devices.push("silent".to_owned());
    inputs.push("simulated".to_owned());
    DevicesDoc { devices, inputs }
}

/// True for the devices from which nothing sounds.
pub(crate) fn is_silent(name: Option<&str>) -> bool {
    matches!(name, Some("silent" | "silent-fastest"))
}

/// Opens the device of that name.
pub(crate) fn open_device(name: Option<&str>) -> Result<Box<dyn OutputDevice>, Failure> {
    Ok(match name {
        Some("silent") => Box::new(Silent(Pace::RealTime)),
        // For tests and the demo: no name that a person would type by chance.
        Some("silent-fastest") => Box::new(Silent(Pace::Fastest)),
        name => Box::new(Card::open(name)?),
    })
}

/// What is done to a clip before it sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Treatment {
    /// Nothing.
    Plain,
    /// Low-passed into an anchor.
    Anchor,
    /// Raised by the plan's known difference.
    Raised,
}

/// Place of each clip in the player, by what is done to it.
pub(crate) type Places = BTreeMap<(ClipId, Treatment), usize>;

/// A plan's clips in memory, hash by hash the sealed ones, and where each lies.
pub(crate) fn read_clips(session: &Session, plan: &Plan) -> Result<(Vec<Audio>, Places), Failure> {
    let clips = session.clips()?;
    let mut files = Vec::new();
    for planned in &plan.clips {
        let Some(clip) = clips.iter().find(|c| c.id == planned.clip) else {
            return Err(Failure::plain(
                "no-clip",
                Fate::Unfit,
                format!("the clip {} is gone", planned.clip),
                "audit the session",
            ));
        };
        files.push((clip.id.clone(), session.absolute(&clip.path), planned.sha256.clone()));
    }
    let read: Vec<_> = files.par_iter().map(|(_, path, _)| read_all(path)).collect();
    let (mut audio, mut places) = (Vec::new(), BTreeMap::new());
    for ((id, path, sha256), result) in files.into_iter().zip(read) {
        let (samples, facts) = result?;
        if facts.sha256 != sha256 {
            let message = format!("{} is no longer the clip that was sealed", path.display());
            return Err(Failure::at_path(
                "clip-changed",
                Fate::Unfit,
                &path,
                message,
                "audit the session; the test cannot go on",
            ));
        }
        let mut put = |treatment, sound| {
            places.insert((id.clone(), treatment), audio.len());
            audio.push(sound);
        };
        if let Some(dull) = Some(&samples).filter(|_| plan.method == Method::Graded).and_then(test_sounds::anchor) {
            put(Treatment::Anchor, dull);
        }
        match plan.known_db {
            // Everything is lowered and the raised samples are the files as they are: no sample is ever driven over full scale.
            Some(db) => {
                let lowered = scaled(&samples, -db.value());
                put(Treatment::Raised, samples);
                put(Treatment::Plain, lowered);
            }
            None => put(Treatment::Plain, samples),
        }
    }
    Ok((audio, places))
}

/// The same sound at another level.
fn scaled(audio: &Audio, db: f64) -> Audio {
    let gain = 10f64.powf(db / 20.0);
    let mut out = audio.clone();
    for channel in out.channels_mut() {
        channel.iter_mut().for_each(|v| *v = (f64::from(*v) * gain) as f32);
    }
    out
}

/// Pink noise as loud as the clips and as long as they are.
pub(crate) fn noise(clips: &[Audio]) -> Result<Option<Audio>, Failure> {
    let Some(first) = clips.first() else { return Ok(None) };
    let Some(loudness) = meter::measure(first).integrated else { return Ok(None) };
    Ok(test_sounds::pink(
        first.frames(),
        first.rate(),
        loudness.value(),
        &mut crate::trial::Generator::from_seed(random::seed()?),
    ))
}

/// Loads the sealed clips and the noise, and starts the device with them.
pub(crate) fn start(
    device: &dyn OutputDevice,
    session: &Session,
    plan: &Plan,
) -> Result<(Player, Places, Option<usize>), Failure> {
    let (mut audio, places) = read_clips(session, plan)?;
    let noise = noise(&audio)?.map(|n| {
        audio.push(n);
        audio.len() - 1
    });
    Ok((Player::start(device, &audio, &fades::switch_table)?, places, noise))
}
