//! The weighting curves against the design goals of IEC 61672-1, table 3 (values from memory), at the table's nominal frequencies.

use super::{RATE, rate, sine};
use cabjury::signal::ears::{Curve, Ears};

#[test]
fn the_curves_are_the_standards() {
    // Hz, A, C. The table is for exact base-ten frequencies and rounded to a tenth.
    let table = [
        (31.62, -39.4, -3.0),
        (63.10, -26.2, -0.8),
        (100.0, -19.1, -0.3),
        (251.19, -8.6, 0.0),
        (501.19, -3.2, 0.0),
        (1000.0, 0.0, 0.0),
        (1995.26, 1.2, -0.2),
        (3981.07, 1.0, -0.8),
        (7943.28, -1.1, -3.0),
        (10_000.0, -2.5, -4.4),
        (15_848.93, -6.6, -8.5),
    ];
    for (hz, a, c) in table {
        for (curve, wanted) in [(Curve::A, a), (Curve::C, c), (Curve::Unweighted, 0.0)] {
            assert!((curve.gain_db(hz) - wanted).abs() < 0.06, "{curve:?} at {hz}: {}", curve.gain_db(hz));
        }
    }
}

/// By hand: a sine's mean square is half its peak's square, of a ramp by a raised cosine 3/8 of that is left, and the curve's gain is added.
#[test]
fn levels_of_tones() {
    let (frames, ramp) = (3 * RATE + 17, RATE / 2);
    let left = (frames as f64 - 2.0 * ramp as f64 * 5.0 / 8.0) / frames as f64;
    for hz in [100.0, 1000.0, 3981.07, 10_000.0] {
        let mut x = sine(hz, 0.5, frames);
        for i in 0..ramp {
            let gain = (0.5 - 0.5 * (std::f64::consts::PI * (i as f64 + 0.5) / ramp as f64).cos()) as f32;
            x[i] *= gain;
            x[frames - 1 - i] *= gain;
        }
        for curve in [Curve::Unweighted, Curve::A, Curve::C] {
            let level = curve.level(&[&x], rate()).unwrap();
            let wanted = -6.0206 - 3.0103 + 10.0 * left.log10() + curve.gain_db(hz);
            assert!((level - wanted).abs() < 0.003, "{curve:?} at {hz}: {level} instead of {wanted}");
            let both = curve.level(&[&x, &x], rate()).unwrap();
            assert!((both - level - 3.0103).abs() < 1e-6);
        }
    }
    assert_eq!(Curve::A.level(&[vec![0.0; 5000]], rate()), None);
    let apart = Ears::spread(&[Ears::of(&[sine(100.0, 0.5, RATE)], rate()), Ears::of(&[sine(1000.0, 0.25, RATE)], rate())]);
    assert!((apart.unweighted_db.unwrap() - 6.0206).abs() < 0.01);
    assert!((apart.a_db.unwrap() - (19.1 - 6.02)).abs() < 0.2, "{apart:?}");
}
