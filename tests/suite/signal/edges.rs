//! Places that mutants found without a test: bands, the quietest second, residuals, fades. By definition and by sounds of known level.

use super::{RATE, rate};
use cabjury::model::audio::{Audio, DbOrSilence};
use cabjury::signal::align::{mono, resemblance};
use cabjury::signal::bands::{self, BANDS, centre};
use cabjury::signal::dither::to_24_bits;
use cabjury::signal::fades::{fade_edges, rising, switch_table};
use cabjury::signal::test_sounds::{ANCHOR_HZ, anchor, pink};
use cabjury::signal::{matching, meter, montage, shift};
use cabjury::trial::Generator;
use cabjury::units::{Dbtp, Lufs, SampleRate};

/// A sine of a level in dB (mean square), beginning at a frame.
fn sine(hz: f64, db: f64, from: usize, frames: usize) -> Vec<f32> {
    let a = 2f64.sqrt() * 10f64.powf(db / 20.0);
    (from..from + frames).map(|n| (a * (std::f64::consts::TAU * hz * n as f64 / RATE as f64).sin()) as f32).collect()
}

fn add(a: &[f32], b: &[f32]) -> Vec<f32> {
    a.iter().zip(b).map(|(x, y)| x + y).collect()
}

fn band(values: &[Option<f64>], n: i32) -> Option<f64> {
    assert_eq!(values.len(), BANDS.len());
    values[(n - BANDS.start) as usize]
}

#[track_caller]
fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "found {found}, wanted {wanted}");
}

/// A sine's whole power is in the band that it is the centre of, whatever the length: mean square, IEC 61260-1 base-10 centres.
#[test]
fn a_sine_is_in_its_own_band_with_its_own_level() {
    for n in [-11, -5, 0, 8] {
        for frames in [3 * RATE, RATE / 2] {
            let levels = bands::levels(&[sine(centre(n), -20.0, 0, frames)], rate());
            near(band(&levels, n).unwrap(), -20.0, 0.01);
            for other in BANDS.filter(|o| (o - n).abs() > 3) {
                assert!(band(&levels, other).is_none_or(|l| l < -70.0), "{n} {other} {:?}", band(&levels, other));
            }
        }
    }
    // Two channels that agree are one; of two that cancel nothing is left.
    let x = sine(1000.0, -20.0, 0, RATE);
    let turned: Vec<f32> = x.iter().map(|v| -v).collect();
    near(band(&bands::levels(&[x.clone(), x.clone()], rate()), 0).unwrap(), -20.0, 0.01);
    assert!(band(&bands::levels(&[x.clone(), turned], rate()), 0).is_none());
    assert_eq!(mono(&[[0.5f32, 1.0], [0.25, -1.0], [0.75, 0.0]]), [0.5, 0.0]);
    // At 8 kHz the band of 4 kHz reaches above half the rate and says nothing.
    let slow = SampleRate::new(8000).unwrap();
    let levels = bands::levels(&[x], slow);
    assert!(band(&levels, 6).is_none() && band(&levels, 5).is_some());
}

/// The quietest second counts as floor only where it is 15 dB under the whole.
#[test]
fn the_quietest_second_is_a_floor_only_when_it_is_quiet() {
    let (loud, second) = (sine(1000.0, -20.0, 0, 3 * RATE), |db: f64| sine(200.0, db, 0, RATE));
    for place in 0..=3 {
        let at = |db: f64| [&loud[..place * RATE], &second(db)[..], &loud[place * RATE..]].concat();
        let found = bands::quietest_second(&[at(-60.0)], rate());
        near(band(&found, -7).unwrap(), -60.0, 0.01);
        assert!(band(&found, 0).is_none_or(|l| l < -100.0), "none of the loud seconds: {:?}", band(&found, 0));
        // The whole is 3 of 4 parts, 1.25 dB under the loud seconds: -21.25 less 15 is -36.25.
        assert!(band(&bands::quietest_second(&[at(-36.4)], rate()), -7).is_some());
        assert!(bands::quietest_second(&[at(-36.1)], rate()).iter().all(Option::is_none));
        assert_eq!(bands::quietest_second(&[at(-36.1)], rate()).len(), 30);
    }
    // Digital silence is no floor to judge by, and a recording of under two seconds has no second to spare.
    let silent = [&loud[..], &vec![0.0; 2 * RATE]].concat();
    assert_eq!(bands::quietest_second(&[silent], rate()), vec![None; 30]);
    let short = [&sine(1000.0, -20.0, 0, RATE)[..], &second(-80.0)[..RATE - 1]].concat();
    assert_eq!(bands::quietest_second(&[short], rate()), vec![None; 30]);
    let just = [&sine(1000.0, -20.0, 0, RATE)[..], &second(-80.0)[..]].concat();
    assert!(band(&bands::quietest_second(&[just], rate()), -7).is_some());
}

