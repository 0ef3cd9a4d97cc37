//! The recordings of the demo: one riff, one amplifier, two cones, two setups, five takes each in a drawn order, with the small
//! differences that honest takes have.

use super::filter::Biquad;
use super::riff;
use super::rig::{Curve, amplifier, close_mic, cone_a, cone_b};
use crate::model::random::RandomWords;
use crate::signal::shift;

/// What each driver gets in one setup: level in dB over frequency at the driver's terminals.
#[derive(Debug, Clone)]
pub struct Drive {
    /// The setup.
    pub setup: String,
    /// Driver A: Hz and dB.
    pub a: Vec<(f64, f64)>,
    /// Driver B: Hz and dB.
    pub b: Vec<(f64, f64)>,
}

/// One recording.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// The setup.
    pub setup: String,
    /// `close-a` or `close-b`.
    pub mic: &'static str,
    /// The pass, from 1.
    pub pass: u32,
    /// Samples, full scale 1.0, one channel at 48 kHz.
    pub samples: Vec<f32>,
}

/// Peak of the loudest recording.
const PEAK: f32 = 0.55;
/// Samples by which the whole chain is late.
const LATENCY: f64 = 153.0;

/// The DI of the demo.
#[must_use]
pub fn di(random: &mut dyn RandomWords) -> Vec<f32> {
    riff::di(random)
}

/// Everything that was recorded: for each pass of `order` (a setup's place in `drives`) both close mics.
#[must_use]
pub fn record(di: &[f32], drives: &[Drive], order: &[usize], random: &mut dyn RandomWords) -> Vec<Recorded> {
    let amp = amplifier(di);
    let (cone_a, cone_b) = (cone_a(), cone_b());
    let mut heard: Vec<[Vec<f32>; 2]> = drives
        .iter()
        .map(|d| {
            let (a, b) = (Curve(d.a.clone()), Curve(d.b.clone()));
            [close_mic(&amp, (&cone_a, &a), (&cone_b, &b)), close_mic(&amp, (&cone_b, &b), (&cone_a, &a))]
        })
        .collect();
    // One gain for all: the preamps are set once and then left alone.
    let peak = heard.iter().flatten().flatten().fold(1e-9f32, |m, v| m.max(v.abs()));
    heard.iter_mut().flatten().flatten().for_each(|v| *v *= PEAK / peak);
    let mut out = Vec::new();
    for (pass, which) in (1u32..).zip(order) {
        let Some((drive, mics)) = drives.get(*which).zip(heard.get(*which)) else { continue };
        // Both mics of a pass share what the pass did: a little level, a little lag. The amplifier settles as it warms.
        let db = 0.05 * (2.0 * random.unit() - 1.0) - 0.008 * f64::from(pass);
        let lag = LATENCY + 1.5 * (2.0 * random.unit() - 1.0);
        for (mic, samples) in ["close-a", "close-b"].into_iter().zip(mics) {
            let mut samples = take(samples, db, lag, random);
            wobble(&mut samples, random);
            out.push(Recorded { setup: drive.setup.clone(), mic, pass, samples });
        }
    }
    out
}

/// What a rewired cab and a room that is a little warmer do to the tone: three broad bands, up to 0.2 dB each.
fn wobble(samples: &mut [f32], random: &mut dyn RandomWords) {
    let mut x: Vec<f64> = samples.iter().map(|v| f64::from(*v)).collect();
    for hz in [95.0, 500.0, 2600.0] {
        let centre = hz * 2f64.powf(random.unit() - 0.5);
        Biquad::peaking(centre, 0.7, 0.2 * (2.0 * random.unit() - 1.0), riff::RATE).run(&mut x);
    }
    samples.iter_mut().zip(x).for_each(|(s, v)| *s = v as f32);
}

/// One take: level, lag, hiss of mic and room.
fn take(samples: &[f32], db: f64, lag: f64, random: &mut dyn RandomWords) -> Vec<f32> {
    let gain = 10f64.powf(db / 20.0) as f32;
    let hiss = 10f64.powf(-76.0 / 20.0);
    let mut low = 0.0;
    shift::advance(samples, -lag, samples.len())
        .into_iter()
        .map(|v| {
            // A hiss that falls a little towards the top.
            low += 0.5 * (3f64.sqrt() * (2.0 * random.unit() - 1.0) - low);
            v * gain + (hiss * low) as f32
        })
        .collect()
}
