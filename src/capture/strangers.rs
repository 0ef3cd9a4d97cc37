//! Who is alone: recordings of one performance resemble each other through any amplifier, and one that resembles none of them is named.

use crate::model::audio::Audio;
use crate::signal::align;
use crate::units::SampleRate;

/// So many other recordings are asked about each one.
pub(crate) const WITNESSES: usize = 5;

/// Below this correlation two recordings are two performances. Ours: re-filtered recordings of one performance lie above 0.4, different
/// ones below 0.1 (the suite's real recordings).
pub(crate) const SAME: f64 = 0.2;

/// Recordings are compared at about this rate: who played what lies far below its half.
const RATE_HZ: usize = 8_000;

/// So many seconds are compared.
const SECONDS: usize = 60;

/// A recording as it is compared: mono, thinned.
pub(crate) struct Thin {
    /// What it is called when it is named.
    pub(crate) name: String,
    samples: Vec<f32>,
    rate: SampleRate,
}

impl Thin {
    pub(crate) fn of(name: &str, audio: &Audio) -> Self {
        let (samples, step) = thinned(audio, SECONDS);
        // A recording's rate over its step is a rate.
        let rate = SampleRate::new((audio.rate().hz() as usize / step) as u32).unwrap_or(audio.rate());
        Self { name: name.to_owned(), samples, rate }
    }
}

/// The mean of all channels at a low rate, and how many frames became one.
pub(crate) fn thinned(audio: &Audio, seconds: usize) -> (Vec<f32>, usize) {
    let rate = audio.rate().hz() as usize;
    let step = (rate / RATE_HZ).max(1);
    let mono = align::mono(audio.channels());
    let head = &mono[..mono.len().min(seconds.saturating_mul(rate))];
    let mean = |part: &[f32]| part.iter().filter(|v| v.is_finite()).sum::<f32>() / step as f32;
    (head.chunks_exact(step).map(mean).collect(), step)
}

/// Two recordings are of one performance. Of silence nothing can be said: it is found elsewhere.
fn agree(a: &Thin, b: &Thin) -> bool {
    align::resemblance(&a.samples, &b.samples, a.rate).is_none_or(|r| r >= SAME)
}

/// Each resembles the first.
pub(crate) fn all_agree<T: std::borrow::Borrow<Thin>>(all: &[T]) -> bool {
    all.split_first().is_none_or(|(first, rest)| rest.iter().all(|other| agree(first.borrow(), other.borrow())))
}

/// Those that resemble none of the others, where at least two of the others resemble each other.
pub(crate) fn strangers(all: &[Thin]) -> Vec<usize> {
    let alone = |i: usize| {
        let others: Vec<&Thin> = (0..all.len()).filter(|j| *j != i).map(|j| &all[j]).take(WITNESSES).collect();
        let united = || others.iter().enumerate().any(|(n, a)| others[n + 1..].iter().any(|b| agree(a, b)));
        others.len() >= 2 && !others.iter().any(|o| agree(&all[i], o)) && united()
    };
    (0..all.len()).filter(|i| alone(*i)).collect()
}
