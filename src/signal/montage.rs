//! Clips one after another on one time base, with an equal gap; places in frames.

use crate::model::audio::Audio;
use std::ops::Range;

/// The gap between two clips in seconds.
pub const GAP_S: f64 = 0.5;

/// Puts clips one after another with `gap` frames of silence between them, and none at the ends. A mono clip among others sounds on all
/// channels; where layouts differ otherwise, the channels that a clip has not stay silent. Returns the sound and where each clip lies in
/// it, in frames. `None` without clips or when rates differ.
#[must_use]
pub fn lay(clips: &[&Audio], gap: usize) -> Option<(Audio, Vec<Range<usize>>)> {
    let rate = clips.first()?.rate();
    if clips.iter().any(|c| c.rate() != rate) {
        return None;
    }
    let channels = clips.iter().map(|c| c.channels().len()).max()?;
    let total = clips.iter().map(|c| c.frames()).sum::<usize>() + gap * (clips.len() - 1);
    let mut planes = vec![Vec::with_capacity(total); channels];
    let mut places = Vec::with_capacity(clips.len());
    for (i, clip) in clips.iter().enumerate() {
        if i > 0 {
            planes.iter_mut().for_each(|p| p.resize(p.len() + gap, 0.0));
        }
        let start = planes[0].len();
        for (c, plane) in planes.iter_mut().enumerate() {
            match (clip.channels(), clip.channels().get(c)) {
                ([only], _) | (_, Some(only)) => plane.extend_from_slice(only),
                _ => plane.resize(plane.len() + clip.frames(), 0.0),
            }
        }
        places.push(start..start + clip.frames());
    }
    Some((Audio::new(rate, planes).ok()?, places))
}
