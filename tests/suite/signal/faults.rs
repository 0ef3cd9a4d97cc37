//! Where each fault begins to be told, by sounds made for it. The thresholds are rules of ours; the numbers are worked by hand.

use super::{RATE, rate, sine};
use cabjury::model::audio::{Audio, FaultKind, Finding, Severity};
use cabjury::signal::faults::{Watch, find};
use cabjury::signal::meter;
use cabjury::units::SampleRate;

fn told_at(rate: SampleRate, channels: Vec<Vec<f32>>) -> Vec<Finding> {
    let audio = Audio::new(rate, channels).unwrap();
    find(&audio, &meter::measure(&audio))
}

fn told(channels: Vec<Vec<f32>>, kind: FaultKind) -> Option<Finding> {
    told_at(rate(), channels).into_iter().find(|f| f.kind == kind)
}

#[test]
fn too_short_is_under_three_seconds_and_no_loudness_under_0_4() {
    let severity = |frames| told(vec![sine(440.0, 0.3, frames)], FaultKind::TooShort).map(|f| f.severity);
    assert_eq!(severity(19_199), Some(Severity::Stop));
    assert_eq!(severity(19_200), Some(Severity::Warn));
    assert_eq!(severity(143_999), Some(Severity::Warn));
    assert_eq!(severity(144_000), None);
}

/// Puts flat tops of `samples` each at a level over a sine, well apart.
fn with_tops(x: &mut [f32], from: usize, count: usize, samples: usize, level: f32) {
    for k in 0..count {
        x[from + 1000 * k..from + 1000 * k + samples].fill(level);
    }
}

/// One channel of two clips: the share is of the samples of both, 10 s each: 672 are 0.07 %, 1120 are 0.117 %.
#[test]
fn the_share_of_clipped_samples_is_of_all_channels() {
    for (count, share, severity) in
        [(12, "672 samples (0.070 %)", Severity::Warn), (20, "1120 samples (0.117 %)", Severity::Stop)]
    {
        let (mut left, right) = (sine(440.0, 0.3, 10 * RATE), sine(330.0, 0.2, 10 * RATE));
        with_tops(&mut left, 5000, count, 56, 0.8);
        let clipping = told(vec![left, right], FaultKind::Clipping).unwrap();
        assert!(clipping.detail.starts_with(share), "{}", clipping.detail);
        assert_eq!(clipping.severity, severity);
    }
}

/// Tops within 5e-5 of the highest count with it, in whatever order they come; lower ones do not.
#[test]
fn flat_tops_count_at_the_highest_level_only() {
    let count = |tops: &[f32]| {
        let mut x = sine(440.0, 0.3, 4 * RATE);
        for (k, level) in tops.iter().enumerate() {
            with_tops(&mut x, 5000 + 10_000 * k, 5, 10, *level);
        }
        let told = told(vec![x], FaultKind::Clipping)?;
        told.detail.split(' ').next()?.parse::<usize>().ok()
    };
    assert_eq!(count(&[0.8]), Some(50));
    assert_eq!(count(&[0.8, 0.80003]), Some(100));
    assert_eq!(count(&[0.80003, 0.8]), Some(100));
    assert_eq!(count(&[0.8, 0.9]), Some(50));
    assert_eq!(count(&[0.9, 0.8]), Some(50));
    assert_eq!(count(&[0.8, 0.80003, 0.9]), Some(50));
    assert_eq!(count(&[-0.8, 0.8]), Some(100), "both signs");
    // Runs of three, and ten samples in all: fewer are chance.
    let runs = |runs: usize, samples: usize| {
        let mut x = sine(440.0, 0.3, 4 * RATE);
        with_tops(&mut x, 5000, runs, samples, 0.8);
        told(vec![x], FaultKind::Clipping).is_some()
    };
    assert_eq!([runs(3, 3), runs(4, 3), runs(20, 2), runs(1, 9), runs(1, 10)], [false, true, false, false, true]);
    // Near the highest so far, but not near the highest of all: it does not count, nor do two samples beside it.
    let mut x = sine(440.0, 0.3, 4 * RATE);
    with_tops(&mut x, 5000, 1, 30, 0.80006);
    for (from, top) in [(20_000, &[0.8, 0.80004, 0.80004][..]), (30_000, &[0.8, 0.8, 0.80004, 0.80004, 0.80004])] {
        x[from..from + top.len()].copy_from_slice(top);
    }
    x[40_000..40_004].copy_from_slice(&[0.8; 4]);
    x.rotate_left(10_000);
    assert!(told(vec![x], FaultKind::Clipping).unwrap().detail.starts_with("33 samples"));
    // A quiet and slow wave that is cut: 11 % over the top the step into it is 6e-4 of full scale, 15 times the least.
    let x: Vec<f32> = sine(97.0, 0.11, 4 * RATE).iter().map(|v| v.clamp(-0.1, 0.1)).collect();
    assert!(told(vec![x], FaultKind::Clipping).is_some());
    // The crest of a 20 Hz sine is within 5e-5 of its top for eleven samples, and yet round.
    assert!(told(vec![sine(20.0, 0.5, 4 * RATE)], FaultKind::Clipping).is_none());
}

