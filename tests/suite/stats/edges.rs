//! Places that mutants found without a test: gates of the verdict, ends of ranges, what has no number. Each value names its source.

use cabjury::model::trial::Method;
use cabjury::stats::dprime::Model;
use cabjury::stats::preference::{Extras, circular_triads, fit, rows_of};
use cabjury::stats::verdict::{ControlCount, Counted, Surroundings, decide, numbers, power_steps};
use cabjury::stats::{beta_binomial, binomial, checks, evidence, panel, power, special};

fn counted(method: Method, trials: u64, correct: u64) -> Counted {
    Counted { method, trials, correct, alpha: 0.05, bound: 0.3, anytime: None }
}

#[track_caller]
fn near(found: f64, wanted: f64, relative: f64) {
    assert!((found - wanted).abs() <= relative * wanted.abs(), "found {found}, wanted {wanted}");
}

/// scipy 1.17.1, `stats.fisher_exact([[a, n1 - a], [b, n2 - b]], alternative='greater')`; the fourth and fifth by definition.
#[test]
fn fishers_exact_test_in_numbers() {
    for (a, n1, b, n2, wanted) in [
        (13, 16, 5, 8, 0.302_267_526_523_819_44),
        (12, 16, 1, 8, 0.006_057_342_845_605_061),
        (9, 10, 1, 10, 0.000_546_666_955_335_686),
        (0, 5, 0, 7, 1.0),
        (5, 5, 7, 7, 1.0),
        (120, 200, 20, 60, 0.000_235_359_173_451_386_94),
        (30, 40, 2, 6, 0.060_165_889_828_766_826),
    ] {
        near(panel::fisher_exact_greater(a, n1, b, n2), wanted, 1e-9);
    }
    near(panel::fisher_exact_greater(8, 16, 8, 8), 1.0, 1e-12);
}

/// mpmath 1.3, sqrt(2) erfinv(2p - 1) at 30 digits.
#[test]
fn quantiles_are_as_exact_as_the_normal_distribution() {
    for (p, wanted) in [
        (1e-10, -6.361_340_902_404_056),
        (0.001, -3.090_232_306_167_813_5),
        (0.025, -1.959_963_984_540_054),
        (0.4, -0.253_347_103_135_799_7),
        (0.75, 0.674_489_750_196_081_7),
        (0.975, 1.959_963_984_540_053_9),
    ] {
        near(special::quantile(p), wanted, 1e-11);
    }
    assert_eq!((special::quantile(0.0), special::quantile(1.0)), (f64::NEG_INFINITY, f64::INFINITY));
}

/// mpmath 1.3, `ncdf` at 30 digits: what the documentation says of the error function that is used.
#[test]
fn the_normal_distribution_is_as_good_as_it_says() {
    for (z, wanted) in [
        (-8.00, 6.220960574271784e-16),
        (-6.00, 9.86587645037698e-10),
        (-4.00, 3.1671241833119924e-05),
        (-3.00, 0.0013498980316300946),
        (-2.00, 0.02275013194817921),
        (-1.00, 0.15865525393145705),
        (-0.25, 0.4012936743170763),
        (0.50, 0.6914624612740131),
        (1.00, 0.8413447460685429),
        (2.00, 0.9772498680518208),
        (3.00, 0.9986501019683699),
    ] {
        near(special::phi(z), wanted, 1e-10);
    }
}

/// A coin that always or never falls one way, by definition.
#[test]
fn certain_chances_have_all_their_weight_in_one_place() {
    for n in [1, 7, 40] {
        for k in 0..=n {
            assert_eq!(binomial::pmf(k, n, 0.0).to_bits(), f64::from(u8::from(k == 0)).to_bits(), "{k} of {n}");
            assert_eq!(binomial::pmf(k, n, 1.0).to_bits(), f64::from(u8::from(k == n)).to_bits(), "{k} of {n}");
        }
    }
    assert_eq!(binomial::critical(5, 0.5, 1.0), Some(0), "a level of 1 is reached without one right answer");
    assert_eq!(binomial::critical(5, 0.5, 0.999), Some(1));
    // 5 of 10 on each side is no preference, at whatever level.
    assert_eq!(binomial::critical_two_sided(10, 1.0), Some(6));
    assert_eq!(binomial::critical_two_sided(11, 1.0), Some(6));
    // All of them allowed: a bound of everything is never exceeded.
    assert_eq!(power::most_correct_for_similarity(10, 0.5, 1.0, 1.0), Some(10));
}

