//! Invariants.

use cabjury::model::trial::Method;
use cabjury::stats::verdict::{Counted, Surroundings, decide, numbers};
use cabjury::stats::{binomial, checks, evidence, graded, intervals};
use proptest::prelude::*;

fn counted(method: Method, trials: u64, correct: u64) -> Counted {
    Counted { method, trials, correct, alpha: 0.05, bound: 0.3, anytime: None }
}

proptest! {
    #[test]
    fn p_falls_as_right_answers_rise(n in 1u64..400, g in prop::sample::select(vec![0.5, 1.0 / 3.0])) {
        let p: Vec<f64> = (0..=n).map(|x| binomial::upper_tail(x, n, g)).collect();
        prop_assert!(p.windows(2).all(|w| w[1] <= w[0] + 1e-15));
        prop_assert!((p[0] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn tails_are_complements(n in 1u64..2000, x in 0u64..2000, p in 0.01f64..0.99) {
        let x = x.min(n);
        let sum = binomial::upper_tail(x, n, p) + if x == 0 { 0.0 } else { binomial::lower_tail(x - 1, n, p) };
        prop_assert!((sum - 1.0).abs() < 1e-12, "{}", sum);
    }

    #[test]
    fn intervals_hold_the_estimate(n in 1u64..300, x in 0u64..300, a in 0.001f64..0.4) {
        let x = x.min(n);
        let p = x as f64 / n as f64;
        for [low, high] in [intervals::clopper_pearson(x, n, a), intervals::wilson(x, n, a), evidence::sequence_two_sided(x, n, a)] {
            prop_assert!(low <= p + 1e-12 && p <= high + 1e-12 && low >= 0.0 && high <= 1.0, "{} not in {}..{}", p, low, high);
        }
    }

    #[test]
    fn relabelling_mirrors_a_preference(n in 1u64..200, x in 0u64..200) {
        let x = x.min(n);
        let (one, other) = (numbers(&counted(Method::Preference, n, x)), numbers(&counted(Method::Preference, n, n - x)));
        prop_assert!((one.p_value.unwrap() - other.p_value.unwrap()).abs() < 1e-12);
        prop_assert!((one.interval95[0] - (1.0 - other.interval95[1])).abs() < 1e-9);
    }

    // Tables whose sums are added in another order at every run have given another last digit before.
    #[test]
    fn ratings_give_the_same_bits_again(rows in prop::collection::vec(prop::collection::vec(0u8..12, 4), 3..8)) {
        let rows: Vec<Vec<f64>> = rows.iter().map(|r| r.iter().map(|v| f64::from(*v)).collect()).collect();
        let bits = |p: Option<f64>| p.map(f64::to_bits);
        let first = graded::friedman(&rows).and_then(|f| f.p_exact);
        for _ in 0..4 {
            prop_assert_eq!(bits(graded::friedman(&rows).and_then(|f| f.p_exact)), bits(first));
        }
    }

    #[test]
    fn heard_if_and_only_if_the_exact_test_says_so(n in 1u64..120, x in 0u64..120) {
        let c = counted(Method::Abx, n, x.min(n));
        let found = numbers(&c);
        let kind = decide(&c, &found, &Surroundings::bare(found.p_value.unwrap())).kind;
        let heard = matches!(kind.name(), "heard" | "heard-small");
        prop_assert_eq!(heard, found.critical.is_some_and(|k| c.correct >= k));
    }
}

#[test]
fn large_counts_keep_their_accuracy() {
    // mpmath 1.4.1, 40 digits: P(X >= 501000), X ~ Bin(10^6, 1/2), as 1 - ncdf is no reference here; the exact tail by summation.
    // Symmetry gives an exact check without a reference: P(X >= n/2) = 1/2 + pmf(n/2)/2 for even n.
    for n in [10u64, 1000, 100_000, 1_000_000] {
        let found = binomial::upper_tail(n / 2, n, 0.5);
        let wanted = 0.5 + 0.5 * binomial::pmf(n / 2, n, 0.5);
        assert!((found - wanted).abs() / wanted < 1e-10, "n = {n}: {found} against {wanted}");
    }
}

/// Sums of whole numbers of 700 digits (python's integers and fractions): a long evening's runs. As ratios of floating numbers they were
/// infinity over infinity, and nothing was ever said to clump.
#[test]
fn runs_of_a_very_long_test() {
    for (a, b, modulus, below, wanted) in [
        (7919u64, 31u64, 1009, 505, (1237, 0.943_580_527_121_889_4, 0.061_224_733_440_929_33)),
        (7919, 37, 1013, 700, (981, 0.365_215_178_922_378_37, 0.656_405_681_847_572)),
        (101, 7, 2003, 900, (1211, 0.797_440_200_800_854_1, 0.214_469_197_023_776_7)),
    ] {
        let outcomes: Vec<bool> = (0..2400u64).map(|k| (k * a + k * k * b) % modulus < below).collect();
        let (runs, few, many) = checks::runs(&outcomes);
        assert_eq!(runs, wanted.0);
        assert!((few / wanted.1 - 1.0).abs() < 1e-9 && (many / wanted.2 - 1.0).abs() < 1e-9, "{few} {many}");
    }
}

proptest! {
    /// The statistic of Cochran and Armitage is the number of trials times the squared correlation of score and outcome (Agresti, Categorical
    /// Data Analysis, on linear trend; from memory), whatever the blocks' sizes.
    #[test]
    fn a_trend_is_a_correlation(blocks in prop::collection::vec((-5.0f64..5.0, 1u64..30, 0.0f64..=1.0), 2..8)) {
        let blocks: Vec<(f64, u64, u64)> = blocks.iter().map(|(s, n, share)| (*s, *n, (*n as f64 * share) as u64)).collect();
        let rows: Vec<(f64, f64)> = blocks
            .iter()
            .flat_map(|(s, n, right)| (0..*n).map(move |k| (*s, if k < *right { 1.0 } else { 0.0 })))
            .collect();
        let n = rows.len() as f64;
        let mean = (rows.iter().map(|r| r.0).sum::<f64>() / n, rows.iter().map(|r| r.1).sum::<f64>() / n);
        let sum = |f: &dyn Fn(f64, f64) -> f64| rows.iter().map(|r| f(r.0 - mean.0, r.1 - mean.1)).sum::<f64>();
        let (both, first, second) = (sum(&|a, b| a * b), sum(&|a, _| a * a), sum(&|_, b| b * b));
        prop_assume!(first > 1e-6 && second > 1e-6);
        let (z, p) = checks::trend(&blocks).unwrap();
        prop_assert!((z * z - n * both * both / first / second).abs() < 1e-8 * (1.0 + z * z), "{}", z);
        prop_assert!(z.abs() < 1e-9 || z.is_sign_positive() == both.is_sign_positive());
        prop_assert!((p - cabjury::stats::panel::chi_square_tail(z * z, 1.0)).abs() < 1e-9);
    }
}

/// What cannot be ranked has no statistic: one row, one item, rows of unequal length, ties alone.
#[test]
fn friedman_wants_two_rows_of_two_items_that_differ() {
    use cabjury::stats::graded::friedman;
    for rows in [
        vec![vec![1.0, 2.0, 3.0]],
        vec![vec![1.0], vec![2.0]],
        vec![vec![1.0, 2.0], vec![2.0, 1.0, 3.0]],
        vec![vec![5.0, 5.0], vec![5.0, 5.0]],
        Vec::new(),
    ] {
        assert!(friedman(&rows).is_none(), "{rows:?}");
    }
    // Two rows that agree about two items: of four pairs of orders two agree so far (by hand).
    assert_eq!(friedman(&[vec![1.0, 2.0], vec![1.0, 2.0]]).unwrap().p_exact, Some(0.5));
    // Two rows agree wholly in one of k! orders; it is counted out for up to five items.
    let alike = |k: u32| friedman(&vec![(0..k).map(f64::from).collect::<Vec<f64>>(); 2]).unwrap().p_exact;
    assert!((alike(5).unwrap() - 1.0 / 120.0).abs() < 1e-15, "{:?}", alike(5));
    assert_eq!(alike(6), None);
}
