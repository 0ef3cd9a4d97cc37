//! What becomes clips: usable takes and their blends on the session's time base, and the stretch that is cut out of them.

use crate::capture::alignment::{Place, usable};
use crate::capture::recording as intake;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, TakeId};
use crate::model::rig::{Blend, Rig};
use crate::model::session::{Excerpt, Take};
use crate::signal::align;
use crate::signal::placing::Alignment;
use crate::store::Session;
use rayon::prelude::*;

/// Sound that is to become clips of one mic or blend: a take (for a blend the pass's first) and its samples on the time base.
pub(crate) struct Source {
    pub(crate) take: Take,
    pub(crate) place: Place,
    pub(crate) mic: MicName,
    pub(crate) audio: Audio,
    /// The engineer has confirmed that it is upside down.
    pub(crate) turned: bool,
}

pub(crate) fn sources(
    session: &Session,
    rig: &Rig,
    takes: &[Take],
    places: &[Place],
    turned: &[TakeId],
) -> Result<Vec<Source>, Failure> {
    let mut out = Vec::new();
    for take in usable(takes) {
        if let Some(place) = places.iter().find(|p| p.take == take.id) {
            out.push((take, place, intake::path_of(session, take)));
        }
    }
    let mut out: Vec<Source> = out
        .into_par_iter()
        .map(|(take, place, path)| {
            Ok(Source {
                take: take.clone(),
                place: place.clone(),
                mic: take.mic.clone(),
                audio: intake::load_from(&path, take)?,
                turned: turned.contains(&take.id),
            })
        })
        .collect::<Result<_, Failure>>()?;
    let blends: Vec<Source> = rig.blends.iter().flat_map(|b| blend(b, &out)).collect();
    out.extend(blends);
    Ok(out)
}

/// A pass's mics, summed at the sheet's gains. All of them are shifted alike: a pass has one clock, and its mics' distances are part of the
/// sound.
fn blend(blend: &Blend, sources: &[Source]) -> Vec<Source> {
    let mut out = Vec::new();
    let Some(first_mic) = blend.of.first() else { return out };
    for first in sources.iter().filter(|s| &s.mic == first_mic) {
        let parts: Option<Vec<&Source>> = blend
            .of
            .iter()
            .map(|mic| {
                sources.iter().find(|s| &s.mic == mic && s.take.pass == first.take.pass && s.take.setup == first.take.setup)
            })
            .collect();
        let Some(parts) = parts else { continue };
        let frames = parts.iter().map(|p| p.audio.frames()).min().unwrap_or(0);
        let mut sum = vec![0.0f32; frames];
        for (part, gain) in parts.iter().zip(&blend.gains_db) {
            let sign = if part.turned { -1.0 } else { 1.0 };
            let factor = (sign * 10f64.powf(gain.value() / 20.0)) as f32;
            for (s, v) in sum.iter_mut().zip(align::mono(part.audio.channels())) {
                *s += factor * v;
            }
        }
        if let Ok(audio) = Audio::new(first.audio.rate(), vec![sum]) {
            out.push(Source {
                take: first.take.clone(),
                place: first.place.clone(),
                mic: blend.name.clone(),
                audio,
                turned: false,
            });
        }
    }
    out
}

/// The span, in frames of the time base, that every source covers.
pub(crate) fn common_span(sources: &[Source]) -> (f64, f64) {
    Alignment::shared(sources.iter().map(|s| (s.place.alignment(), s.audio.frames() as f64)))
}

pub(crate) fn cut(source: &Source, start: f64, len: usize) -> Result<Audio, Failure> {
    let laid = |c: &Vec<f32>| source.place.alignment().laid(c, start as usize, len);
    let mut planes: Vec<Vec<f32>> = source.audio.channels().iter().map(laid).collect();
    if source.turned {
        planes.iter_mut().flatten().for_each(|v| *v = -*v);
    }
    Audio::new(source.audio.rate(), planes)
        .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "import the take again"))
}

pub(crate) fn fit(excerpt: &Excerpt, span: (f64, f64), rate: f64) -> Result<(f64, usize), Failure> {
    let start = (excerpt.start.value() * rate).round().max(if excerpt.end.is_none() { span.0 } else { 0.0 });
    let end = excerpt.end.map_or(span.1, |e| (e.value() * rate).round());
    if start < span.0 || end > span.1 || end - start < 0.4 * rate {
        let message = format!(
            "the excerpt {} ({:.2} s to {:.2} s) does not lie within what all takes share, {:.2} s to {:.2} s, or is shorter than 0.4 s",
            excerpt.name,
            start / rate,
            end / rate,
            span.0 / rate,
            span.1 / rate
        );
        return Err(Failure::plain("excerpt", Fate::Unfit, message, "choose other times with --excerpt NAME=START-END"));
    }
    Ok((start, (end - start) as usize))
}