/// The definition of the upper limit: the wrong answers are then evidence of just 1/alpha against so high a chance.
#[test]
fn the_limit_from_above_is_where_the_wrong_answers_speak_against_it() {
    for (right, n) in [(0, 5), (3, 16), (8, 16), (60, 120), (119, 120), (16, 16)] {
        for alpha in [0.05, 0.01] {
            let limit = evidence::sequence_upper(right, n, alpha);
            if right == n {
                near(limit, 1.0, 0.0);
                continue;
            }
            assert!(limit > right as f64 / n as f64 && limit < 1.0, "{limit}");
            near(evidence::ln_one_sided(n - right, n, 1.0 - limit), -f64::ln(alpha), 1e-9);
            near(evidence::sequence_lower(n - right, n, alpha), 1.0 - limit, 1e-9);
        }
    }
    // One right of two is no evidence against any small chance: at 1e-12 it is, so a limit above 0 is found; none right gives 0.
    assert!(evidence::sequence_lower(1, 2, 0.05) > 1e-6);
    assert_eq!(evidence::sequence_lower(0, 9, 0.05).to_bits(), 0f64.to_bits());
}

/// numpy: pseudo-inverse of the information of bt-baseball (Agresti 2002, tables 10.10 and 10.11) and of bt-4 in `statistics.json`, for
/// pairs without the item that is the zero of the scale.
#[test]
fn differences_of_any_two_have_their_own_errors() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/statistics.json")).unwrap();
    let file: serde_json::Value = serde_json::from_str(&text).unwrap();
    let wanted = [
        ("bt-baseball", 0, 1, 0.144_947_444_848_957_44, 0.311_134_895_192_689_16),
        ("bt-baseball", 1, 2, 0.141_923_307_900_630_3, 0.307_846_451_429_275_47),
        ("bt-4", 0, 1, 0.476_684_853_650_823, 0.297_922_636_720_585_94),
        ("bt-4", 1, 2, 0.355_557_305_892_449_4, 0.300_292_910_113_909_3),
    ];
    for (id, a, b, value, error) in wanted {
        let case = file["cases"].as_array().unwrap().iter().find(|c| c["id"] == id).unwrap();
        let wins: Vec<Vec<f64>> = serde_json::from_value(case["inputs"]["wins"].clone()).unwrap();
        let rows = rows_of(&wins);
        assert_eq!(rows.len(), wins.len() * (wins.len() - 1) / 2, "one row for each pair");
        let found = fit(&rows, wins.len(), Extras::default()).unwrap().difference(a, b);
        near(found.0, value, 1e-9);
        near(found.1, error, 1e-9);
    }
}

/// By definition: without three items there is no circle, so all is consistent.
#[test]
fn two_items_have_no_circles() {
    let found = circular_triads(&[vec![false, true], vec![false, false]]);
    assert_eq!((found.count, found.zeta.to_bits(), found.p), (0, 1f64.to_bits(), None));
}

/// One listener, all right, none right, no scatter: nothing to fit, by definition of the models.
#[test]
fn what_a_panel_cannot_say_has_no_number() {
    for counts in [vec![(10, 5)], vec![(10, 10), (8, 8)], vec![(10, 0), (8, 0)], vec![(0, 0), (10, 5)], vec![(10, 5), (10, 5)]] {
        assert!(beta_binomial::fit(&counts).is_none(), "{counts:?}");
    }
    assert!(beta_binomial::fit(&[(20, 3), (20, 17)]).is_some(), "two listeners are enough");
    for counts in [vec![(10, 5)], vec![(10, 10), (8, 8)], vec![(10, 0), (8, 0)], vec![(1, 0), (1, 1)]] {
        assert!(panel::heterogeneity(&counts).is_none(), "{counts:?}");
    }
    assert!(panel::cluster_error(&[(10, 5)]).is_none());
    assert!(panel::cluster_error(&[(0, 0), (0, 0)]).is_none());
    assert!(panel::cluster_error(&[(10, 4), (10, 6)]).is_some());
    // Who came and answered nothing changes no number.
    let (two, idle) = (vec![(10, 3), (12, 10)], vec![(10, 3), (0, 0), (12, 10)]);
    assert_eq!(panel::heterogeneity(&two), panel::heterogeneity(&idle));
    assert_eq!(panel::heterogeneity(&two).unwrap().df, 1);
    assert_eq!(panel::cluster_error(&two), panel::cluster_error(&idle));
    assert_eq!((panel::heterogeneity(&[(10, 3), (0, 0)]), panel::cluster_error(&[(10, 3), (0, 0)])), (None, None));
    // The mean is all there is where nobody differs, and where all or none are right.
    for (mean, rho, wanted) in [(0.3, 0.0, 0.3), (0.0, 0.2, 0.0), (1.0, 0.2, 1.0)] {
        assert_eq!(beta_binomial::share_at(0.4, mean, rho).to_bits(), f64::to_bits(wanted));
    }
}

