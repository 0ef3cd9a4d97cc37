//! Alignment at 8 kHz, where minutes take no time: what is put in comes out. Bounds are about three times what was measured.

use crate::material::{self, Noise};
use cabjury::model::audio::{LagMethod, Polarity};
use cabjury::signal::{align, shift};
use cabjury::units::SampleRate;

const RATE: u32 = 8000;

fn rate() -> SampleRate {
    SampleRate::new(RATE).unwrap()
}

fn riff(seconds: f64) -> Vec<f32> {
    material::noisy(&material::riff(seconds, RATE), -80.0, 9).iter().map(|v| *v as f32).collect()
}

/// A second recording: late, louder or quieter, turned; and by how much more polarity shows at the right sign. 0.2 samples: the whitened peak
/// of a band-limited sound is wide.
#[test]
fn lags_at_a_low_rate() {
    let first = riff(4.0);
    for lag in [0.0, 0.5, -0.49, 3.25, -17.7, 1000.3, -4000.6, 9000.1] {
        for gain in [1.0, -0.3] {
            let second: Vec<f32> = shift::advance(&first, -lag, first.len() + 2000).iter().map(|v| v * gain).collect();
            for (same, method, within) in [(true, LagMethod::PhaseSlope, 6e-6), (false, LagMethod::WhitenedPeak, 0.2)] {
                let found = align::find_lag(&first, &second, rate(), same).unwrap();
                assert!((found.samples - lag).abs() < within, "{} for {lag}", found.samples);
                assert_eq!(found.method, method);
                assert_eq!(found.polarity, if gain > 0.0 { Polarity::Same } else { Polarity::Flipped });
                assert!(found.polarity_ratio > 2.0 && found.correlation > 0.87 && found.correlation <= 1.0, "{found:?}");
            }
        }
    }
    assert!(align::find_lag(&first, &vec![0.0; 8000], rate(), true).is_none(), "silence has no lag");
}

/// The lag is a clock's at frame 0. A strong drift moves the last window by whole samples: 48 at 150 ppm.
#[test]
fn drifts_at_a_low_rate() {
    let first = riff(40.0);
    for (lag, ppm, within) in [
        (0.0, 0.0, 1e-12),
        (0.0, 1.0, 3e-6),
        (100.25, 20.0, 1.2e-3),
        (-37.5, -20.0, 1.2e-3),
        (0.0, 150.0, 0.07),
        (50.0, -150.0, 0.07),
        (50.6, 3.0, 1e-4),
    ] {
        let second = shift::unwarp_at(&first, -lag, -ppm, 0, first.len() + 500);
        // However the given lag misses the true one by less than a sample.
        for given in [lag, lag + 0.7] {
            let (drift, offset) = align::find_drift(&first, &second, given, rate()).unwrap();
            let late = offset + given - lag * (1.0 + ppm * 1e-6);
            assert!((drift - ppm).abs() <= within && late.abs() < 4e-6, "{drift} ppm, {late:e} late, for {ppm} and {given}");
        }
    }
}

/// The music ends in the middle; what follows is each recording's own noise, which knows nothing of the clocks.
#[test]
fn the_clock_is_heard_where_there_is_music() {
    let mut first = riff(20.0);
    let mut second = shift::unwarp_at(&first, -5.0, -4.0, 0, first.len());
    for (x, seed) in [(&mut first, 1), (&mut second, 2)] {
        let mut noise = Noise(seed);
        x.extend((0..20 * RATE).map(|_| (0.001 * noise.next()) as f32));
    }
    let (drift, offset) = align::find_drift(&first, &second, 5.0, rate()).unwrap();
    assert!((drift - 4.0).abs() < 0.02 && offset.abs() < 0.005, "{drift} ppm, {offset}");
}

#[test]
fn too_short_for_a_drift() {
    let first = riff(3.0);
    assert!(align::find_drift(&first[..2 * RATE as usize + 4000 - 1], &first, 0.0, rate()).is_none(), "three windows");
    assert!(align::find_drift(&first[..2 * RATE as usize + 4000], &first, 0.0, rate()).is_some(), "four windows");
    assert!(align::find_drift(&first[..4000], &first, 0.0, rate()).is_none());
    assert!(align::find_drift(&vec![0.0; first.len()], &first, 0.0, rate()).is_none());
}

/// By hand: a pure delay turns the cross-spectrum by exactly its share of the circle. Half a sample and more, up to the two that are allowed.
#[test]
fn the_phase_slope_of_a_delay() {
    let long = riff(3.0);
    for delay in [0.0, 0.25, -0.8, 1.9, -1.9] {
        let later = shift::advance(&long, -delay, long.len());
        let found = align::phase_slope(&long[8000..16_000], &later[8000..16_000], rate()).unwrap();
        // The ends of the stretch differ by what the delay moves over them: a thousandth of it.
        assert!((found - delay).abs() < 2e-3 * delay.abs() + 1e-9, "{found} for {delay}");
    }
    for delay in [2.2, -2.2] {
        let later = shift::advance(&long, -delay, long.len());
        assert_eq!(align::phase_slope(&long[8000..16_000], &later[8000..16_000], rate()), None);
    }
    assert!(align::phase_slope(&long[8000..8255], &long[8000..8255], rate()).is_none(), "under 256 samples");
    assert_eq!(align::phase_slope(&long[8000..8256], &long[8000..8256], rate()), Some(0.0));
    assert!(align::phase_slope(&long[8000..9000], &[0.0; 1000], rate()).is_none());
}
