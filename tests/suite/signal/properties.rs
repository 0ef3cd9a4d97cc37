//! What must hold whatever the numbers: what is put in comes out, blocks do not matter, a part stands for the whole.

use super::rate;
use crate::material::{self, Noise};
use cabjury::model::audio::{Audio, FaultKind, Polarity};
use cabjury::signal::excerpts::{Purpose, propose};
use cabjury::signal::faults::{Watch, find};
use cabjury::signal::{align, bands, matching, meter, shift};
use cabjury::units::{Dbtp, SampleRate};
use proptest::prelude::*;
use std::sync::OnceLock;

fn riff() -> &'static [f32] {
    static RIFF: OnceLock<Vec<f32>> = OnceLock::new();
    RIFF.get_or_init(|| material::noisy(&material::riff(5.0, 48_000), -80.0, 9).iter().map(|v| *v as f32).collect())
}

fn audio(x: &[f32]) -> Audio {
    Audio::new(rate(), vec![x.to_vec()]).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// Gain, polarity and a fractional lag that are put in come out. 0.01 sample: the error at -40 dB of noise is ten times less.
    #[test]
    fn gain_polarity_and_lag_come_out(lag in -2000.0f64..2000.0, db in -12.0f64..6.0, flip: bool) {
        let factor = 10f64.powf(db / 20.0) * if flip { -1.0 } else { 1.0 };
        let late: Vec<f32> = shift::advance(riff(), -lag, riff().len() + 4096).iter().map(|v| (f64::from(*v) * factor) as f32).collect();
        let found = align::find_honest_lag(riff(), &late, rate()).unwrap();
        prop_assert!((found.samples - lag).abs() < 0.01, "{} for {lag}", found.samples);
        prop_assert_eq!(found.polarity, if flip { Polarity::Flipped } else { Polarity::Same });
        let level = |x: &[f32]| meter::measure(&audio(x)).integrated.unwrap().value();
        let back = shift::advance(&late, lag, riff().len());
        prop_assert!((level(&back) - level(riff()) - db).abs() < 0.02);
    }

    /// The order of the files changes no gain, and matching what is matched changes nothing.
    #[test]
    fn matching_is_symmetric_and_idempotent(levels in prop::collection::vec(-20.0f64..-1.0, 2..5), turn in 0usize..4) {
        let clips: Vec<Audio> = levels.iter().map(|db| {
            let factor = 10f64.powf(db / 20.0);
            audio(&riff().iter().map(|v| (f64::from(*v) * factor) as f32).collect::<Vec<_>>())
        }).collect();
        let gains = |clips: &[Audio]| {
            let blocks: Vec<Vec<f64>> = clips.iter().map(|a| cabjury::signal::loudness::blocks(&meter::step_energies(a), rate())).collect();
            let kept = matching::shared_gate(&blocks).unwrap();
            let loud: Vec<_> = blocks.iter().map(|b| matching::loudness_over(b, &kept).unwrap()).collect();
            let peaks: Vec<_> = clips.iter().map(|a| meter::measure(a).true_peak).collect();
            matching::gains(&loud, &peaks, Dbtp::new(-1.0).unwrap())
        };
        let found = gains(&clips);
        let mut turned = clips.clone();
        let by = turn % clips.len();
        turned.rotate_left(by);
        let mut again = gains(&turned);
        again.rotate_right(by);
        for (a, b) in found.iter().zip(&again) {
            prop_assert!((a - b).abs() < 1e-9, "{found:?} against {again:?}");
        }
        let matched: Vec<Audio> = clips.iter().zip(&found).map(|(a, db)| {
            let factor = 10f64.powf(db / 20.0);
            audio(&a.channels()[0].iter().map(|v| (f64::from(*v) * factor) as f32).collect::<Vec<_>>())
        }).collect();
        prop_assert!(gains(&matched).iter().all(|db| db.abs() < 0.01), "{:?}", gains(&matched));
    }

    /// Detectors that see blocks find what they find in the whole, wherever the cuts fall.
    #[test]
    fn faults_do_not_depend_on_blocks(seed: u64, cuts in prop::collection::vec(1usize..9000, 1..40)) {
        let mut noise = Noise(seed);
        let mut x: Vec<f32> = riff().iter().map(|v| (v * 4.0).clamp(-0.7, 0.69)).collect();
        // Two holes, one of which is too short to count.
        for (at, n) in [(60_000, 31), (90_000 + (noise.next() * 9_000.0) as usize, 40)] {
            x[at..at + n].fill(0.0);
        }
        let whole = audio(&x);
        let levels = meter::measure(&whole);
        let mut watch = Watch::new(rate(), 1);
        let (mut at, mut cuts) = (0, cuts.into_iter().cycle());
        while at < x.len() {
            let end = (at + cuts.next().unwrap()).min(x.len());
            watch.push(&[&x[at..end]]);
            at = end;
        }
        prop_assert_eq!(watch.finish(&levels), find(&whole, &levels));
    }
}