/// scipy 1.17.1, `stats.beta.ppf(u, mean s, (1 - mean) s)` with s = 1/rho - 1.
#[test]
fn unequal_listeners_are_drawn_from_a_beta_distribution() {
    for (u, mean, rho, wanted) in
        [(0.1, 0.3, 0.2, 0.05768317789037518), (0.5, 0.3, 0.2, 0.2644344239318921), (0.9, 0.75, 0.05, 0.868779188641411)]
    {
        near(beta_binomial::share_at(u, mean, rho), wanted, 1e-9);
    }
}

/// Right and wrong that do not overlap in time have no finite slope (Albert and Anderson 1984, complete and quasi-complete separation; from
/// memory); one that overlaps has.
#[test]
fn a_slope_needs_overlap() {
    let flags = |text: &str| text.chars().map(|c| c == '1').collect::<Vec<bool>>();
    for text in ["000111", "111000", "01", "10", "1111", "0000", "", "0001", "1000"] {
        assert_eq!(checks::slope(&flags(text)), None, "{text}");
    }
    for text in ["0010111", "1101000", "101", "010"] {
        assert!(checks::slope(&flags(text)).is_some_and(|s| s.per_trial.is_finite()), "{text}");
    }
}

/// Answers that all took the same time have no spread to be judged by; the floor still holds. Our rule, no source.
#[test]
fn equal_times_are_judged_by_the_floor_alone() {
    let mut seconds = vec![5.0; 9];
    seconds.push(3.0);
    assert_eq!(checks::too_fast(&seconds, 2.0), Some((5f64.ln(), 0.0, vec![], vec![])));
    seconds.push(1.0);
    assert_eq!(checks::too_fast(&seconds, 2.0), Some((5f64.ln(), 0.0, vec![10], vec![])));
    assert_eq!(checks::too_fast(&[], 2.0), None);
    // numpy 2, scipy's normal quantile: median of the logarithms, its deviation over 0.67449; 5 s is 9.8 deviations down, 18 s is 0.7.
    let (median, deviation, below, low) = checks::too_fast(&[20.0, 22.0, 21.0, 19.0, 20.0, 23.0, 5.0, 24.0, 18.0], 2.0).unwrap();
    near(median, 2.995_732_273_553_991, 1e-12);
    near(deviation, 0.141_307_084_024_060_36, 1e-10);
    assert_eq!((below, low), (vec![], vec![6]));
}

#[test]
fn each_method_has_its_model_and_says_its_name() {
    let wanted = [
        (Method::Abx, Some("abx-differencing")),
        (Method::DuoTrio, Some("duo-trio")),
        (Method::Triangle, Some("triangle")),
        (Method::Attribute, Some("2-afc")),
        (Method::Preference, None),
    ];
    for (method, name) in wanted {
        assert_eq!(numbers(&counted(method, 16, 13)).dprime.map(|d| d.0.name()), name);
    }
    let names = [Model::TwoAfc, Model::Triangle, Model::DuoTrio, Model::AbxDifferencing].map(Model::name);
    assert_eq!(names, ["2-afc", "triangle", "duo-trio", "abx-differencing"]);
    // Yes or no about one sound: P(right) = phi(d'/2) (Macmillan and Creelman, from memory), turned round.
    // Power is told from just above chance on: 1/3 and 1/2.
    for (method, first) in [(Method::Triangle, 0.40), (Method::Abx, 0.55), (Method::Preference, 0.55)] {
        near(power_steps(method)[0], first, 1e-12);
        near(*power_steps(method).last().unwrap(), 0.95, 1e-12);
    }
}

