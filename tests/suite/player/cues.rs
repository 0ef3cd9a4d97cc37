//! Same-file trials cannot be told apart from the sound: a simple classifier over 400 trials, shown to be able to fail by a cue put in.

use super::engine::{engine, slot};
use crate::material::Noise;
use cabjury::stats::binomial::upper_tail;

const PART: usize = 3000;
const FADE: usize = 480;

/// What a listener's recorder would hold of one trial: A, B, X in turn.
fn heard(files: &[Vec<f32>; 3]) -> [Vec<f32>; 3] {
    let (mut engine, shared, _) = engine(files.to_vec());
    let mut parts = Vec::new();
    for s in 0..3 {
        shared.ask(Some(s));
        let mut out = vec![0.0; 2 * PART];
        engine.render(&mut out);
        parts.push(out);
    }
    parts.try_into().unwrap()
}

/// Picks the reference whose samples lie nearer to X's, once the switch is over; a tie is a coin. The clip is as long as a part, so that every
/// part begins at the same place of the loop.
fn classify(parts: &[Vec<f32>; 3], coin: bool) -> bool {
    let steady = 4 * FADE..;
    let apart = |p: &Vec<f32>| -> f64 {
        p[steady.clone()].iter().zip(&parts[2][steady.clone()]).map(|(a, b)| f64::from(a - b).powi(2)).sum()
    };
    let (a, b) = (apart(&parts[0]), apart(&parts[1]));
    if (a - b).abs() < 1e-12 { coin } else { a < b }
}

/// Right answers of so many trials in which X is drawn, with a change put into one of the files.
fn right(trials: u64, change: impl Fn(&mut Vec<f32>)) -> u64 {
    let mut noise = Noise(99);
    (0..trials)
        .filter(|k| {
            let file = slot(*k + 1, PART);
            let x_is_a = noise.next() < 0.0;
            let mut other = file.clone();
            change(&mut other);
            let files = if x_is_a { [file.clone(), other, file] } else { [other, file.clone(), file] };
            classify(&heard(&files), noise.next() < 0.0) == x_is_a
        })
        .count() as u64
}

#[test]
fn same_file_trials_are_told_apart_no_better_than_chance() {
    let n = 400;
    let found = right(n, |_| {});
    let p = upper_tail(found, n, 0.5);
    assert!(p > 1e-3, "{found} of {n} right: the player gives a cue (p = {p})");
}

#[test]
fn a_cue_of_two_tenths_of_a_db_is_found() {
    let n = 60;
    let found = right(n, |file| file.iter_mut().for_each(|x| *x *= 1.0233));
    assert!(upper_tail(found, n, 0.5) < 1e-6, "{found} of {n}: the classifier cannot find a cue");
}

#[test]
fn a_cue_of_twenty_samples_is_found() {
    let n = 60;
    let found = right(n, |file| file.rotate_right(40));
    assert!(upper_tail(found, n, 0.5) < 1e-6, "{found} of {n}: the classifier cannot find a shift");
}
