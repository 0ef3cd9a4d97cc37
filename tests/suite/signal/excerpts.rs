//! Proposals of excerpts: rules of ours, worked by hand.

use super::{RATE, rate};
use cabjury::model::random::RandomWords;
use cabjury::signal::excerpts::{Purpose, propose};
use cabjury::trial::Generator;

/// A sine of 1 kHz, of a level in dB (mean square).
fn sine(db: f64, frames: usize) -> Vec<f32> {
    super::sine(1000.0, 2f64.sqrt() * 10f64.powf(db / 20.0), frames)
}

/// 60 ms of a sine four times a second from 5 to 15 s, decaying notes at 20, 21.5 ... 29 s, an even sine from 32.5 to 42 s, else silence.
fn three_parts() -> Vec<f32> {
    let mut x = vec![0.0; 42 * RATE];
    let mut put = |at: f64, seconds: f64, decay: f64| {
        let first = (at * RATE as f64).round() as usize;
        let frames = (seconds * RATE as f64).round() as usize;
        for (n, v) in x[first..(first + frames).min(42 * RATE)].iter_mut().enumerate() {
            let t = n as f64 / RATE as f64;
            *v = (0.4 * (-t / decay).exp() * (std::f64::consts::TAU * 1000.0 * t).sin()) as f32;
        }
    };
    for k in 0..40 {
        put(5.0 + 0.25 * f64::from(k), 0.06, f64::INFINITY);
    }
    for k in 0..7 {
        put(20.0 + 1.5 * f64::from(k), if k < 6 { 1.5 } else { 3.5 }, 0.5);
    }
    put(32.5, 9.5, f64::INFINITY);
    x
}

/// Worked by hand from the rules. Muted: the first six seconds full of damped notes, from 50 ms before one. Sparse: each of
/// four notes rings out until 250 ms before the next, and the last of all to the window's end; a window later there are three, and
/// silence from 31.3 s on (40 dB at 17.4 dB/s). Steady: the sine, from 50 ms before it.
#[test]
fn excerpts_begin_shortly_before_a_note() {
    let x = three_parts();
    let found: Vec<_> = propose(&x, rate(), (3.0, 41.0)).iter().map(|p| (p.purpose, p.start_s, p.end_s)).collect();
    assert_eq!(found, [(Purpose::Muted, 4.95, 10.95), (Purpose::Sparse, 24.45, 30.45), (Purpose::Steady, 32.45, 38.45)]);
    let muted = |from: f64, to: f64| {
        let found = propose(&x, rate(), (from, to));
        found.iter().find(|p| p.purpose == Purpose::Muted).map(|p| (p.start_s, p.end_s))
    };
    // A note's beginning with its 50 ms must lie within the span, and at most half of the span is proposed.
    assert_eq!(muted(6.2, 41.0), Some((6.2, 12.2)));
    assert_eq!(muted(6.2004, 41.0), Some((6.45, 12.45)));
    assert_eq!(muted(9.0, 15.0), Some((9.2, 12.2)));
    assert_eq!(muted(0.0, 4.0), None, "nothing is played there");
    assert_eq!(muted(5.0, 8.99), None, "half of it would be less than two seconds");
    assert_eq!(muted(5.0, 9.0), Some((5.2, 7.2)));
    // Too few damped notes in the last window that fits.
    assert_eq!(muted(13.0, 25.0), None);
}

/// Notes that are held do not ring out: of 1.5 s each falls for the 250 ms before its end alone. The same notes decaying do.
#[test]
fn held_notes_are_not_sparse() {
    let sparse = |decay: f64| {
        let mut x = vec![0.0; 20 * RATE];
        for k in 0..12 {
            for (n, v) in x[(RATE + k * RATE * 3 / 2)..][..RATE * 6 / 5].iter_mut().enumerate() {
                let t = n as f64 / RATE as f64;
                *v = (0.4 * (-t / decay).exp() * (std::f64::consts::TAU * 440.0 * t).sin()) as f32;
            }
        }
        propose(&x, rate(), (0.0, 20.0)).iter().any(|p| p.purpose == Purpose::Sparse)
    };
    assert!(!sparse(f64::INFINITY));
    assert!(sparse(0.5));
}

/// Ten seconds that swell by 6 dB twice a second, then ten even ones. Even is worth the swell's mean deviation: the level falls linearly
/// in amplitude between 1 and 1/2, so its mean is -2.67 dB and its deviation 1.72 dB (integrals of 20 log10 a over 1/2 to 1).
#[test]
fn even_is_worth_the_deviation() {
    let steady = |even_db: f64| {
        let mut x = sine(-10.0, 20 * RATE);
        for (n, v) in x.iter_mut().enumerate() {
            let t = n as f64 / RATE as f64;
            let swell = 0.75 + 0.25 * (4.0 * (t * 2.0).fract() - 2.0).abs() - 0.25;
            *v *= if n < 10 * RATE { swell as f32 } else { 10f64.powf(even_db / 20.0) as f32 };
        }
        let found = propose(&x, rate(), (0.0, 20.0));
        found.iter().find(|p| p.purpose == Purpose::Steady).unwrap().start_s
    };
    assert!(steady(-4.2) > 9.9);
    assert!(steady(-4.7) < 4.0);
}

/// Whatever the span: within it, half of it at most, none over another by more than half.
#[test]
fn excerpts_stay_within_the_span() {
    let x = three_parts();
    let mut draw = Generator::simulated(7);
    let mut uniform = || (draw.next_word() >> 11) as f64 / (1u64 << 53) as f64;
    let mut seen = 0;
    for _ in 0..60 {
        let span = (uniform() * 38.0 - 1.0, uniform() * 44.0);
        let found = propose(&x, rate(), span);
        for (i, p) in found.iter().enumerate() {
            seen += 1;
            let length = p.end_s - p.start_s;
            assert!(p.start_s >= span.0.max(0.0) && p.end_s <= span.1.min(42.0) + 1e-9, "{p:?} is not within {span:?}");
            assert!(length >= 1.98 && length <= 6.0f64.min((span.1 - span.0) / 2.0) + 1e-9, "{p:?} in {span:?}");
            for q in &found[i + 1..] {
                assert!(p.end_s.min(q.end_s) - p.start_s.max(q.start_s) < length / 2.0 + 0.01, "{p:?} and {q:?}");
            }
        }
    }
    assert!(seen > 30, "only {seen} excerpts: nothing was checked");
}

#[test]
fn excerpts_have_names() {
    let all = [Purpose::Steady, Purpose::Sparse, Purpose::Muted];
    assert_eq!(all.map(Purpose::name), ["steady", "sparse", "muted"]);
    assert!(all.iter().all(|p| p.why().contains(": shows")));
}