/// What is judged: no more than 60 dB under the loudest band, and more than 10 dB above the quietest second in its own band.
#[test]
fn bands_that_hold_too_little_are_left_out() {
    let with = |hz: f64, db: f64| bands::judged(&[add(&sine(1000.0, -10.0, 0, 3 * RATE), &sine(hz, db, 0, 3 * RATE))], rate());
    near(band(&with(centre(-7), -69.5), -7).unwrap(), -69.5, 0.1);
    assert_eq!(band(&with(centre(-7), -70.5), -7), None);
    near(band(&with(centre(-7), -70.5), 0).unwrap(), -10.0, 0.01);
    // A hum of -60 dB all the way: 8 dB more of the same band is not enough, 12 dB more is.
    let hum = sine(centre(-7), -60.0, 0, 6 * RATE);
    for (more, there) in [(8.0, false), (12.0, true)] {
        // Of six seconds one is hum alone, so the band's mean is a little under that of the five.
        let five = [sine(centre(-7), -60.0 + more, 0, 5 * RATE), vec![0.0; RATE]].concat();
        let music = [sine(1000.0, -10.0, 0, 5 * RATE), vec![0.0; RATE]].concat();
        let quarter: Vec<f32> = (0..6 * RATE).map(|n| if n < 5 * RATE { 0.0 } else { hum[n] }).collect();
        let found = bands::judged(&[add(&add(&five, &music), &quarter)], rate());
        assert_eq!(band(&found, -7).is_some(), there, "{more}: {found:?}");
        assert!(band(&found, 0).is_some());
    }
}

#[test]
fn differences_and_floors_of_bands() {
    let takes = [vec![Some(1.0), None, Some(5.0)], vec![Some(3.0), Some(2.0), Some(5.0)], vec![Some(-1.0), None, None]];
    assert_eq!(bands::repeat_floor(&takes), [Some(4.0), None, Some(0.0)]);
    assert_eq!(bands::repeat_floor(&takes[..1]), [None, None, None]);
    assert_eq!(bands::repeat_floor(&[]), Vec::<Option<f64>>::new());
    assert_eq!(bands::difference(&takes[0], &takes[1]), [Some(2.0), None, Some(0.0)]);
    assert_eq!(bands::difference(&takes[1], &takes[2]), [Some(-4.0), None, None]);
    let values: Vec<Option<f64>> = BANDS.map(|n| (n % 2 == 0).then_some(f64::from(n))).collect();
    let records = bands::records(&values);
    assert_eq!(records.len(), 30);
    for (n, record) in BANDS.zip(&records) {
        near(record.hz.value(), 1000.0 * 10f64.powf(f64::from(n) / 10.0), 1e-9);
        assert_eq!(record.db.map(|d| d.value()), (n % 2 == 0).then_some(f64::from(n)));
    }
}