/// Steady tones are round however loud, slow, quiet or coarse they are; the same ones cut by a tenth are not.
#[test]
fn a_steady_tone_is_not_clipped() {
    for hz in [41.2, 82.4, 113.0, 137.0, 220.0, 441.0, 2400.0] {
        for amplitude in [0.999, 0.5, 0.4, 0.3, 0.25, 0.0625, 0.008] {
            for steps in [8_388_608.0, 32_768.0] {
                let coarse = |top: f64| -> Vec<f32> {
                    let x = sine(hz, amplitude, 4 * RATE);
                    x.iter().map(|v| ((f64::from(*v).clamp(-top, top) * steps).round() / steps) as f32).collect()
                };
                let round = told(vec![coarse(1.0)], FaultKind::Clipping);
                assert_eq!(round, None, "{hz} Hz of {amplitude} in {steps} steps");
                if amplitude > 0.05 && hz > 80.0 {
                    assert!(told(vec![coarse(0.9 * amplitude)], FaultKind::Clipping).is_some(), "{hz} Hz of {amplitude}, cut");
                }
            }
        }
    }
}

/// Nine seconds of a wave with a mean of 0.01 (or its negative), a rest of 1.2 s with a mean of its own, three seconds of the wave; in
/// blocks of seven frames.
fn offset(sign: f64, rest: f64, hum: f64) -> Option<Finding> {
    let wave = |seconds: usize| sine(440.0, 0.3, seconds * RATE).into_iter().map(|v| v + (0.01 * sign) as f32);
    let rest = sine(400.0, hum, RATE * 6 / 5).into_iter().map(|v| v + rest as f32);
    let x: Vec<f32> = wave(9).chain(rest).chain(wave(3)).collect();
    let mut watch = Watch::new(rate(), 1);
    x.chunks(7).for_each(|block| watch.push(&[block]));
    let found = watch.finish(&meter::measure(&Audio::new(rate(), vec![x]).unwrap()));
    found.into_iter().find(|f| f.kind == FaultKind::DcOffset)
}

/// The mean of all is near 0.009, so an offset has at least 0.0045 in the rest, and on the same side.
#[test]
fn an_offset_is_in_the_rest_too() {
    let detail = |f: Option<Finding>| f.unwrap().detail;
    assert!(detail(offset(1.0, 0.006, 0.0)).contains("+0.0096"));
    assert!(detail(offset(-1.0, -0.006, 0.0)).contains("-0.0096"));
    assert_eq!(offset(1.0, 0.003, 0.0), None, "a wave that is not symmetric");
    assert_eq!(offset(1.0, -0.006, 0.0), None, "on the other side");
    assert_eq!(offset(-1.0, 0.006, 0.0), None, "on the other side");
    // Ten dB under the rest is no rest: then the mean counts, as nothing says otherwise. Twenty dB under is one.
    assert!(detail(offset(1.0, 0.0, 0.095)).contains("+0.0091"));
    assert_eq!(offset(1.0, 0.0, 0.03), None);
}

