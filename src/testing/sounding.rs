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

/// Opens the device of that name.
pub(crate) fn open_device(name: Option<&str>) -> Result<Box<dyn OutputDevice>, Failure> {
    Ok(match name {
        Some("silent") => Box::new(Silent(Pace::RealTime)),
        // For tests and the demo: no name that a person would type by chance.
        Some("silent-fastest") => Box::new(Silent(Pace::Fastest)),
        name => Box::new(Card::open(name)?),
    })
}

/// Place of each clip in the player, with and without the anchor's low-pass.
pub(crate) type Places = BTreeMap<(ClipId, bool), usize>;

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
        places.insert((id.clone(), false), audio.len());
        if plan.method == Method::Graded
            && let Some(dull) = test_sounds::anchor(&samples)
        {
            audio.push(samples);
            places.insert((id, true), audio.len());
            audio.push(dull);
        } else {
            audio.push(samples);
        }
    }
    Ok((audio, places))
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
