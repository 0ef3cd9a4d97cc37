//! Loudness, alignment, matching, faults: check values and standards.

mod alignment;
mod cases;
mod ears;
mod edges;
mod evening;
mod excerpts;
mod faults;
mod hard;
mod hearable;
mod inspect;
mod levels;
mod library;
mod placing;
mod program;
mod properties;
mod recipe;
mod respond;
mod standards;
mod zwicker;

use cabjury::units::SampleRate;

/// Frames per second of what these tests make, unless a test has its own.
const RATE: usize = 48_000;

fn rate() -> SampleRate {
    SampleRate::new(RATE as u32).unwrap()
}

/// A sine with peaks at an amplitude.
fn sine(hz: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| (amplitude * (std::f64::consts::TAU * hz * n as f64 / RATE as f64).sin()) as f32).collect()
}