/// Nine seconds of music and one of rest, in which an impulse makes a flat spectrum and sines stand at harmonics of 50 or 60 Hz. A Hann
/// window's power sum is 3/8 of its length n: an impulse A in its middle has 2 A^2 / (3/8 n^2) in each bin of 1 Hz, and a sine a^2 / 2 in all.
/// It is told 12 dB above five such bins.
fn hum(mains: f64, harmonics: usize, level_db: f64, over_db: f64) -> Option<Finding> {
    let mut x = sine(440.0, 0.5, 9 * RATE);
    let amplitude = (2.0 * 10f64.powf(level_db / 10.0) / harmonics as f64).sqrt();
    let mut rest = vec![0.0f32; RATE];
    for k in 1..=harmonics {
        // A quarter turn from the impulse, which is in the middle: their powers add.
        rest.iter_mut().zip(sine(mains * k as f64, amplitude, RATE)).for_each(|(r, v)| *r += v);
    }
    let bin = amplitude.powi(2) / 2.0 / 5.0 / 10f64.powf(1.2) / 10f64.powf(over_db / 10.0);
    rest[RATE / 2] += (bin * 0.375 / 2.0).sqrt() as f32 * RATE as f32;
    x.extend(rest);
    told(vec![x], FaultKind::MainsHum)
}

#[test]
fn hum_is_three_harmonics_that_stand_out() {
    let detail = |f: Option<Finding>| f.unwrap().detail;
    assert!(detail(hum(50.0, 4, -50.0, 1.5)).starts_with("Hum at 50 Hz and 3 more of its harmonics, -50 dBFS"));
    assert!(detail(hum(60.0, 3, -60.0, 1.5)).starts_with("Hum at 60 Hz and 2 more of its harmonics, -60 dBFS"));
    assert!(detail(hum(60.0, 10, -60.0, 1.5)).starts_with("Hum at 60 Hz and 9 more of its harmonics, -60 dBFS"));
    assert_eq!(hum(50.0, 4, -50.0, -1.5), None, "it does not stand out");
    assert_eq!(hum(50.0, 2, -50.0, 1.5), None, "two are a note");
    assert_eq!(hum(50.0, 4, -66.0, 10.0), None, "nobody hears that");
    assert!(hum(50.0, 4, -64.0, 10.0).is_some());
}

/// At the lowest rate the tenth harmonic of 50 Hz lies at the end of the spectrum: it is left out, and nothing breaks.
#[test]
fn hum_at_the_lowest_rate() {
    let low = SampleRate::new(1000).unwrap();
    let tone = |hz: f64, amplitude: f64, n: usize| (amplitude * (std::f64::consts::TAU * hz * n as f64 / 1000.0).sin()) as f32;
    let mut x: Vec<f32> = (0..9000).map(|n| tone(123.0, 0.5, n)).collect();
    x.extend((0..1000).map(|n| (1..=4).map(|k| tone(50.0 * f64::from(k), 0.002, n)).sum::<f32>()));
    // What rounding leaves at the other harmonics is under this.
    x[9500] += 0.001;
    let found = told_at(low, vec![x]);
    assert!(found.iter().any(|f| f.kind == FaultKind::MainsHum && f.detail.contains("50 Hz and 3 more")), "{found:?}");
}

/// A hole is one only between music: 5 ms on both sides at -50 dBFS or more, and it lasts from 32 samples to under a second.
#[test]
fn a_hole_has_music_on_both_sides() {
    let holes = |before: f32, zeros: usize, after: f32| {
        let mut x: Vec<f32> = sine(440.0, 1.0, RATE).iter().map(|v| (v + 0.02) * before).collect();
        x.extend(vec![0.0; zeros]);
        x.extend(sine(440.0, 1.0, 2 * RATE).iter().map(|v| (v + 0.02) * after));
        // Something to hear, without a zero in it, so that quiet is no silence.
        x.extend(sine(440.0, 0.5, RATE).iter().map(|v| v + 0.6));
        told(vec![x], FaultKind::Dropout)
    };
    assert!(holes(0.5, 480, 0.5).unwrap().detail.starts_with("1 hole of exact zeros within the music, at 1.00 s"));
    assert_eq!(holes(0.001, 480, 0.5), None, "it begins there");
    assert_eq!(holes(0.5, 480, 0.001), None, "it ends there");
    assert!(holes(0.5, 33, 0.5).is_some());
    assert_eq!(holes(0.5, 30, 0.5), None, "too short to be one");
    assert!(holes(0.5, RATE - 2, 0.5).is_some());
    assert_eq!(holes(0.5, RATE + 2, 0.5), None, "a rest with a gate");
}

