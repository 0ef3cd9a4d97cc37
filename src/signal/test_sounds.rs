//! Sounds that are made, not recorded: pink noise to set the level by, and the anchor of graded tests.

use super::meter;
use crate::model::audio::Audio;
use crate::model::random::RandomWords;
use crate::units::SampleRate;
use std::f64::consts::PI;

/// The anchor's low-pass in hertz: a fourth-order Butterworth on the reference, plainly duller than any wiring.
pub const ANCHOR_HZ: f64 = 3_500.0;

/// Pink noise (P. Kellet's filter of seven one-poles on white noise; from memory), mono, scaled to a loudness, at most -1 dBFS.
#[must_use]
pub fn pink(frames: usize, rate: SampleRate, lufs: f64, random: &mut dyn RandomWords) -> Option<Audio> {
    let mut b = [0.0f64; 7];
    let raw: Vec<f32> = (0..frames)
        .map(|_| {
            let white = 2.0 * random.unit() - 1.0;
            b[0] = 0.99886 * b[0] + white * 0.055_517_9;
            b[1] = 0.99332 * b[1] + white * 0.075_075_9;
            b[2] = 0.96900 * b[2] + white * 0.153_852_0;
            b[3] = 0.86650 * b[3] + white * 0.310_485_6;
            b[4] = 0.55000 * b[4] + white * 0.532_952_2;
            b[5] = -0.7616 * b[5] - white * 0.016_898_0;
            let sum = b.iter().sum::<f64>() + white * 0.5362;
            b[6] = white * 0.115_926;
            (0.05 * sum) as f32
        })
        .collect();
    let audio = Audio::new(rate, vec![raw]).ok()?;
    let levels = meter::measure(&audio);
    let gain = (lufs - levels.integrated?.value()).min(-1.0 - levels.true_peak?.value());
    let factor = 10f64.powf(gain / 20.0) as f32;
    Audio::new(rate, vec![audio.channels()[0].iter().map(|x| x * factor).collect()]).ok()
}

/// The anchor: two Butterworth sections at [`ANCHOR_HZ`] (bilinear transform; R. Bristow-Johnson's form, from memory).
#[must_use]
pub fn anchor(audio: &Audio) -> Option<Audio> {
    let planes =
        audio.channels().iter().map(|c| low_pass(&low_pass(c, audio.rate(), 0.541_196_1), audio.rate(), 1.306_563)).collect();
    Audio::new(audio.rate(), planes).ok()
}

fn low_pass(x: &[f32], rate: SampleRate, q: f64) -> Vec<f32> {
    let w = 2.0 * PI * ANCHOR_HZ / rate.as_f64();
    let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
    let a0 = 1.0 + alpha;
    let (b0, b1) = ((1.0 - c) / 2.0 / a0, (1.0 - c) / a0);
    let (a1, a2) = (-2.0 * c / a0, (1.0 - alpha) / a0);
    let (mut z1, mut z2) = (0.0, 0.0);
    x.iter()
        .map(|v| {
            let v = f64::from(*v);
            let y = b0 * v + z1;
            z1 = b1 * v - a1 * y + z2;
            z2 = b0 * v - a2 * y;
            y as f32
        })
        .collect()
}
