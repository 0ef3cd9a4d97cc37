//! Triangular dither to 24 bit: y = round(x 2^23 + u1 + u2 - 1)/2^23, u uniform in [0, 1), clamped last.
//!
//! The error then has mean 0 and variance 1/4 LSB^2 whatever the input (Lipshitz, Wannamaker & Vanderkooy, JAES 1992; from memory).

use crate::model::random::RandomWords;

const STEPS: f64 = 8_388_608.0;

/// Puts a channel on the 24-bit grid. One word gives both uniforms: 32 bits each are far finer than the step that they blur.
pub fn to_24_bits(channel: &mut [f32], random: &mut dyn RandomWords) {
    const UNIT: f64 = 1.0 / 4_294_967_296.0;
    for sample in channel {
        let word = random.next_word();
        let noise = ((word >> 32) as f64 + (word & 0xFFFF_FFFF) as f64) * UNIT - 1.0;
        *sample = ((f64::from(*sample) * STEPS + noise).round().clamp(-STEPS, STEPS - 1.0) / STEPS) as f32;
    }
}