/// A hole that begins with a block: what sounded at the end of the block before counts, not what came earlier.
#[test]
fn a_hole_at_the_beginning_of_a_block() {
    for (earlier, before, holes) in [(0.0001, 0.5, 1), (0.5, 0.0001, 0)] {
        let loud = |gain: f32, frames: usize| sine(440.0, 1.0, frames).into_iter().map(move |v| (v + 0.02) * gain);
        let first: Vec<f32> = loud(earlier, RATE).chain(loud(before, 480)).collect();
        let second: Vec<f32> = std::iter::repeat_n(0.0, 480).chain(loud(0.5, 4 * RATE)).collect();
        let levels = meter::measure(&Audio::new(rate(), vec![second.clone()]).unwrap());
        let mut watch = Watch::new(rate(), 1);
        watch.push(&[first]);
        watch.push(&[second]);
        assert_eq!(watch.finish(&levels).iter().filter(|f| f.kind == FaultKind::Dropout).count(), holes);
    }
}

/// A file of which the first block is not a numbers and the others are nothing: both are told.
#[test]
fn broken_at_first_and_silent_afterwards() {
    for broken_first in [true, false] {
        let (mut watch, mut levels) = (Watch::new(rate(), 1), meter::Meter::new(rate(), 1));
        for first in [true, false] {
            let block = vec![if first == broken_first { f32::NAN } else { 0.0 }; 4 * RATE];
            watch.push(&[&block]);
            levels.push(&[&block]);
        }
        let kinds: Vec<FaultKind> = watch.finish(&levels.levels()).iter().map(|f| f.kind).collect();
        assert_eq!(kinds, [FaultKind::NotANumber, FaultKind::Silence]);
    }
}

#[test]
fn one_channel_is_silent_60_db_under_the_other() {
    let at = |left: f64, right: f64| {
        told(vec![sine(440.0, left, 4 * RATE), sine(440.0, right, 4 * RATE)], FaultKind::OneChannelSilent)
    };
    assert_eq!(at(0.5, 0.000_55), None);
    assert!(at(0.5, 0.000_45).unwrap().detail.contains("right channel"));
    assert!(at(0.000_45, 0.5).unwrap().detail.contains("left channel"));
}

/// A converter that clips, then a DC block (first order, 10 Hz): no two samples are equal, the tops are straight. A rounded top and a slow wave
/// are not.
#[test]
fn clipping_behind_a_dc_block() {
    let block = |x: &[f64]| -> Vec<f32> {
        let pole = 1.0 - std::f64::consts::TAU * 10.0 / RATE as f64;
        let (mut last, mut out) = (0.0, 0.0);
        x.iter()
            .map(|v| {
                out = v - last + pole * out;
                last = *v;
                (0.9 * out) as f32
            })
            .collect()
    };
    let wave = |n: usize| {
        let t = n as f64 / RATE as f64;
        0.7 * (std::f64::consts::TAU * 196.0 * t).sin() + 0.4 * (std::f64::consts::TAU * 294.3 * t).sin()
    };
    let clean: Vec<f64> = (0..5 * RATE).map(wave).collect();
    for over_db in [0.5, 1.0, 3.0] {
        let level = 1.1 / 10f64.powf(over_db / 20.0);
        let clipped: Vec<f64> = clean.iter().map(|v| v.clamp(-level, level)).collect();
        let found = told(vec![block(&clipped)], FaultKind::Clipping).unwrap_or_else(|| panic!("{over_db} dB"));
        assert!(found.severity == Severity::Warn && found.detail.contains("straight tops"), "{found:?}");
    }
    let round: Vec<f64> = clean.iter().map(|v| (3.0 * v).tanh()).collect();
    assert_eq!(told(vec![block(&round)], FaultKind::Clipping), None);
    assert_eq!(told(vec![block(&clean)], FaultKind::Clipping), None);
    assert_eq!(told(vec![sine(20.0, 0.9, 5 * RATE)], FaultKind::Clipping), None);
}
