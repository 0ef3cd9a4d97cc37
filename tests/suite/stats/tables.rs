//! Published tables, by name.

use cabjury::stats::{binomial, power};

/// FAO document V7180E, Appendix A (minimum right answers in the triangle test), rows as printed there; alpha .05, .01, .001.
#[test]
fn fao_triangle_table() {
    let rows = [
        (5, Some(4), Some(5), None),
        (6, Some(5), Some(6), None),
        (7, Some(5), Some(6), Some(7)),
        (8, Some(6), Some(7), Some(8)),
        (9, Some(6), Some(7), Some(8)),
        (10, Some(7), Some(8), Some(9)),
        (12, Some(8), Some(9), Some(10)),
        (16, Some(9), Some(11), Some(12)),
        (20, Some(11), Some(13), Some(14)),
        (24, Some(13), Some(15), Some(16)),
        (30, Some(15), Some(17), Some(19)),
    ];
    for (n, a, b, c) in rows {
        let found = [0.05, 0.01, 0.001].map(|alpha| binomial::critical(n, 1.0 / 3.0, alpha));
        assert_eq!(found, [a, b, c], "n = {n}");
    }
}

/// GOST ISO 10399-2015 Table A.1 prints n = 22 as 13 14 15 17 19; GOST R 53161-2008 (ISO 5495) prints the exact 14 15 16 17 19.
#[test]
fn duo_trio_table_and_its_misprint() {
    let found = [0.2, 0.1, 0.05, 0.01, 0.001].map(|alpha| binomial::critical(22, 0.5, alpha).unwrap());
    assert_eq!(found, [14, 15, 16, 17, 19]);
    assert!(binomial::upper_tail(15, 22, 0.5) > 0.05, "15 of 22 is no 5 % result, whatever the misprint says");
}

/// Leventhal 1986 (JAES 34; from memory): type-2 error at p = 0.6 is .8334 for 12 of 16, .6644 for 32 of 50: recomputed as 1 - power.
#[test]
fn leventhal_type_two_errors() {
    for (n, c, error) in [(16, 12, 0.8334), (50, 32, 0.6644)] {
        let found = 1.0 - binomial::upper_tail(c, n, 0.6);
        assert!((found - error).abs() < 5e-5, "{c} of {n}: {found}");
    }
}

/// ISO 4120's number of assessors (from memory): triangle, 50 % distinguishers, alpha .05, beta .20: 16.
#[test]
fn triangle_number_of_assessors() {
    assert_eq!(power::trials_for(0.8, 200, |n| power::one_sided(n, 1.0 / 3.0, 0.05, 2.0 / 3.0)).first, Some(16));
}
