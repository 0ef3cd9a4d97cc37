//! Placement on hard material whose truth is known: unlike cabs, clocks, loops, dropped buffers. Bounds are about three times what was
//! measured.

use crate::material::{self, Noise};
use cabjury::model::audio::Polarity;
use cabjury::signal::placing::{Alignment, Relation, place};
use cabjury::signal::shift;
use cabjury::units::SampleRate;

const RATE: u32 = 48_000;

fn rate() -> SampleRate {
    SampleRate::new(RATE).unwrap()
}

pub(super) fn riff(seconds: f64) -> Vec<f64> {
    material::riff_by_clock(seconds, RATE, 0.0)
}

fn single(x: &[f64]) -> Vec<f32> {
    x.iter().map(|v| *v as f32).collect()
}

/// An amplifier that sags: what it gives depends on what it gave, and its curve is not the same for both signs.
pub(super) fn driven(x: &[f64], gain: f64) -> Vec<f64> {
    let (mut sag, mut out) = (0.0f64, Vec::with_capacity(x.len()));
    for v in x {
        let drive = gain * v / (1.0 + 2.0 * sag);
        let y = (drive + 0.15).tanh() - 0.15f64.tanh();
        sag += 0.0005 * (y.abs() - sag);
        out.push(0.5 * y);
    }
    out
}

/// One of two cabs that differ by several dB in several places.
pub(super) fn cab(x: &[f64], which: usize) -> Vec<f64> {
    let bells: [[(f64, f64, f64); 4]; 2] = [
        [(110.0, 1.5, 5.0), (420.0, 1.0, -4.0), (2600.0, 1.4, 6.0), (6500.0, 0.8, -18.0)],
        [(85.0, 1.8, 6.0), (700.0, 0.9, -6.0), (1900.0, 1.1, 5.0), (5200.0, 0.7, -20.0)],
    ];
    bells[which].iter().fold(x.to_vec(), |x, (hz, q, db)| material::peaking(&x, RATE, *hz, *q, *db))
}

/// A take: late, on another clock, with its own noise.
pub(super) fn taken(x: &[f64], lag: f64, ppm: f64, noise_db: f64, seed: u64) -> Vec<f32> {
    let x = single(x);
    let moved = shift::unwarp_at(&x, -lag, -ppm, 0, x.len() + 4000);
    single(&material::noisy(&moved.iter().map(|v| f64::from(*v)).collect::<Vec<_>>(), noise_db, seed))
}

#[test]
fn repeats_on_one_clock_are_on_one_clock() {
    for seconds in [4.0, 6.0, 20.0] {
        let clean = cab(&driven(&riff(seconds), 6.0), 0);
        for seed in 0..4 {
            let (a, b) = (taken(&clean, 0.0, 0.0, -62.0, 10 + seed), taken(&clean, 333.4, 0.0, -62.0, 90 + seed));
            let found = place(&a, &b, rate(), Relation::SameRig).unwrap();
            assert!(found.correct.is_none() && found.jumps.is_empty(), "{seconds} s: {found:?}");
            assert!((found.lag.samples - 333.4).abs() < 0.01, "{found:?}");
            assert_eq!(found.lag.polarity, Polarity::Same);
        }
    }
}

#[test]
fn clocks_of_unlike_cabs() {
    let amp = driven(&riff(20.0), 6.0);
    let (first, second) = (cab(&amp, 0), cab(&amp, 1));
    for ppm in [0.0, 80.0, -150.0, 20.0] {
        let (a, b) = (taken(&first, 0.0, 0.0, -70.0, 1), taken(&second, 200.0, ppm, -70.0, 2));
        let found = place(&a, &b, rate(), Relation::OtherRig).unwrap();
        let seen = found.correct.unwrap_or(0.0);
        assert!((seen - ppm).abs() < 0.5, "{ppm} ppm: {found:?}");
        assert!(found.jumps.is_empty() && (found.lag.samples - 200.0).abs() < 6.0, "{found:?}");
        let turned: Vec<f32> = b.iter().map(|v| -v).collect();
        assert_eq!(place(&a, &turned, rate(), Relation::OtherRig).unwrap().lag.polarity, Polarity::Flipped);
    }
}

