//! The sound of the audience page: copies of clips under names that do not tell their setups apart.

use crate::matching::aim::Aim;
use crate::matching::level::match_stretches;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::random::RandomWords;
use crate::model::session::Clip;
use crate::report::audience::Sound;
use crate::sound::flac::flac24;
use crate::sound::read::{hash_file, read_all};
use crate::sound::write::wav24_bytes;
use crate::store::{Session, random};
use crate::trial::Generator;
use crate::units::Dbtp;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

/// A shortened clip is this long or longer: anything less says nothing of a setup (our own choice).
const LEAST_S: f64 = 2.0;

/// How the sound is kept.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Form {
    pub(crate) flac: bool,
    pub(crate) seconds: Option<f64>,
    /// Within the page.
    pub(crate) inside: bool,
}

/// What the page plays.
#[derive(Debug)]
pub(crate) struct Copies {
    /// Per setup.
    pub(crate) clips: Vec<Vec<Sound>>,
    /// Files beside the page.
    pub(crate) files: Vec<(String, Vec<u8>)>,
    pub(crate) rate_hz: u32,
    /// Length of a clip.
    pub(crate) seconds: f64,
    pub(crate) inside: bool,
}

fn read(session: &Session, clip: &Clip) -> Result<Audio, Failure> {
    let source = session.absolute(&clip.path);
    if hash_file(&source)? != clip.sha256 {
        let message = format!("{} is no longer the clip that was made", source.display());
        return Err(Failure::at_path("clip-changed", Fate::Unfit, &source, message, "audit the session"));
    }
    Ok(read_all(&source)?.0)
}

/// The first seconds of all clips, with faded edges, matched again over their shared gate: what was equally loud as a whole need not be so
/// at its beginning.
fn shortened(all: Vec<Audio>, seconds: f64) -> Result<Vec<Audio>, Failure> {
    let whole = all.iter().map(Audio::frames).min().unwrap_or(0);
    let Some(rate) = all.first().map(Audio::rate) else { return Ok(all) };
    let frames = (seconds * rate.as_f64()).round() as usize;
    if seconds.is_nan() || seconds < LEAST_S || frames > whole {
        let message = format!("{seconds} s is not a length that these clips can be shortened to");
        let next = format!("give from {LEAST_S} to {:.1} seconds", (whole as f64 / rate.as_f64() * 10.0).floor() / 10.0);
        return Err(Failure::plain("seconds", Fate::WrongUse, message, next));
    }
    let cut = |audio: Audio| {
        let channels = audio.channels().iter().map(|c| c[..frames].to_vec()).collect();
        Audio::new(rate, channels)
            .map_err(|e| Failure::plain("seconds", Fate::Failed, format!("a clip cannot be shortened: {e}"), "audit the session"))
    };
    let cut = all.into_iter().map(cut).collect::<Result<Vec<_>, _>>()?;
    let matched = match_stretches(cut, &Aim::plain(Dbtp::new(0.0)?)).map_err(|error| match error.explain().kind() {
        "nothing-shared" => {
            let message = format!("the first {seconds} s are too quiet to be matched in loudness");
            Failure::plain("seconds", Fate::Refused, message, "ask for more seconds")
        }
        _ => error,
    })?;
    Ok(matched.audio)
}

/// Copies in a drawn order; which is which stands in the page, for it is unguarded.
pub(crate) fn copies(session: &Session, setups: &[SetupName], clips: &[Clip], form: Form) -> Result<Copies, Failure> {
    let mut generator = Generator::from_seed(random::seed()?);
    let mut order: Vec<&Clip> = clips.iter().collect();
    for i in (1..order.len()).rev() {
        order.swap(i, generator.below(i as u64 + 1) as usize);
    }
    let mut all = order.iter().map(|c| read(session, c)).collect::<Result<Vec<_>, _>>()?;
    if let Some(seconds) = form.seconds {
        all = shortened(all, seconds)?;
    }
    let mut out = Copies {
        clips: vec![Vec::new(); setups.len()],
        files: Vec::new(),
        rate_hz: all.first().map_or(48_000, |a| a.rate().hz()),
        seconds: all.first().map_or(0.0, |a| a.frames() as f64 / a.rate().as_f64()),
        inside: form.inside,
    };
    for (i, (clip, audio)) in order.iter().zip(&all).enumerate() {
        let (ending, kind) = if form.flac { ("flac", "audio/flac") } else { ("wav", "audio/wav") };
        let bytes = if form.flac { flac24(audio) } else { wav24_bytes(audio)? };
        let name = format!("clip-{}.{ending}", i + 1);
        let size = bytes.len() as u64;
        let url = if form.inside { format!("data:{kind};base64,{}", STANDARD.encode(&bytes)) } else { name.clone() };
        if let Some(of_setup) = setups.iter().position(|s| s == &clip.setup).and_then(|p| out.clips.get_mut(p)) {
            of_setup.push(Sound { url, bytes: size });
        }
        if !form.inside {
            out.files.push((name, bytes));
        }
    }
    Ok(out)
}
