//! Second-order filters of the demo's amplifier (R. Bristow-Johnson, "Audio EQ Cookbook"; formulas from memory).

use std::f64::consts::PI;

/// b0, b1, b2, a1, a2 with a0 = 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Biquad([f64; 5]);

impl Biquad {
    fn new(b: [f64; 3], a: [f64; 3]) -> Self {
        Self([b[0] / a[0], b[1] / a[0], b[2] / a[0], a[1] / a[0], a[2] / a[0]])
    }

    pub(super) fn low_pass(hz: f64, q: f64, rate: u32) -> Self {
        let w = 2.0 * PI * hz / f64::from(rate);
        let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
        Self::new([(1.0 - c) / 2.0, 1.0 - c, (1.0 - c) / 2.0], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    pub(super) fn high_pass(hz: f64, q: f64, rate: u32) -> Self {
        let w = 2.0 * PI * hz / f64::from(rate);
        let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
        Self::new([(1.0 + c) / 2.0, -1.0 - c, (1.0 + c) / 2.0], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    pub(super) fn peaking(hz: f64, q: f64, db: f64, rate: u32) -> Self {
        let w = 2.0 * PI * hz / f64::from(rate);
        let (alpha, c, a) = (w.sin() / (2.0 * q), w.cos(), 10f64.powf(db / 40.0));
        Self::new([1.0 + alpha * a, -2.0 * c, 1.0 - alpha * a], [1.0 + alpha / a, -2.0 * c, 1.0 - alpha / a])
    }

    /// Filters in place (transposed direct form II).
    pub(super) fn run(self, x: &mut [f64]) {
        let Self([b0, b1, b2, a1, a2]) = self;
        let (mut z1, mut z2) = (0.0, 0.0);
        for v in x {
            let y = b0 * *v + z1;
            z1 = b1 * *v - a1 * y + z2;
            z2 = b2 * *v - a2 * y;
            *v = y;
        }
    }
}
