//! Minimum-phase filters against filters whose impulse response is known.

use cabjury::signal::respond::{convolve, minimum_phase};
use cabjury::units::SampleRate;
use std::f64::consts::TAU;

#[test]
fn a_one_pole_low_pass_comes_back_from_its_magnitude() {
    // h[n] = (1-a) a^n is minimum phase, |H| = (1-a) / |1 - a e^-jw|: textbook (Oppenheim & Schafer; from memory).
    let (rate, a) = (SampleRate::new(48_000).unwrap(), 0.8f64);
    let magnitude = |hz: f64| {
        let w = TAU * hz / 48_000.0;
        20.0 * ((1.0 - a) / (1.0 - 2.0 * a * w.cos() + a * a).sqrt()).log10()
    };
    let h = minimum_phase(rate, 256, magnitude);
    assert_eq!(h.len(), 256);
    for (n, v) in h.iter().enumerate().take(60) {
        let wanted = (1.0 - a) * a.powi(n as i32);
        assert!((f64::from(*v) - wanted).abs() < 1e-6, "{n}: {v} {wanted}");
    }
}

/// h = 1, 0.95: its cepstrum dies slowly, and a coarse grid would fold it onto itself.
#[test]
fn a_zero_near_the_circle_comes_back_from_its_magnitude() {
    let magnitude = |hz: f64| {
        let w = TAU * hz / 48_000.0;
        10.0 * (1.0 + 0.95 * 0.95 + 2.0 * 0.95 * w.cos()).log10()
    };
    let h = minimum_phase(SampleRate::new(48_000).unwrap(), 64, magnitude);
    for (n, v) in h.iter().enumerate() {
        let wanted = [1.0, 0.95].get(n).copied().unwrap_or(0.0);
        assert!((f64::from(*v) - wanted).abs() < 1e-6, "{n}: {v} {wanted}");
    }
}

#[test]
fn a_flat_curve_is_a_gain() {
    let h = minimum_phase(SampleRate::new(44_100).unwrap(), 64, |_| -6.0);
    assert!((f64::from(h[0]) - 10f64.powf(-0.3)).abs() < 1e-6);
    assert!(h[1..].iter().all(|v| v.abs() < 1e-6));
}

#[test]
fn convolution_is_the_sum_by_hand() {
    let x = [1.0f32, 2.0, 0.0, -1.0, 0.5];
    let h = [0.5f32, -0.25, 0.125];
    let y = convolve(&x, &h);
    for n in 0..x.len() {
        let wanted: f32 = (0..h.len()).filter(|k| *k <= n).map(|k| h[k] * x[n - k]).sum();
        assert!((y[n] - wanted).abs() < 1e-6, "{n}");
    }
    assert!(convolve(&[], &h).is_empty());
}
