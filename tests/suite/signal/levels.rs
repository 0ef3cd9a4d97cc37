//! The meter in its details: peaks across blocks, gates, weights, sliding windows. By the standards and by hand.

use super::{RATE, rate, sine};
use cabjury::signal::loudness::{channel_weight, loudness_of, power_of, range, step_frames};
use cabjury::signal::meter::Meter;
use cabjury::signal::peak::TruePeak;
use cabjury::units::SampleRate;

/// Two equal samples beside each other at a block's end have their peak between them (2.1 dB over: twice the sinc at half a sample,
/// 2 sin(pi/2)/pi, and a little less under a Hann window); it comes out of the interpolator in the next block, even if that is silent.
#[test]
fn a_peak_between_two_samples_is_found_across_blocks() {
    for split in [100, 101, 102, 106, 112] {
        let mut x = vec![0.0f32; 200];
        (x[99], x[100]) = (0.5, 0.5);
        let mut meter = TruePeak::new(rate());
        meter.push(&x[..split]);
        meter.push(&x[split..]);
        assert!(meter.peak() > 0.6 && meter.peak() < 0.64, "{} with a block's end at {split}", meter.peak());
    }
}

/// EBU Tech 3342: silence counts neither for the range nor for the gate 20 LU below the mean. 200 s at -20 and 200 s at -45 LUFS have their
/// gate at -43 with or without an hour of silence; 200 s at -40 are within it.
#[test]
fn silence_is_gated_before_the_range_is_taken() {
    let range_of = |quiet: f64, silence: usize| {
        let energy = |lufs: f64| power_of(lufs) * step_frames(rate()) as f64;
        let mut steps = vec![energy(-20.0); 2000];
        steps.extend(vec![energy(quiet); 2000]);
        steps.extend(vec![energy(-75.0); silence]);
        range(&steps, rate()).unwrap().value()
    };
    for silence in [0, 36_000] {
        assert!(range_of(-45.0, silence).abs() < 1e-9, "{}", range_of(-45.0, silence));
        assert!((range_of(-40.0, silence) - 20.0).abs() < 1e-9, "{}", range_of(-40.0, silence));
    }
}

/// Four short-term values by hand: the 10th percentile is the first, the 95th the last.
#[test]
fn percentiles_of_few_values() {
    let energy = power_of(-20.0) * step_frames(rate()) as f64;
    let mut steps = vec![energy; 30];
    steps.extend([2.0 * energy, 3.0 * energy, 4.0 * energy]);
    // The last value holds 27 steps of one, and two, three, four.
    assert!((range(&steps, rate()).unwrap().value() - 10.0 * (36.0f64 / 30.0).log10()).abs() < 1e-12);
}

/// At 11 025 Hz a step of 100 ms is 1103 frames and one of 10 ms is 110: they do not end together. The weighting's
/// curve is bent at so low a rate: a fifth of a LU.
#[test]
fn steps_that_do_not_end_together() {
    let low = SampleRate::new(11_025).unwrap();
    let tone: Vec<f32> =
        (0..55_125).map(|n| (0.1 * (std::f64::consts::TAU * 997.0 * f64::from(n) / 11_025.0).sin()) as f32).collect();
    let mut meter = Meter::new(low, 2);
    tone.chunks(1000).for_each(|part| meter.push(&[part, part]));
    let levels = meter.levels();
    for found in [levels.integrated, levels.momentary_max, levels.short_term_max] {
        assert!((found.unwrap().value() + 20.0).abs() < 0.2, "{found:?}");
    }
}

#[test]
fn loudness_and_power_are_inverse() {
    for lufs in [-70.0, -23.0, 0.0] {
        assert!((loudness_of(power_of(lufs)).unwrap().value() - lufs).abs() < 1e-12);
    }
    assert_eq!(loudness_of(0.0), None);
}

/// ITU-R BS.1770, table of weightings: 1 for left, right and centre, 1.41 (1.5 dB) for the surrounds, none for the low-frequency channel.
#[test]
fn channels_are_weighted() {
    let weights = |channels: usize| (0..channels).map(|c| channel_weight(c, channels)).collect::<Vec<f64>>();
    assert_eq!(weights(1), [1.0]);
    assert_eq!(weights(2), [1.0; 2]);
    assert_eq!(weights(5), [1.0, 1.0, 1.0, 1.41, 1.41]);
    assert_eq!(weights(6), [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]);
}

/// EBU Tech 3341: a tone of 1 kHz with its peaks at -23 dBFS on two channels is -23 LUFS. A burst of 400 ms fills one momentary window and
/// 0.4 / 3 of a short-term one (8.75 dB less); on one channel it is 3.01 dB less, on a surround of five 1.49 dB more than that. In blocks
/// that no window is a multiple of.
#[test]
fn bursts_in_the_sliding_windows() {
    for (channels, sounding, wanted) in [
        (2, &[0, 1][..], -23.0),
        (2, &[0], -26.01),
        (2, &[1], -26.01),
        (1, &[0], -26.01),
        (5, &[2], -26.01),
        (5, &[3], -24.52),
        (5, &[4], -24.52),
        (6, &[5], -24.52),
    ] {
        let mut planes = vec![vec![0.0; 8 * RATE]; channels];
        for c in sounding {
            planes[*c][4 * RATE..4 * RATE + RATE * 2 / 5].copy_from_slice(&sine(1000.0, 10f64.powf(-23.0 / 20.0), RATE * 2 / 5));
        }
        let mut meter = Meter::new(rate(), channels);
        for start in (0..8 * RATE).step_by(1237) {
            let block: Vec<&[f32]> = planes.iter().map(|p| &p[start..(start + 1237).min(8 * RATE)]).collect();
            meter.push(&block);
        }
        let levels = meter.levels();
        let (momentary, short) = (levels.momentary_max.unwrap().value(), levels.short_term_max.unwrap().value());
        assert!((momentary - wanted).abs() < 0.05, "momentary {momentary} instead of {wanted} for {sounding:?} of {channels}");
        assert!((short - wanted + 8.751).abs() < 0.05, "short-term {short} for {sounding:?} of {channels}");
    }
}
