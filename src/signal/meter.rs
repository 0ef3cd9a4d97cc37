//! Loudness and peaks in one pass over blocks: memory does not grow with the samples, only by a few bytes per 100 ms.

use super::loudness::{KFilter, blocks, channel_weight, integrated, loudness_of, range, step_frames};
use super::peak::TruePeak;
use crate::model::audio::{Audio, Levels};
use crate::units::{Dbtp, Decibel, Lufs, SampleRate};

/// Collects weighted energies of a fixed number of frames each.
#[derive(Debug, Clone)]
struct Hops {
    frames: usize,
    filled: usize,
    sum: f64,
    done: Vec<f64>,
}

impl Hops {
    fn new(frames: usize) -> Self {
        Self { frames, filled: 0, sum: 0.0, done: Vec::new() }
    }
}

/// The loudness half of the meter, for all channels of one recording.
#[derive(Debug, Clone)]
pub struct Loudness {
    rate: SampleRate,
    filters: Vec<KFilter>,
    /// 10 ms, the polling of momentary and short-term maxima (Tech 3341 case 13 fails with 100 ms).
    hops: Hops,
    window: Window,
    steps: Hops,
}

/// The peak half of the meter, for all channels of one recording.
#[derive(Debug, Clone)]
pub struct Peaks {
    channels: Vec<TruePeak>,
}

impl Peaks {
    /// At rest.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        Self { channels: vec![TruePeak::new(rate); channels] }
    }

    /// Takes the next block, shape channels x frames.
    pub fn push<C: AsRef<[f32]>>(&mut self, block: &[C]) {
        for (peak, channel) in self.channels.iter_mut().zip(block) {
            peak.push(channel.as_ref());
        }
    }
}

/// A meter for all channels of one recording.
#[derive(Debug, Clone)]
pub struct Meter {
    loudness: Loudness,
    peaks: Peaks,
}

impl Meter {
    /// At rest.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        Self { loudness: Loudness::new(rate, channels), peaks: Peaks::new(rate, channels) }
    }

    /// Takes the next block, shape channels x frames. Channels beyond those it was made for are left out.
    pub fn push<C: AsRef<[f32]>>(&mut self, block: &[C]) {
        self.peaks.push(block);
        self.loudness.push(block);
    }

    /// Weighted energies of the whole 100 ms steps so far: what [`super::matching`] works on.
    #[must_use]
    pub fn steps(&self) -> &[f64] {
        self.loudness.steps()
    }

    /// All readings.
    #[must_use]
    pub fn levels(&self) -> Levels {
        self.loudness.levels(&self.peaks)
    }
}

/// The last three seconds of 10 ms energies, and the maxima so far.
#[derive(Debug, Clone)]
struct Window {
    ring: Vec<f64>,
    count: usize,
    momentary: f64,
    short_term: f64,
}

const MOMENTARY_HOPS: usize = 40;
const SHORT_TERM_HOPS: usize = 300;

impl Window {
    fn push(&mut self, energy: f64) {
        let at = self.count % SHORT_TERM_HOPS;
        self.ring[at] = energy;
        self.count += 1;
        // Sums are made anew each time: a sliding difference would lose the small after the large.
        let recent = |n: usize| (0..n).map(|i| self.ring[(self.count - 1 - i) % SHORT_TERM_HOPS]).sum::<f64>();
        if self.count >= MOMENTARY_HOPS {
            self.momentary = self.momentary.max(recent(MOMENTARY_HOPS));
        }
        if self.count >= SHORT_TERM_HOPS {
            self.short_term = self.short_term.max(recent(SHORT_TERM_HOPS));
        }
    }
}

