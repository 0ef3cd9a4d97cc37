//! How much of a difference anybody may hear: the ends of the scale.

use cabjury::capture::hearable::{estimate, of_difference};
use cabjury::stats::dprime::Model;
#[test]
fn nothing_is_guessing_and_much_is_heard() {
    let none = of_difference(0.0);
    assert!((none.p_correct_high - 0.5).abs() < 1e-9 && none.trials.is_none());
    let much = of_difference(30.0);
    assert!(much.p_correct_low > 0.95 && much.trials == Some(16));
    let some = of_difference(2.0);
    assert!(some.p_correct_low < some.p_correct_high && some.trials.is_some_and(|n| n > 16));
    // A table of the binomial's tail: 0.8 of power at a P(right) of 0.6 needs about 158 trials (exact; own count, see chance).
    assert!(some.trials.is_some_and(|n| n < 400));
}

#[test]
fn scatter_of_takes_is_no_difference() {
    let a = vec![vec![0.0, 1.0], vec![0.0, -1.0], vec![0.0, 1.0], vec![0.0, -1.0]];
    let found = estimate(&a, &a);
    assert!((found.p_correct_high - 0.5).abs() < 1e-9);
    let b: Vec<Vec<f64>> = a.iter().map(|t| vec![t[0] + 3.0, t[1]]).collect();
    assert!((estimate(&a, &b).p_correct_low - Model::AbxDifferencing.p_correct(1.0)).abs() < 1e-9);
}
