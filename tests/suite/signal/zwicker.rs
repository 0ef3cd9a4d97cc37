//! Loudness by ISO 532-1. The standard's own example is that of its Annex B.2 (as the tests of the general library mosqito state it; from
//! memory); the other values are what mosqito 1.2.1 gives for the same levels (its function `_calc_slopes(_main_loudness(...))`, free field).

use super::{rate, sine};
use cabjury::signal::zwicker::{FULL_SCALE_SPL, Spectrum, phon, sone};

#[test]
fn the_example_of_the_standard() {
    let levels = [
        -60.0, -60.0, 78.0, 79.0, 89.0, 72.0, 80.0, 89.0, 75.0, 87.0, 85.0, 79.0, 86.0, 80.0, 71.0, 70.0, 72.0, 71.0, 72.0, 74.0,
        69.0, 65.0, 67.0, 77.0, 68.0, 58.0, 45.0, 30.0,
    ];
    assert!((sone(&levels) - 83.296).abs() < 0.05, "{}", sone(&levels));
}

#[test]
fn a_general_library_gives_the_same() {
    let cases: [([f64; 28], f64); 4] = [
        (
            [
                50.7, 77.0, 28.6, 76.9, 38.7, 45.4, 69.7, 44.6, 53.0, 21.7, 65.2, 52.3, 39.8, 67.3, 38.2, 47.2, 28.0, 44.2, 32.2,
                35.7, 65.0, 36.8, 49.1, 78.8, 77.7, 63.5, 52.5, 36.6,
            ],
            38.5,
        ),
        (
            [
                29.6, 78.2, 51.0, 27.0, 57.4, 66.6, 56.8, 75.0, 22.4, 51.7, 47.6, 23.7, 58.5, 71.2, 55.6, 35.6, 70.4, 50.6, 50.7,
                65.2, 28.9, 69.2, 61.0, 67.2, 31.5, 68.1, 31.5, 24.9,
            ],
            43.86,
        ),
        (
            [
                35.5, 65.8, 61.9, 27.7, 42.6, 45.3, 59.9, 47.4, 55.2, 70.4, 63.6, 41.9, 46.9, 42.1, 26.6, 32.2, 37.0, 38.8, 38.8,
                54.6, 78.3, 66.5, 67.5, 65.6, 55.8, 75.1, 61.4, 50.0,
            ],
            38.0,
        ),
        ([55.0; 28], 23.38),
    ];
    for (levels, wanted) in cases {
        let found = sone(&levels);
        assert!((found - wanted).abs() <= 0.01 * wanted, "{found} instead of {wanted}");
    }
    let tone = |band: usize, db: f64| {
        let mut levels = [-60.0; 28];
        levels[band] = db;
        sone(&levels)
    };
    for (band, db, wanted) in [(16, 40.0, 0.927), (16, 70.0, 6.944), (10, 60.0, 3.384)] {
        assert!((tone(band, db) - wanted).abs() <= 0.01 * wanted, "{band}: {} instead of {wanted}", tone(band, db));
    }
}

/// By the definition of the phon: a doubling of loudness is 10 phon, and 1 sone is 40.
#[test]
fn phons() {
    assert!((phon(1.0) - 40.0).abs() < 1e-9 && (phon(8.0) - 70.0).abs() < 1e-9);
    assert!(phon(0.5) < 40.0 && phon(0.5) > 25.0);
    let x = sine(1000.0, 0.1, 96_000);
    let spectrum = Spectrum::of(&[&x], rate());
    // A tone of 1 kHz has as many phon as dB, to the method's accuracy; its level is -20 - 3.01 dB of full scale.
    let found = spectrum.phon(0.0).unwrap();
    assert!((found - (FULL_SCALE_SPL - 23.01)).abs() < 2.5, "{found}");
    let gain = spectrum.gain_for(found + 6.0).unwrap();
    assert!((spectrum.phon(gain).unwrap() - found - 6.0).abs() < 1e-3 && (4.0..8.0).contains(&gain), "{gain}");
    assert_eq!(Spectrum::of(&[vec![0.0; 96_000]], rate()).phon(0.0), None);
}