/// Which numbers there are: those of a fixed count, those that hold at every look, those of a test without a right answer.
#[test]
fn what_has_no_meaning_has_no_number() {
    let fixed = numbers(&counted(Method::Abx, 16, 13));
    assert!(fixed.p_value.is_some() && fixed.critical == Some(12) && fixed.mid_p.is_some() && fixed.similarity.is_some());
    // 2517 of 65536 ways give 12 or more of 16.
    near(fixed.true_size.unwrap(), 2517.0 / 65536.0, 1e-12);
    near(fixed.anytime_p, (-evidence::ln_one_sided(13, 16, 0.5)).exp(), 1e-12);
    assert!(fixed.anytime_p < 0.2);
    let open = numbers(&Counted { anytime: Some(0.02), ..counted(Method::Abx, 16, 13) });
    assert_eq!((open.p_value, open.critical, open.true_size, open.mid_p, open.similarity), (None, None, None, None, None));
    near(open.anytime_p, 0.02, 0.0);
    // The mirrored evidence is that of the wrong answers: what 3 of 16 right is one way, 13 of 16 is the other.
    let mirrored = numbers(&Counted { anytime: Some(1.0), ..counted(Method::Abx, 16, 3) });
    near(mirrored.reversed_p, (-evidence::ln_one_sided(13, 16, 0.5)).exp(), 1e-12);
    assert!(mirrored.reversed_p < 0.2 && open.reversed_p > 0.9, "{} {}", mirrored.reversed_p, open.reversed_p);
    let paired = numbers(&counted(Method::Preference, 16, 13));
    assert!(paired.similarity.is_none() && paired.lower95.is_none() && paired.distinguishers.is_none());
    // Two tails: 13 or more, or 3 or fewer (697 of 65536 ways each); the level's own count is 13 as well.
    assert_eq!(paired.critical, Some(13));
    near(paired.true_size.unwrap(), 2.0 * 697.0 / 65536.0, 1e-12);
    near(paired.p_value.unwrap(), 2.0 * 697.0 / 65536.0, 1e-12);
}

fn kind(c: &Counted, around: &Surroundings) -> &'static str {
    decide(c, &numbers(c), around).kind.name()
}

