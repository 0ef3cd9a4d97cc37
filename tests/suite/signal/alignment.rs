//! Alignment and what it is made of, where it takes no time: lags and clocks at 8 kHz, delays against their formula, the shared gate
//! by hand. What is put in comes out; bounds are about three times what was measured.

use crate::material::{self, Noise};
use cabjury::model::audio::{LagMethod, Polarity};
use cabjury::signal::loudness::power_of;
use cabjury::signal::matching::{loudness_over, shared_gate};
use cabjury::signal::{align, shift};
use cabjury::units::SampleRate;
use std::f64::consts::PI;

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

/// Two noises that know nothing of each other have peaks of both signs that are nearly alike (largest of many alike draws): undecided. The
/// ratio is the larger by the smaller, whichever is the positive one.
#[test]
fn unrelated_recordings_have_no_polarity() {
    for seed in 1..6 {
        let draw = |seed: u64| {
            let mut noise = Noise(seed);
            (0..2 * RATE).map(|_| noise.next() as f32).collect::<Vec<f32>>()
        };
        let (first, second) = (draw(seed), draw(seed + 100));
        let turned: Vec<f32> = second.iter().map(|v| -v).collect();
        let [one, other] = [&second, &turned].map(|s| align::find_lag(&first, s, rate(), false).unwrap());
        assert_eq!((one.polarity, other.polarity), (Polarity::Undecided, Polarity::Undecided));
        assert!(one.polarity_ratio >= 1.0 && one.polarity_ratio < align::POLARITY_RATIO, "{}", one.polarity_ratio);
        assert!((one.polarity_ratio - other.polarity_ratio).abs() < 1e-3, "{} {}", one.polarity_ratio, other.polarity_ratio);
    }
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

/// Two seconds of the second come 1.5 samples late (a dropped buffer that was patched, say): the line of the clocks is laid through the rest.
#[test]
fn a_stretch_that_is_out_of_place_does_not_turn_the_clock() {
    let long = riff(30.0);
    for (from, ppm) in [(24, 8.0), (3, 8.0), (24, -30.0), (3, 0.0)] {
        let mut drifting = shift::unwarp_at(&long, -500.0, -ppm, 0, long.len() + 1000);
        let late = shift::advance(&drifting, -1.5, drifting.len());
        drifting[from * 8000..(from + 2) * 8000].copy_from_slice(&late[from * 8000..(from + 2) * 8000]);
        let (found, offset) = align::find_drift(&long, &drifting, 500.0, rate()).unwrap();
        // The 500 samples before are on the second's clock.
        let offset = offset - 500e-6 * ppm;
        assert!((found - ppm).abs() < 0.002 && offset.abs() < 0.001, "{found} ppm, {offset} late, for {ppm} ppm from {from} s");
    }
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

/// The sum that the documentation states, term by term: 96 taps of a sinc under cos^2(pi t / 98).
fn by_the_formula(x: &[f32], u: f64) -> f64 {
    let near = u.floor() as i64;
    (near - 47..=near + 48)
        .filter_map(|k| {
            let v = f64::from(*x.get(usize::try_from(k).ok()?)?);
            let t = u - k as f64;
            let sinc = if t == 0.0 { 1.0 } else { (PI * t).sin() / (PI * t) };
            Some(v * sinc * (PI * t / 98.0).cos().powi(2))
        })
        .sum()
}

/// Over the ends of the recording and over the seams of what is made together.
#[test]
fn a_delay_is_the_stated_sum() {
    let mut noise = Noise(11);
    let x: Vec<f32> = (0..2500).map(|_| noise.next() as f32).collect();
    for ahead in [0.3, 0.999, -0.25, -80.5, 100.75, 2490.5] {
        let found = shift::advance(&x, ahead, 2600);
        assert_eq!(found.len(), 2600);
        for (n, v) in found.iter().enumerate() {
            let wanted = by_the_formula(&x, n as f64 + ahead);
            assert!((f64::from(*v) - wanted).abs() < 1e-6, "{v} instead of {wanted} at {n}, {ahead} ahead");
        }
    }
    // Whole samples are a copy, silence around it.
    for ahead in [0, 3, -7, 2499, 2600, -2700] {
        let wanted: Vec<f32> =
            (0..2600).map(|n: i64| usize::try_from(n + ahead).ok().and_then(|k| x.get(k)).copied().unwrap_or(0.0)).collect();
        assert_eq!(shift::advance(&x, ahead as f64, 2600), wanted);
    }
}

/// Between 1024 tabled fractions the taps are interpolated: within 2e-6 of the formula on noise of full scale.
#[test]
fn another_clock_is_the_stated_sum() {
    let mut noise = Noise(12);
    let x: Vec<f32> = (0..2500).map(|_| noise.next() as f32).collect();
    for (ahead, ppm, start) in [(0.0, 150.0, 0), (-3.3, -80.0, 100), (20.6, 20_000.0, 1000), (-1500.0, 5.0, 0)] {
        for (n, v) in shift::unwarp_at(&x, ahead, ppm, start, 1600).iter().enumerate() {
            let wanted = by_the_formula(&x, ahead + (start + n) as f64 * (1.0 + ppm * 1e-6));
            assert!((f64::from(*v) - wanted).abs() < 2e-6, "{v} instead of {wanted} at {n}, {ppm} ppm, {ahead} ahead");
        }
    }
    assert_eq!(shift::unwarp(&x, 150.0, 1600), shift::unwarp_at(&x, 0.0, 150.0, 0, 1600));
}

/// Blocks that count for all clips, by hand: above -70 LUFS in every clip, and on average of the clips above a tenth of their means.
#[test]
fn the_gate_is_shared() {
    let quiet = power_of(-70.0);
    let loud = [0.02, 0.02, 0.02];
    let clip = |gain: f64, last: f64| loud.iter().map(|z| z * gain).chain([last * gain, 0.5 * quiet]).collect::<Vec<f64>>();
    // The mean of three times 1 and r is (3 + r) / 4, a tenth of which is r at 0.3 / 3.9.
    let just = 0.02 * 0.3 / 3.9;
    assert_eq!(shared_gate(&[clip(1.0, 1.01 * just)]), Some(vec![true, true, true, true, false]));
    assert_eq!(shared_gate(&[clip(1.0, 0.99 * just)]), Some(vec![true, true, true, false, false]));
    // A clip's level does not matter, and one that falls deeper than the other is carried along by it.
    assert_eq!(shared_gate(&[clip(1.0, 1.02 * just), clip(0.03, 0.99 * just)]), Some(vec![true, true, true, true, false]));
    assert_eq!(shared_gate(&[clip(1.0, 1.01 * just), clip(0.03, 0.98 * just)]), Some(vec![true, true, true, false, false]));
    // What one clip does not sound in does not count for any; the shortest clip ends it.
    assert_eq!(shared_gate(&[vec![0.02, 0.02, 0.02], vec![0.02, 0.9 * quiet, 0.02, 0.02]]), Some(vec![true, false, true]));
    assert_eq!(shared_gate(&[vec![0.02], vec![0.9 * quiet]]), None);
    assert_eq!(shared_gate(&[]), None);
    let level = loudness_over(&[0.02, 0.04, 9.0], &[true, true, false]).unwrap().value();
    assert!((level - (-0.691 + 10.0 * 0.03f64.log10())).abs() < 1e-12, "{level}");
    assert_eq!(loudness_over(&[0.02], &[false]), None);
}
