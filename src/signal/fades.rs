//! Raised-cosine fades: in(k) = 0.5 - 0.5 cos(pi (k+0.5)/n), out(k) = in(n-1-k); in + out = 1.

use crate::units::SampleRate;
use std::f64::consts::PI;

/// Length of a switch's fade in seconds.
pub const SWITCH_S: f64 = 0.010;

/// The rising half of a fade over `n` frames.
#[must_use]
pub fn rising(n: usize) -> Vec<f32> {
    (0..n).map(|k| (0.5 - 0.5 * (PI * (k as f64 + 0.5) / n as f64).cos()) as f32).collect()
}

/// The rising half for a switch at a rate: 10 ms.
#[must_use]
pub fn switch_table(rate: SampleRate) -> Vec<f32> {
    rising((rate.as_f64() * SWITCH_S).round() as usize)
}

/// Fades both edges of a channel over `n` frames each (fewer when it is shorter than two fades).
pub fn fade_edges(channel: &mut [f32], n: usize) {
    let n = n.min(channel.len() / 2);
    let table = rising(n);
    let len = channel.len();
    for (k, gain) in table.iter().enumerate() {
        channel[k] *= gain;
        channel[len - 1 - k] *= gain;
    }
}
