//! Another rate, by one filter for everything that is compared.

use crate::model::audio::Audio;
use crate::units::SampleRate;

/// Converts to another rate by an FFT resampler of fixed ratio; `None` when the ratio cannot be done. All clips of a comparison go through
/// one and the same filter: a device at another rate must not make a difference between them.
#[must_use]
pub fn resample(audio: &Audio, to: SampleRate) -> Option<Audio> {
    use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
    use rubato::{Fft, FixedSync, Resampler};
    let channels = audio.channels().len();
    let mut resampler = Fft::<f32>::new(audio.rate().hz() as usize, to.hz() as usize, 1024, channels, FixedSync::Both).ok()?;
    let frames = audio.frames();
    let planes = audio.channels().to_vec();
    let input = SequentialSliceOfVecs::new(&planes, channels, frames).ok()?;
    let room = resampler.process_all_needed_output_len(frames);
    let mut out = vec![vec![0.0f32; room]; channels];
    let written = {
        let mut output = SequentialSliceOfVecs::new_mut(&mut out, channels, room).ok()?;
        resampler.process_all_into_buffer(&input, &mut output, frames, None).ok()?.1
    };
    for plane in &mut out {
        plane.truncate(written);
    }
    Audio::new(to, out).ok()
}