/// The gates in their order, each just on one side and just on the other. Counts by the exact tails at chance 1/2.
#[test]
fn each_gate_opens_and_shuts_where_it_says() {
    let heard = counted(Method::Abx, 16, 13);
    let p = numbers(&heard).p_value.unwrap();
    let bare = Surroundings::bare(p);
    assert_eq!(kind(&heard, &bare), "heard");
    assert_eq!(kind(&heard, &Surroundings { data_void: true, ..bare.clone() }), "data-void");
    // Same-file trials: 10 of 10 is 1/1024, below a hundredth; 6 of 10 is nothing; 3 of 3 cannot reach it.
    let same = |correct, trials| Surroundings { same_file: ControlCount { trials, correct }, ..bare.clone() };
    assert_eq!(kind(&heard, &same(10, 10)), "player-cue");
    assert_eq!(kind(&heard, &same(6, 10)), "heard");
    assert_eq!(kind(&heard, &same(3, 3)), "heard");
    let tested = |around: &Surroundings| decide(&heard, &numbers(&heard), around);
    assert!(tested(&same(6, 10)).cue_tested && !tested(&same(3, 3)).cue_tested && !tested(&bare).cue_tested);
    // Repeat takes told apart: a veto where the own file stood behind a trial, else a caution; none when the setups are told apart
    // better than the takes (Fisher), or when so few trials cannot tell.
    let repeat = |correct, trials, own_file| Surroundings { repeat: ControlCount { trials, correct }, own_file, ..bare.clone() };
    assert_eq!(kind(&heard, &repeat(13, 16, true)), "repeat-floor");
    assert_eq!(kind(&heard, &repeat(13, 16, false)), "heard");
    assert!(tested(&repeat(13, 16, false)).floor_caution && !tested(&repeat(13, 16, true)).floor_caution);
    assert!(!tested(&repeat(8, 16, false)).floor_caution && tested(&repeat(8, 16, false)).floor_tested);
    assert_eq!(kind(&heard, &repeat(8, 16, true)), "heard");
    assert!(!tested(&repeat(4, 4, true)).floor_tested);
    assert_eq!(kind(&heard, &repeat(4, 4, true)), "heard");
    let plainly = counted(Method::Abx, 100, 98);
    assert_eq!(kind(&plainly, &Surroundings { own_file: true, ..repeat(50, 80, true) }), "heard", "far above the takes");
    // Holm over tests of one question takes a claim away.
    assert_eq!(kind(&heard, &Surroundings { p_holm: 0.06, ..bare.clone() }), "too-few");
    // Wrong oftener than chance allows.
    let reversed = counted(Method::Abx, 16, 3);
    assert_eq!(kind(&reversed, &Surroundings::bare(0.99)), "reversed");
    assert_eq!(kind(&counted(Method::Abx, 0, 0), &Surroundings::bare(1.0)), "too-few");
    // One listener of several: only with others beside, and only if Holm leaves it.
    let flat = counted(Method::Abx, 32, 17);
    let panel_of = |listeners: Vec<f64>| Surroundings { listeners, ..Surroundings::bare(0.4) };
    assert_eq!(kind(&flat, &panel_of(vec![0.001, 0.9])), "mixed-panel");
    assert_eq!(kind(&flat, &panel_of(vec![0.04, 0.9])), "too-few", "0.04 of two is 0.08");
    assert_eq!(kind(&flat, &panel_of(vec![0.001])), "too-few", "alone there is no panel");
    // A bound beforehand: heard but rarely; not heard oftener than that.
    assert_eq!(kind(&counted(Method::Abx, 400, 225), &Surroundings::bare(0.007)), "heard-small");
    assert_eq!(kind(&counted(Method::Abx, 120, 60), &Surroundings::bare(0.54)), "not-shown-bounded");
    let exactly = counted(Method::Abx, 120, 60);
    let upper = numbers(&exactly).distinguishers.unwrap().upper95;
    assert_eq!(kind(&Counted { bound: upper, ..exactly }, &Surroundings::bare(0.54)), "not-shown-bounded");
    let rarely = counted(Method::Abx, 400, 225);
    let upper = numbers(&rarely).distinguishers.unwrap().upper95;
    assert_eq!(kind(&Counted { bound: upper, ..rarely }, &Surroundings::bare(0.007)), "heard", "small is below the bound");
}

/// Without a right answer, controls tell a leaning to the first sample in either direction, and takes are no floor.
#[test]
fn gates_of_a_preference() {
    let preferred = counted(Method::Preference, 16, 13);
    let bare = Surroundings::bare(0.021);
    let same = |correct, trials| Surroundings { same_file: ControlCount { trials, correct }, ..bare.clone() };
    assert_eq!(kind(&preferred, &bare), "preferred");
    for correct in [0, 10] {
        assert_eq!(kind(&preferred, &same(correct, 10)), "player-cue");
    }
    assert_eq!(kind(&preferred, &same(5, 10)), "preferred");
    let decision = |around: &Surroundings| decide(&preferred, &numbers(&preferred), around);
    // Two tails at a hundredth: 2/2^8 is under it, 2/2^7 is not.
    assert!(decision(&same(4, 8)).cue_tested && !decision(&same(4, 7)).cue_tested);
    let floor = Surroundings { repeat: ControlCount { trials: 16, correct: 13 }, own_file: true, ..bare };
    assert_eq!(kind(&preferred, &floor), "preferred");
    assert!(decision(&floor).floor_caution);
}

/// Both tails of the test's own count under the alternative: scipy 1.17.1, `binom.sf(c - 1, n, p) + binom.cdf(n - c, n, p)`, c = 13 of 16 and
/// 33 of 50 by the exact tails at a half.
#[test]
fn power_of_a_preference_counts_both_tails() {
    near(power::two_sided(16, 0.05, 0.75), 0.404_990_893_322_974_44, 1e-9);
    near(power::two_sided(50, 0.05, 0.6), 0.23705687849990578, 1e-9);
    near(power::two_sided(50, 0.05, 0.4), 0.23705687849990578, 1e-9);
    assert_eq!(power::two_sided(4, 0.05, 0.9).to_bits(), 0f64.to_bits(), "4 of 4 is no 5 %");
}