/// The sum of what is left over what there was: by hand for sounds that have nothing in common.
#[test]
fn residuals_in_numbers() {
    let db = |r: Option<DbOrSilence>| match r {
        Some(DbOrSilence::Db(db)) => db,
        other => panic!("{other:?}"),
    };
    let n = RATE;
    let (x, y) = (sine(1000.0, -20.0, 0, n), sine(3000.0, -40.0, 0, n));
    assert_eq!(bands::residual(&x, &x.iter().map(|v| 2.0 * v).collect::<Vec<_>>()), Some(DbOrSilence::Silence));
    assert_eq!(bands::residual(&x, &x.iter().map(|v| -0.5 * v).collect::<Vec<_>>()), Some(DbOrSilence::Silence));
    near(db(bands::residual(&x, &add(&x, &y))), -20.0, 0.01);
    // At a stated gain of 1 a copy of half the size leaves half: -6.02 dB.
    near(db(bands::residual_at(&x, &x.iter().map(|v| 0.5 * v).collect::<Vec<_>>(), Some(1.0))), -6.0206, 1e-3);
    // Clicks within 4096 frames of the ends are the filters' affair, one frame further in they are not.
    for (at, silent) in [(0, true), (4095, true), (n - 1, true), (n - 4096, true), (4096, false), (n - 4097, false)] {
        let mut clicked = x.clone();
        clicked[at] += 1.0;
        assert_eq!(bands::residual_at(&x, &clicked, Some(1.0)) == Some(DbOrSilence::Silence), silent, "{at}");
    }
    // Of 16384 frames and fewer all count.
    let mut short = x[..16_384].to_vec();
    short[0] += 1.0;
    assert_ne!(bands::residual_at(&x[..16_384], &short, Some(1.0)), Some(DbOrSilence::Silence));
    let still = vec![0.0; n];
    assert_eq!((bands::residual(&still, &x), bands::residual(&x, &still), bands::residual(&[], &x)), (None, None, None));
    assert_eq!(bands::residual_at(&x, &x, Some(0.0)), None);
    assert_eq!(bands::residual_at(&x, &x, Some(f64::NAN)), None);
}

/// Normalised: a copy is 1 whatever its size and sign, silence resembles nothing.
#[test]
fn resemblance_is_a_share() {
    let x = add(&sine(310.0, -20.0, 0, RATE / 4), &sine(1777.0, -26.0, 0, RATE / 4));
    let (still, rate) = (vec![0.0; x.len()], SampleRate::new(RATE as u32).unwrap());
    assert_eq!((resemblance(&still, &x, rate), resemblance(&x, &still, rate)), (None, None));
    for gain in [1.0f32, -1.0, 0.01, 40.0] {
        let copy: Vec<f32> = x.iter().map(|v| gain * v).collect();
        near(resemblance(&x, &copy, rate).unwrap(), 1.0, 1e-5);
    }
    assert!(resemblance(&x, &sine(5000.0, -20.0, 0, RATE / 4), rate).unwrap() < 0.05);
}

/// Raised cosine: by its formula, at both edges alike, and in + out = 1.
#[test]
fn fades_are_raised_cosines_at_both_edges() {
    let wanted = |k: usize, n: usize| (std::f64::consts::FRAC_PI_2 * (k as f64 + 0.5) / n as f64).sin().powi(2);
    let table = rising(480);
    assert_eq!((table.len(), switch_table(rate()).len(), rising(0).len()), (480, 480, 0));
    for (k, v) in table.iter().enumerate() {
        near(f64::from(*v), wanted(k, 480), 1e-6);
        near(f64::from(*v + table[479 - k]), 1.0, 1e-6);
    }
    for (len, n, fade) in [(1000, 100, 100), (150, 100, 75), (7, 100, 3), (1, 10, 0), (0, 10, 0)] {
        let mut x = vec![1.0f32; len];
        fade_edges(&mut x, n);
        for (k, v) in x.iter().enumerate() {
            let edge = k.min(len - 1 - k);
            near(f64::from(*v), if edge < fade { wanted(edge, fade) } else { 1.0 }, 1e-6);
        }
    }
}