/// The rule of the sheet, walked naively: samples in runs of three or more within 5e-5 of the extreme of each sign.
fn clipped_by_hand(x: &[f32]) -> usize {
    [1.0f32, -1.0]
        .iter()
        .map(|sign| {
            let y: Vec<f32> = x.iter().map(|v| v * sign).collect();
            let top = y.iter().copied().fold(0.0f32, f32::max);
            y.split(|v| top - v > 5e-5).map(<[f32]>::len).filter(|n| *n >= 3).sum::<usize>()
        })
        .sum()
}

#[test]
fn clipped_samples_are_counted_as_by_hand() {
    for (drive, top) in [(2.0, 0.5), (4.0, 0.9), (8.0, 0.25)] {
        let x: Vec<f32> = riff().iter().map(|v| (v * drive).clamp(-top, top * 0.98)).collect();
        let clip = audio(&x);
        let found = find(&clip, &meter::measure(&clip));
        let clipping = found.iter().find(|f| f.kind == FaultKind::Clipping).unwrap();
        let by_hand = clipped_by_hand(&x);
        assert!(by_hand > 10);
        assert!(clipping.detail.starts_with(&format!("{by_hand} samples ")), "{} by hand: {}", by_hand, clipping.detail);
    }
}

#[test]
fn a_long_recording_is_aligned_as_well_as_a_short_one() {
    // A minute and a half: long enough that only a part is looked at closely.
    let mut seed = Noise(3);
    let long: Vec<f32> = (0..18)
        .flat_map(|i| {
            let gain = 0.3 + 0.7 * (seed.next() * 0.5 + 0.5) as f32;
            riff().iter().skip(i * 97).map(move |v| v * gain).collect::<Vec<_>>()
        })
        .collect();
    assert!(long.len() * 2 > 1 << 22, "the recording is not long enough for this test");
    for lag in [12_345.25, -777.5] {
        let late = shift::advance(&long, -lag, long.len());
        let found = align::find_honest_lag(&long, &late, rate()).unwrap();
        assert!((found.samples - lag).abs() < 0.01, "{} for {lag}", found.samples);
    }
    // Half a minute late: no part of one lies over the same part of the other until the whole has been laid over the whole.
    let late = [&vec![0.0; 30 * 48_000][..], &long[..]].concat();
    let found = align::find_honest_lag(&long, &late, rate()).unwrap();
    assert!((found.samples - 1_440_000.0).abs() < 0.01, "{}", found.samples);
    // Two clocks, and the loudest part at the end: the lag is that at frame 0 all the same, 1.6 samples away from that of the part.
    let rising: Vec<f32> = long.iter().enumerate().map(|(n, v)| if n > 3_200_000 { *v } else { 0.3 * v }).collect();
    let drifting = shift::unwarp_at(&rising, -500.0, -0.45, 0, rising.len());
    let lag = align::find_lag(&rising, &drifting, rate(), true).unwrap();
    assert!((lag.samples - 500.0).abs() < 0.1, "{}", lag.samples);
    // Two clocks: the lag is that at frame 0.
    let drifting = shift::unwarp_at(&long, -500.0, -8.0, 0, long.len());
    let lag = align::find_lag(&long, &drifting, rate(), true).unwrap();
    let (ppm, offset) = align::find_drift(&long, &drifting, lag.samples, rate()).unwrap();
    assert!((ppm - 8.0).abs() < 0.05, "{ppm} ppm");
    assert!((lag.samples + offset - 500.0).abs() < 0.1, "{} + {offset}", lag.samples);
}