/// The rule of the search, on teeth that are drawn by hand: first, stable, and how far beyond the first it looks (ours, no source).
#[test]
fn the_search_for_trials_looks_past_the_first_tooth() {
    let teeth = |good: fn(u64) -> bool| move |n: u64| f64::from(u8::from(good(n)));
    let found = power::trials_for(0.8, 500, teeth(|n| n == 5 || n == 7 || n >= 9));
    assert_eq!((found.first, found.stable), (Some(5), Some(9)));
    let found = power::trials_for(0.8, 500, teeth(|n| n >= 5 && n != 61));
    assert_eq!((found.first, found.stable), (Some(5), Some(62)), "2 x 5 + 50 and the next are looked at");
    let found = power::trials_for(0.8, 40, teeth(|n| n >= 5 && n != 40));
    assert_eq!((found.first, found.stable), (Some(5), None), "it fails at the last one looked at");
    let found = power::trials_for(0.8, 40, teeth(|_| false));
    assert_eq!((found.first, found.stable), (None, None));
}

/// Ends that belong: a tail that is just the level reaches it; a rating of 90 is not below 90; 15 in 100 is not above 0.15.
#[test]
fn what_is_just_at_a_limit() {
    assert_eq!(binomial::critical(4, 0.5, 0.0625), Some(4), "4 of 4 is 1/16");
    assert_eq!(binomial::critical(4, 0.5, 0.0624), None);
    assert_eq!(power::most_correct_for_similarity(1, 0.5, 0.0, 0.5), Some(0), "none of one is a half");
    assert_eq!(power::most_correct_for_similarity(1, 0.5, 0.0, 0.49), None);
    let of = |bad: usize, value: f64, good: f64| [vec![value; bad], vec![good; 20 - bad]].concat();
    for (reference, anchor, wanted) in [
        (of(20, 90.0, 90.0), of(20, 90.0, 90.0), (0.0, 0.0, false)),
        (of(3, 89.0, 100.0), of(3, 91.0, 10.0), (0.15, 0.15, false)),
        (of(4, 89.0, 100.0), of(0, 91.0, 10.0), (0.2, 0.0, true)),
        (of(0, 89.0, 100.0), of(4, 91.0, 10.0), (0.0, 0.2, true)),
    ] {
        assert_eq!(cabjury::stats::graded::screening(&reference, &anchor), wanted);
    }
    assert_eq!(cabjury::stats::graded::screening(&[], &[]), (0.0, 0.0, false));
    // As long as the floor is long enough.
    assert_eq!(checks::too_fast(&[2.0, 2.0, 2.0], 2.0).unwrap().2, Vec::<usize>::new());
    assert_eq!(checks::trend(&[]), None);
    assert_eq!(checks::trend(&[(1.0, 5, 0), (2.0, 5, 0)]), None);
    assert_eq!(checks::trend(&[(1.0, 5, 5), (2.0, 5, 5)]), None);
    assert_eq!(checks::trend(&[(3.0, 5, 1), (3.0, 5, 4)]), None, "one block only, told in two");
    assert!(panel::heterogeneity(&[(10, 3), (10, 8)]).is_some(), "two listeners are a panel");
    // Nobody answered: nobody leans.
    let nobody = checks::Places { first_first: 0, first_second: 0, second_first: 0, second_second: 0 }.bias();
    assert_eq!((nobody.p.to_bits(), nobody.p_wrong.to_bits()), (1f64.to_bits(), 1f64.to_bits()));
    // Ten keys of first, thirty of second; eight wrong, all of them said first: chance of a wrong "first" is the share of second, 3/4.
    let lean = checks::Places { first_first: 10, first_second: 0, second_first: 8, second_second: 22 }.bias();
    near(lean.p_wrong, binomial::two_sided(8, 8, 0.75), 1e-12);
    near(lean.p, binomial::two_sided(18, 40, 0.5), 1e-12);
}
