//! Amplifier, cones and mics of the demo: invented responses, no measurement of anything. What differs between the setups comes from the
//! driver model alone.

use super::filter::Biquad;
use super::riff::RATE;
use crate::signal::respond::{convolve, minimum_phase};
use crate::units::SampleRate;

/// Length of impulse responses in samples: 85 ms, enough for a cone's resonance to ring out.
const IMPULSE: usize = 4096;

/// Amplifier: shaped, driven into soft clipping at four times the rate, shaped again. In and out: full scale 1.0.
pub(super) fn amplifier(di: &[f32]) -> Vec<f32> {
    const OVER: usize = 4;
    let mut x: Vec<f64> = di.iter().map(|v| f64::from(*v)).collect();
    Biquad::high_pass(95.0, 0.7, RATE).run(&mut x);
    Biquad::peaking(700.0, 0.8, 4.0, RATE).run(&mut x);
    // Four times the rate: zeros in between, then a low-pass in front of and behind the clipping, so that its harmonics do not fold back.
    let fast = RATE * OVER as u32;
    let mut high = vec![0.0; x.len() * OVER];
    for (n, v) in x.iter().enumerate() {
        high[n * OVER] = *v * OVER as f64;
    }
    let stages = [0.54, 1.31];
    for q in stages {
        Biquad::low_pass(19_000.0, q, fast).run(&mut high);
    }
    for v in &mut high {
        *v = clip(*v * 9.0);
    }
    for q in stages {
        Biquad::low_pass(19_000.0, q, fast).run(&mut high);
    }
    let mut y: Vec<f64> = high.iter().step_by(OVER).copied().collect();
    Biquad::high_pass(60.0, 0.7, RATE).run(&mut y);
    Biquad::peaking(480.0, 0.9, -3.5, RATE).run(&mut y);
    y.iter().map(|v| *v as f32).collect()
}

/// Soft, a little lopsided, as one valve clips.
fn clip(v: f64) -> f64 {
    let bias = 0.18f64;
    (v + bias).tanh() - bias.tanh()
}

/// A level curve as points of (Hz, dB) on a logarithmic axis; held beyond its ends.
#[derive(Debug, Clone)]
pub(super) struct Curve(pub(super) Vec<(f64, f64)>);

impl Curve {
    pub(super) fn at(&self, hz: f64) -> f64 {
        let Some((first, last)) = self.0.first().zip(self.0.last()) else { return 0.0 };
        if hz <= first.0 {
            return first.1;
        }
        if hz >= last.0 {
            return last.1;
        }
        let i = self.0.partition_point(|p| p.0 <= hz).clamp(1, self.0.len() - 1);
        let ((f0, d0), (f1, d1)) = (self.0[i - 1], self.0[i]);
        d0 + (d1 - d0) * (hz / f0).ln() / (f1 / f0).ln()
    }
}

/// Cone and close mic of driver A, invented: the fuller of the two.
pub(super) fn cone_a() -> Curve {
    Curve(vec![
        (30.0, -30.0),
        (60.0, -11.0),
        (85.0, -3.0),
        (120.0, 1.0),
        (200.0, 0.0),
        (400.0, -2.5),
        (700.0, -2.0),
        (1200.0, 0.5),
        (1900.0, 3.5),
        (2600.0, 6.0),
        (3300.0, 4.0),
        (3800.0, -1.0),
        (4400.0, 1.0),
        (5200.0, -7.0),
        (6500.0, -17.0),
        (9000.0, -27.0),
        (14_000.0, -44.0),
        (24_000.0, -66.0),
    ])
}

/// Cone and close mic of driver B, invented: the leaner, more forward one.
pub(super) fn cone_b() -> Curve {
    Curve(vec![
        (30.0, -36.0),
        (60.0, -17.0),
        (90.0, -7.0),
        (120.0, -1.0),
        (180.0, 1.5),
        (350.0, -1.0),
        (600.0, -3.0),
        (1000.0, -0.5),
        (1500.0, 2.5),
        (2200.0, 3.0),
        (2900.0, 6.5),
        (3600.0, 5.5),
        (4300.0, 0.5),
        (5000.0, 3.0),
        (6000.0, -6.0),
        (7500.0, -15.0),
        (10_000.0, -27.0),
        (15_000.0, -45.0),
        (24_000.0, -66.0),
    ])
}

/// What one close mic records: its own cone, and the other one 14 dB down and 0.7 ms later. `drive` is what each driver gets, A then B.
pub(super) fn close_mic(amp: &[f32], own: (&Curve, &Curve), other: (&Curve, &Curve)) -> Vec<f32> {
    let Ok(rate) = SampleRate::new(RATE) else { return Vec::new() };
    let near = minimum_phase(rate, IMPULSE, |hz| own.0.at(hz) + own.1.at(hz));
    let far = minimum_phase(rate, IMPULSE, |hz| other.0.at(hz) + other.1.at(hz) - 14.0);
    let late = (0.0007 * f64::from(RATE)) as usize;
    let mut impulse = vec![0.0f32; near.len() + late];
    impulse[..near.len()].copy_from_slice(&near);
    for (i, v) in far.iter().enumerate() {
        impulse[i + late] += v;
    }
    convolve(amp, &impulse)
}