#[test]
fn excerpts_are_found_where_they_were_put() {
    let hz = 48_000.0;
    let note = |x: &mut Vec<f64>, start: f64, pitch: f64, decay: f64, level: f64| {
        let first = (start * hz) as usize;
        for n in first..x.len().min(first + (4.0 * hz) as usize) {
            let t = (n - first) as f64 / hz;
            let body: f64 = (1..8).map(f64::from).map(|h| (2.0 * std::f64::consts::PI * pitch * h * t).sin() / h).sum();
            x[n] += level * (-t / decay).exp() * body;
        }
    };
    let mut x = vec![0.0; (30.0 * hz) as usize];
    for i in 0..36 {
        // 0.5 to 9.5 s: strummed eighths that never die away.
        note(&mut x, 0.5 + 0.25 * f64::from(i), 110.0 + f64::from(i % 3), 1.5, 0.08);
    }
    for i in 0..6 {
        // 11 to 20 s: single notes that ring.
        note(&mut x, 11.0 + 1.5 * f64::from(i), 196.0 + 10.0 * f64::from(i), 1.2, 0.12);
    }
    for i in 0..32 {
        // 21.5 to 29.5 s: damped notes.
        note(&mut x, 21.5 + 0.25 * f64::from(i), 82.4, 0.03, 0.25);
    }
    let x: Vec<f32> = material::noisy(&x, -80.0, 4).iter().map(|v| *v as f32).collect();
    let found = propose(&x, rate(), (0.0, 30.0));
    for (purpose, from, to) in [(Purpose::Steady, 0.0, 10.0), (Purpose::Sparse, 10.0, 21.0), (Purpose::Muted, 21.0, 30.0)] {
        let one =
            found.iter().find(|p| p.purpose == purpose).unwrap_or_else(|| panic!("no {} part in {found:?}", purpose.name()));
        let inside = (one.end_s.min(to) - one.start_s.max(from)) / (one.end_s - one.start_s);
        assert!(inside > 0.8, "{one:?} lies outside {from} to {to}");
    }
    assert!(propose(&x[..96_000], rate(), (0.0, 2.0)).is_empty(), "two seconds leave nothing to choose from");
}

/// White noise has its power in proportion to the band's width, up to a band that ends a fraction of a bin below half the rate
/// (44 775 Hz: the 20 kHz band ends 0.3 Hz below it).
#[test]
fn the_highest_band_may_end_at_half_the_rate() {
    let mut noise = Noise(5);
    let x: Vec<f32> = (0..600_000).map(|_| noise.next() as f32).collect();
    let power = x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len() as f64;
    for (hz, bands) in [(44_775, 30), (44_774, 29), (48_000, 30)] {
        let levels = bands::levels(&[&x], SampleRate::new(hz).unwrap());
        assert_eq!(levels.iter().flatten().count(), bands, "{hz}");
        for n in 5..bands as i32 - 16 {
            let width = bands::centre(n) * (10f64.powf(0.05) - 10f64.powf(-0.05));
            let wanted = 10.0 * (power * width / (f64::from(hz) / 2.0)).log10();
            let found = levels[(n + 16) as usize].unwrap();
            // A thousand bins and more in each of 17 windows: a standard deviation of 0.04 dB at most.
            assert!((found - wanted).abs() < 0.25, "{hz} Hz, band {n}: {found} against {wanted}");
        }
    }
}