/// 64 samples missing in mid-take are no other clock, whatever the clock.
#[test]
fn a_dropped_buffer_is_no_clock() {
    let clean = cab(&driven(&riff(12.0), 6.0), 0);
    let a = taken(&clean, 0.0, 0.0, -70.0, 1);
    for (ppm, missing, at) in [(0.0, 64i64, 6.0), (0.0, 1, 7.0), (40.0, 64, 5.0), (0.0, -128, 4.0), (0.0, 4096, 6.0)] {
        let mut b = taken(&clean, 100.0, ppm, -70.0, 2);
        let from = (at * f64::from(RATE)) as usize;
        if missing > 0 {
            b.drain(from..from + missing as usize);
        } else {
            let again = b[from..from + missing.unsigned_abs() as usize].to_vec();
            b.splice(from..from, again);
        }
        let found = place(&a, &b, rate(), Relation::SameRig).unwrap();
        assert_eq!(found.jumps.len(), 1, "{missing}: {found:?}");
        let jump = found.jumps[0];
        assert!((jump.samples + missing as f64).abs() < 1e-9, "{missing}: {found:?}");
        // The jump is told to the millisecond, and to some samples where the wave is steep.
        assert!((jump.at / f64::from(RATE) - at + 100.0 / f64::from(RATE)).abs() < 0.003, "{missing}: {found:?}");
        assert!((found.correct.unwrap_or(0.0) - ppm).abs() < 1.0, "{missing}: {found:?}");
    }
}

/// A loop of eight seconds, played twelve times by a machine, on another clock: every repeat looks alike but for its ends.
#[test]
fn the_right_repeat_of_a_loop() {
    let one = riff(8.0);
    let looped: Vec<f64> = one[(0.5 * f64::from(RATE)) as usize..].iter().copied().cycle().take(60 * RATE as usize).collect();
    let clean = cab(&driven(&looped, 4.0), 0);
    for ppm in [0.0, 80.0, -150.0] {
        let (a, b) = (taken(&clean, 0.0, 0.0, -66.0, 1), taken(&clean, 2500.0, ppm, -66.0, 2));
        let found = place(&a, &b, rate(), Relation::SameRig).unwrap();
        let lag = 2500.0 * (1.0 + ppm * 1e-6);
        assert!((found.lag.samples - lag).abs() < 0.1, "{ppm}: {found:?}");
        assert!((found.correct.unwrap_or(0.0) - ppm).abs() < 0.05, "{ppm}: {found:?}");
    }
}

/// Much gain and a scooped chain still resemble the DI; another performance in the same rhythm does not.
#[test]
fn a_scooped_take_resembles_its_di() {
    let di = riff(10.0);
    let scooped = material::peaking(&material::peaking(&driven(&di, 60.0), RATE, 600.0, 0.4, -18.0), RATE, 5000.0, 0.7, 9.0);
    let other: Vec<f64> = di.iter().skip(RATE as usize * 35 / 100 * 3).copied().rev().collect();
    let wrong = driven(&other, 60.0);
    let of = |x: &[f64]| {
        let found = place(&single(&di), &taken(x, 400.0, 0.0, -60.0, 3), rate(), Relation::Driven)?;
        Some((found.matched, found.resemblance, found.lag.samples))
    };
    let (right, wrong) = (of(&scooped).unwrap(), of(&wrong));
    println!("{right:?} {wrong:?}");
    assert!((right.2 - 400.0).abs() < 20.0);
    assert!(right.0 * right.1 > 0.25);
    assert!(wrong.is_none_or(|w| w.0 * w.1 < 0.15));
    let mut noise = Noise(4);
    let hiss: Vec<f64> = (0..di.len()).map(|_| 0.1 * noise.next()).collect();
    assert!(of(&hiss).is_none_or(|w| w.0 * w.1 < 0.1));
}

/// By hand: 100 frames that begin 3.5 later and 90 that begin 10 earlier share frames 10 to 96; a fast clock covers less.
#[test]
fn what_is_shared() {
    let at = |lag, drift| Alignment { lag, drift };
    assert_eq!(Alignment::shared([(at(3.5, None), 100.0), (at(-10.0, None), 90.0)]), (10.0, 96.0));
    assert_eq!(Alignment::shared([(at(0.0, Some(1e6)), 100.0)]), (0.0, 50.0));
    assert_eq!(Alignment::shared([(at(-20.0, None), 10.0), (at(5.0, None), 10.0)]), (20.0, 5.0));
    assert_eq!(at(2.0, None).laid(&[0.0; 8], 0, 4).len(), 4);
}