impl Loudness {
    /// At rest.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        let hop = (rate.hz() as usize + 50) / 100;
        Self {
            rate,
            filters: vec![KFilter::new(rate); channels],
            hops: Hops::new(hop.max(1)),
            window: Window { ring: vec![0.0; SHORT_TERM_HOPS], count: 0, momentary: 0.0, short_term: 0.0 },
            steps: Hops::new(step_frames(rate)),
        }
    }

    /// Takes the next block, shape channels x frames. Channels beyond those it was made for are left out.
    pub fn push<C: AsRef<[f32]>>(&mut self, block: &[C]) {
        let frames = block.first().map_or(0, |c| c.as_ref().len());
        let channels = self.filters.len();
        let mut at = 0;
        while at < frames {
            let to_hop = self.hops.frames - self.hops.filled;
            let to_step = self.steps.frames - self.steps.filled;
            let n = to_hop.min(to_step).min(frames - at);
            let mut energy = 0.0;
            let part = |c: usize| &block[c].as_ref()[at..at + n];
            let mut pairs = self.filters[..channels.min(block.len())].chunks_exact_mut(2);
            let mut c = 0;
            for pair in &mut pairs {
                if let [a, b] = pair {
                    let [first, second] = KFilter::energies([a, b], part(c), part(c + 1));
                    energy += channel_weight(c, channels) * first + channel_weight(c + 1, channels) * second;
                }
                c += 2;
            }
            if let [last] = pairs.into_remainder() {
                energy += channel_weight(c, channels) * last.energy(part(c));
            }
            for hops in [&mut self.hops, &mut self.steps] {
                hops.sum += energy;
                hops.filled += n;
                if hops.filled == hops.frames {
                    hops.done.push(hops.sum);
                    hops.sum = 0.0;
                    hops.filled = 0;
                }
            }
            for energy in self.hops.done.drain(..) {
                self.window.push(energy);
            }
            at += n;
        }
    }

    /// Weighted energies of the whole 100 ms steps so far: what [`super::matching`] works on.
    #[must_use]
    pub fn steps(&self) -> &[f64] {
        &self.steps.done
    }

    /// Integrated loudness so far.
    #[must_use]
    pub fn integrated(&self) -> Option<Lufs> {
        integrated(&blocks(&self.steps.done, self.rate))
    }

    /// All readings, with those of the other half.
    #[must_use]
    pub fn levels(&self, peaks: &Peaks) -> Levels {
        let hop = self.hops.frames as f64;
        let over = |energy: f64, hops: usize| loudness_of(energy / (hop * hops as f64));
        let db = |magnitude: f32| (magnitude > 0.0).then(|| 20.0 * f64::from(magnitude).log10());
        let peak = peaks.channels.iter().map(TruePeak::peak).fold(0.0, f32::max);
        let sample = peaks.channels.iter().map(TruePeak::sample_peak).fold(0.0, f32::max);
        Levels {
            integrated: self.integrated(),
            momentary_max: over(self.window.momentary, MOMENTARY_HOPS),
            short_term_max: over(self.window.short_term, SHORT_TERM_HOPS),
            true_peak: db(peak).and_then(|v| Dbtp::new(v).ok()),
            sample_peak: db(sample).and_then(|v| Decibel::new(v).ok()),
            range: range(&self.steps.done, self.rate),
        }
    }
}

/// Measures a recording in memory.
#[must_use]
pub fn measure(audio: &Audio) -> Levels {
    let mut meter = Meter::new(audio.rate(), audio.channels().len());
    meter.push(audio.channels());
    meter.levels()
}

/// All readings of a recording in memory with the weighted energies of its whole 100 ms steps, in one pass.
#[must_use]
pub fn measure_steps(audio: &Audio) -> (Levels, Vec<f64>) {
    let mut meter = Meter::new(audio.rate(), audio.channels().len());
    meter.push(audio.channels());
    (meter.levels(), meter.steps().to_vec())
}

/// Weighted energies of the whole 100 ms steps of a recording in memory.
#[must_use]
pub fn step_energies(audio: &Audio) -> Vec<f64> {
    let mut meter = Loudness::new(audio.rate(), audio.channels().len());
    meter.push(audio.channels());
    meter.steps().to_vec()
}
