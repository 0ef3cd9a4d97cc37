//! The fraction of a lag from the phase slope of the cross-spectrum.

use super::correlate::good_length;
use super::{common, energy};
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::cell::RefCell;
use std::f64::consts::PI;
use std::sync::Arc;

/// What remains of the lag after whole samples are taken out; `None` when the common stretch is too short or the slope does not settle.
pub(super) fn phase_slope_at(first: &[f32], second: &[f32], lag: i64, rate: SampleRate) -> Option<f64> {
    let (a, b) = common(first, second, lag);
    // A minute is plenty, and keeps the transform small.
    let most = 60 * rate.hz() as usize;
    let start = a.len().saturating_sub(most) / 2;
    let end = a.len().min(start + most);
    phase_slope(&a[start..end], &b[start..end], rate)
}

/// Transforms up to this length are kept for the next window of the same length; longer ones would only hold memory.
const KEPT_LENGTH: usize = 1 << 18;

/// The plan of a forward transform: making one takes as long as using it.
fn forward(length: usize) -> Arc<dyn RealToComplex<f64>> {
    thread_local! {
        static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
    }
    if length > KEPT_LENGTH {
        return RealFftPlanner::new().plan_fft_forward(length);
    }
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(length))
}

/// Bins between two exact phases.
const RESYNC: usize = 64;

/// Phase slope of the cross-spectrum G = B conj(A): d += -sum(w Im(G e^{jwd})) / sum(w^2 Re(G e^{jwd})) over 60 Hz to 0.8 pi, four passes,
/// after a 10 % taper. Polarity does not matter.
#[must_use]
pub fn phase_slope(a: &[f32], b: &[f32], rate: SampleRate) -> Option<f64> {
    let n = a.len();
    if n < 256 || energy(a) <= 0.0 || energy(b) <= 0.0 {
        return None;
    }
    let length = good_length(n);
    let forward = forward(length);
    let edge = n / 10;
    let taper = |i: usize| {
        let k = i.min(n - 1 - i);
        if k < edge { 0.5 - 0.5 * (PI * (k as f64 + 0.5) / edge as f64).cos() } else { 1.0 }
    };
    let spectrum = |x: &[f32]| {
        let mut input = forward.make_input_vec();
        for (i, v) in x.iter().enumerate() {
            input[i] = f64::from(*v) * taper(i);
        }
        let mut out = forward.make_output_vec();
        // Lengths come from the plan itself: this cannot fail.
        let _ = forward.process(&mut input, &mut out);
        out
    };
    let (fa, fb) = (spectrum(a), spectrum(b));
    let cross: Vec<Complex<f64>> = fa.iter().zip(&fb).map(|(a, b)| b * a.conj()).collect();
    let low = (60.0 / rate.as_f64() * length as f64).ceil() as usize;
    let high = ((0.4 * length as f64) as usize).min(cross.len());
    // A flipped second has all phases turned by pi: turn it back for the slope.
    let sign = if cross.get(low..high)?.iter().map(|g| g.re).sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    let mut d = 0.0;
    for _ in 0..4 {
        let (mut top, mut bottom) = (0.0, 0.0);
        let step = Complex::from_polar(1.0, 2.0 * PI * d / length as f64);
        for (k, part) in (low..high).step_by(RESYNC).zip(cross[low..high].chunks(RESYNC)) {
            // Turned on by multiplication, and set anew before rounding can add up.
            let mut turn = Complex::from_polar(sign, 2.0 * PI * k as f64 / length as f64 * d);
            for (i, g) in part.iter().enumerate() {
                let w = 2.0 * PI * (k + i) as f64 / length as f64;
                let turned = g * turn;
                top += w * turned.im;
                bottom += w * w * turned.re;
                turn *= step;
            }
        }
        if bottom <= 0.0 {
            return None;
        }
        d -= top / bottom;
    }
    (d.abs() <= 2.0).then_some(d)
}