/// Seven windows of 2^16 half over each other cover four lengths; a sine in the second length fills one of them and, through the Hann
/// window's halves, two by half: 2/7 of its power.
#[test]
fn bands_are_the_mean_of_windows_half_over_each_other() {
    let n = 1 << 16;
    let mut x = vec![0.0; 4 * n];
    x[n..2 * n].copy_from_slice(&sine(1000.0, -20.0, n, n));
    near(band(&bands::levels(&[x], rate()), 0).unwrap(), -20.0 + 10.0 * (2.0f64 / 7.0).log10(), 0.05);
}

/// Under two seconds there is no rest to be told from the music, however quiet the last second is.
#[test]
fn a_short_recording_has_no_quietest_second() {
    for (frames, some) in [(RATE * 3 / 2, false), (2 * RATE - 1, false), (2 * RATE, true)] {
        let mut x = sine(1000.0, -10.0, 0, frames - RATE);
        x.extend(sine(1000.0, -40.0, 0, RATE));
        assert_eq!(bands::quietest_second(&[x], rate()).iter().any(Option::is_some), some);
    }
}

/// At a gain other than 1 the residual is held against the first at that gain.
#[test]
fn a_residual_is_relative_to_what_the_gain_leaves() {
    let (first, other) = (sine(1000.0, -10.0, 0, RATE), sine(1500.0, -36.0, 0, RATE));
    let second: Vec<f32> = first.iter().zip(&other).map(|(a, b)| 0.5 * a + b).collect();
    let Some(DbOrSilence::Db(found)) = bands::residual(&first, &second) else { panic!("no residual") };
    near(found, -36.0 + 10.0 + 20.0 * 2f64.log10(), 0.02);
}

/// The bilinear Butterworth of fourth order by its formula (Oppenheim and Schafer, from memory):
/// |H|^2 = 1/(1 + (tan(pi f/fs)/tan(pi fc/fs))^8).
#[test]
fn the_anchor_is_a_butterworth_low_pass() {
    let tan = |hz: f64, fs: usize| (std::f64::consts::PI * hz / fs as f64).tan();
    for fs in [44_100, 48_000, 96_000] {
        for hz in [100.0, 1000.0, 3000.0, ANCHOR_HZ, 4500.0, 7000.0, 12_000.0] {
            let x: Vec<f32> = (0..fs).map(|n| (0.5 * (std::f64::consts::TAU * hz * n as f64 / fs as f64).sin()) as f32).collect();
            let audio =
                Audio::new(SampleRate::new(fs as u32).unwrap(), vec![x.clone(), x.iter().map(|v| -0.5 * v).collect()]).unwrap();
            let dull = anchor(&audio).unwrap();
            assert_eq!((dull.frames(), dull.channels().len(), dull.rate()), (fs, 2, audio.rate()));
            // Whole periods, after the filter has settled.
            let power = |x: &[f32]| x[fs / 2..].iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
            let wanted = -10.0 * (1.0 + (tan(hz, fs) / tan(ANCHOR_HZ, fs)).powi(8)).log10();
            for c in 0..2 {
                let found = 10.0 * (power(&dull.channels()[c]) / power(&audio.channels()[c])).log10();
                near(found, wanted, 0.01);
            }
        }
    }
}

/// Pink: the same power in every third of an octave; as loud as asked for, but never over -1 dBFS.
#[test]
fn pink_noise_is_pink_and_as_loud_as_asked() {
    let noise = pink(60 * RATE, rate(), -23.0, &mut Generator::simulated(31)).unwrap();
    let levels = bands::levels(noise.channels(), rate());
    let used: Vec<f64> = (-13..=12).map(|n| band(&levels, n).unwrap()).collect();
    let mean = used.iter().sum::<f64>() / used.len() as f64;
    used.iter().for_each(|l| near(*l, mean, 1.0));
    near(meter::measure(&noise).integrated.unwrap().value(), -23.0, 0.02);
    assert!(meter::measure(&noise).true_peak.unwrap().value() < -1.0);
    let loud = pink(5 * RATE, rate(), 0.0, &mut Generator::simulated(32)).unwrap();
    near(meter::measure(&loud).true_peak.unwrap().value(), -1.0, 0.01);
    assert!(meter::measure(&loud).integrated.unwrap().value() < -8.0);
}

/// By hand: clips stay as loud against each other as they were recorded, and all go down by the worst excess.
#[test]
fn gains_of_clips_as_recorded() {
    let peak = |db: f64| Some(Dbtp::new(db).unwrap());
    let ceiling = Dbtp::new(-1.0).unwrap();
    assert_eq!(matching::common_gain(&[peak(-3.0), None, peak(0.5)], ceiling), [-1.5; 3]);
    assert_eq!(matching::common_gain(&[peak(-3.0), None, peak(-1.0)], ceiling), [0.0; 3]);
    assert_eq!(matching::common_gain(&[], ceiling), Vec::<f64>::new());
    let loud = [-20.0, -23.5, -18.25].map(|l| Lufs::new(l).unwrap());
    near(matching::spread(&loud), 5.25, 1e-12);
    near(matching::spread(&loud[..1]), 0.0, 0.0);
    near(matching::spread(&[]), 0.0, 0.0);
}

/// A sine off a clock that runs 500 ppm fast, turned back: the sine of the right clock.
#[test]
fn another_clock_is_undone() {
    let (hz, ppm) = (997.0, 500.0);
    let at = |t: f64| 0.5 * (std::f64::consts::TAU * hz * t / RATE as f64).sin();
    let x: Vec<f32> = (0..RATE).map(|n| at(n as f64 / (1.0 + ppm * 1e-6)) as f32).collect();
    let back = shift::unwarp(&x, ppm, RATE - 200);
    assert_eq!(back.len(), RATE - 200);
    for (n, v) in back.iter().enumerate().skip(100) {
        near(f64::from(*v), at(n as f64), 2e-4);
    }
}

/// Full scale stays within 24 bits, whatever the dither adds: -2^23 to 2^23 - 1 steps.
#[test]
fn dither_stays_within_24_bits() {
    const STEP: f64 = 8_388_608.0;
    let mut ends = vec![1.0; 1000];
    ends.extend(vec![-1.0; 1000]);
    ends.extend([1.5, -1.5]);
    to_24_bits(&mut ends, &mut Generator::simulated(5));
    let steps: Vec<f64> = ends.iter().map(|v| f64::from(*v) * STEP).collect();
    assert!(steps.iter().all(|s| s.fract() == 0.0 && (-STEP..STEP).contains(s)));
    assert_eq!(steps[2000..], [STEP - 1.0, -STEP]);
}

/// Clips in a row: gaps between them, none at the ends, places in frames; mono sounds on all channels.
#[test]
fn a_montage_lays_clips_in_a_row() {
    let clip = |value: f32, frames: usize, channels: usize| Audio::new(rate(), vec![vec![value; frames]; channels]).unwrap();
    let (one, two, three) = (clip(0.1, 3, 1), clip(0.2, 2, 2), clip(0.3, 1, 1));
    let (sound, places) = montage::lay(&[&one, &two, &three], 2).unwrap();
    assert_eq!(places, [0..3, 5..7, 9..10]);
    for c in sound.channels() {
        assert_eq!(c[..], [0.1, 0.1, 0.1, 0.0, 0.0, 0.2, 0.2, 0.0, 0.0, 0.3]);
    }
    assert_eq!(sound.channels().len(), 2);
    let (sound, _) = montage::lay(&[&two, &clip(0.4, 1, 3)], 0).unwrap();
    let planes: Vec<&[f32]> = sound.channels().iter().map(Vec::as_slice).collect();
    assert_eq!(planes, [[0.2, 0.2, 0.4], [0.2, 0.2, 0.4], [0.0, 0.0, 0.4]]);
    assert!(montage::lay(&[], 2).is_none());
    let other = Audio::new(SampleRate::new(44_100).unwrap(), vec![vec![0.0; 3]]).unwrap();
    assert!(montage::lay(&[&one, &other], 2).is_none());
}
