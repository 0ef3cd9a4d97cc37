//! The cases of `tests/reference/electrical.json` about transformer, least load, output impedance, hearing and loads of identical drivers.

use super::cases::{bare, cases, label, near};
use cabjury::circuit::drive::Source;
use cabjury::circuit::grade::{Against, Allowed, Grade, grade};
use cabjury::circuit::solve::{self, Branch};
use cabjury::circuit::{caution, enumerate, load, parse, source};
use cabjury::model::ids::DriverLabel;
use cabjury::model::rig::{AmplifierKind, Driver};
use serde_json::Value;

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(number).collect()
}

/// "2 ohm rated: two 4 ohm, four 8 ohm, or one 4 and two 8" (J. van den Heuvel, section 5.3).
#[test]
fn the_published_least_load() {
    let case = &cases("pub-minload", 1)[0];
    let least = number(&case["inputs"]["min_load_ohm"]);
    for (i, wanted) in case["inputs"]["cases"].as_array().unwrap().iter().zip(numbers(&case["expected"]["load_ohm"])) {
        let network = parse(i["wiring"].as_str().unwrap()).unwrap();
        let drivers: Vec<Driver> =
            network.drivers().iter().zip(numbers(&i["nominal"])).map(|(p, z)| bare(p.label.as_str(), z)).collect();
        let load = load::nominal(&network, &drivers);
        near("load", load.value().unwrap(), wanted, 1e-12);
        let found = grade(load, None, &Against { kind: AmplifierKind::SolidState, tap_ohm: least, allow: None }, 0.1);
        assert_eq!(found.grade.name(), "matched");
    }
}

/// Kuphaldt's 500:8 ohm transformer, an archived technical FAQ's 4400:8 (each case names its source), and two worked by hand.
#[test]
fn the_transformer() {
    for case in cases("pub-transformer", 1) {
        let (i, e) = (&case["inputs"], &case["expected"]);
        near(
            "turns",
            source::turns_ratio(number(&i["primary_ohm"]), number(&i["secondary_ohm"])),
            number(&e["turns_ratio"]),
            1e-4,
        );
    }
    for case in cases("pub-reflected", 1) {
        let (i, e) = (&case["inputs"], &case["expected"]);
        let (primary, tap) = (number(&i["primary_ohm"]), number(&i["tap_ohm"]));
        near("ratio", source::turns_ratio(primary, tap).powi(2), number(&e["impedance_ratio"]), 1e-12);
        for (load, wanted) in numbers(&i["loads"]).into_iter().zip(numbers(&e["reflected"])) {
            near("reflected", source::reflected_ohm(primary, tap, load), wanted, 1e-12);
        }
    }
    for case in cases("reflect-", 2) {
        let (i, e) = (&case["inputs"], &case["expected"]);
        let (tap, load) = (number(&i["tap_ohm"]), number(&i["load_ohm"]));
        near("reflected", source::reflected_ohm(number(&i["raa_ohm"]), tap, load), number(&e["reflected_ohm"]), 1e-6);
        let against = Against { kind: AmplifierKind::Valve, tap_ohm: tap, allow: None };
        near("ratio", grade(Branch::Value(load), None, &against, 8.0).ratio.unwrap(), number(&e["ratio"]), 2e-6);
    }
    for case in cases("tapscale-", 1) {
        let (e8, z8) =
            (number(&case["inputs"]["open_circuit_v_at_8ohm_tap"]), number(&case["inputs"]["output_impedance_at_8ohm_tap"]));
        for (tap, wanted) in case["expected"].as_object().unwrap() {
            let (e, z) = Source { tap_ohm: tap.parse().unwrap(), output_ohm_at_8: z8 }.behind_tap();
            near("e", e.re * e8, number(&wanted["e"]), 1e-9);
            near("z", z.re, number(&wanted["z"]), 1e-9);
        }
    }
}

#[test]
fn output_impedance_from_two_loads_and_the_80_percent_rule() {
    for case in cases("zo-measure", 1) {
        let pairs: Vec<Vec<f64>> = case["inputs"]["v_with_load"].as_array().unwrap().iter().map(numbers).collect();
        let (zo, e) = source::from_two_loads((pairs[0][0], pairs[0][1]), (pairs[1][0], pairs[1][1])).unwrap();
        near("zo", zo, number(&case["expected"]["z_out"]), 1e-8);
        near("e", e, number(&case["expected"]["e_open"]), 1e-8);
    }
    // The same voltage on both loads: no output impedance; the same current: a current source, of which nothing follows.
    assert_eq!(source::from_two_loads((8.0, 10.0), (16.0, 10.0)), Some((0.0, 10.0)));
    assert_eq!(source::from_two_loads((8.0, 8.0), (16.0, 16.0)), None);
    assert_eq!(source::from_two_loads((0.0, 8.0), (16.0, 16.0)), None);
    for case in cases("zeff-", 1) {
        let (i, e) = (&case["inputs"], &case["expected"]);
        let found = source::effective_nominal(number(&i["nominal_ohm"]), number(&i["min_modulus_ohm"]));
        near("effective", found, number(&e["effective_nominal_ohm"]), 1e-6);
    }
    // A driver that falls below 80 % counts as less, and the grade follows: 5 ohm of an 8 ohm driver is 6.25 ohm.
    let against = Against { kind: AmplifierKind::SolidState, tap_ohm: 8.0, allow: None };
    let found = grade(Branch::Value(8.0), Some(5.0), &against, 0.1);
    assert_eq!(found.grade.name(), "do-not-connect");
    assert!(found.reasons[0].contains("6.25 ohm"), "{:?}", found.reasons);
}

/// NIOSH's recommended limit (noise topic page of the CDC).
#[test]
fn hours_near_a_driven_cab() {
    for case in cases("pub-niosh", 1) {
        for (level, wanted) in numbers(&case["inputs"]["level_dba"]).into_iter().zip(numbers(&case["expected"]["minutes"])) {
            near("minutes", caution::exposure_minutes(level), wanted, 1e-12);
        }
    }
}

/// Brute force with exact fractions (the case's own note).
#[test]
fn every_load_of_a_few_identical_drivers() {
    for case in cases("ratios-identical", 1) {
        for (n, wanted) in case["expected"].as_object().unwrap() {
            let labels: Vec<DriverLabel> = (0..n.parse::<usize>().unwrap()).map(|k| label(&format!("D{k}"))).collect();
            let mut found: Vec<f64> =
                enumerate::wirings(&labels).iter().map(|w| solve::load(w, &|_| Branch::Value(1.0)).value().unwrap()).collect();
            found.sort_by(f64::total_cmp);
            found.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
            let mut fractions: Vec<f64> = wanted
                .as_array()
                .unwrap()
                .iter()
                .map(|f| {
                    let parts: Vec<f64> = f.as_str().unwrap().split('/').map(|p| p.parse().unwrap()).collect();
                    parts[0] / parts.get(1).copied().unwrap_or(1.0)
                })
                .collect();
            fractions.sort_by(f64::total_cmp);
            assert_eq!(found.len(), fractions.len(), "{n}: {found:?}");
            for (f, w) in found.iter().zip(&fractions) {
                near("load", *f, *w, 1e-9);
            }
        }
    }
}

/// The maker's limits, as the engineer typed them from the manual, narrow what is common practice; they widen it only with a note that says
/// where they stand (our rule, no source). Both ends belong to what is allowed.
#[test]
fn the_makers_limits_narrow_and_with_a_note_widen() {
    let noted_as = |ohm: f64, (least, most): (f64, f64), note: Option<&str>| {
        let allow = Some(Allowed { least, most, note: note.map(str::to_owned) });
        let against = Against { kind: AmplifierKind::Valve, tap_ohm: 8.0, allow };
        grade(Branch::Value(ohm), None, &against, 8.0).grade
    };
    let graded = |ohm: f64, limits: (f64, f64), noted: bool| noted_as(ohm, limits, noted.then_some("page 12 of the manual"));
    // 4 and 16 on 8 are tolerated by themselves; 2 and 40 are not.
    for noted in [false, true] {
        assert_eq!(graded(4.0, (0.5, 2.0), noted), Grade::Tolerated);
        assert_eq!(graded(16.0, (0.5, 2.0), noted), Grade::Tolerated);
        assert_eq!(graded(8.0, (0.5, 2.0), noted), Grade::Matched);
        assert_eq!(graded(4.0, (0.6, 2.0), noted), Grade::DoNotConnect);
        assert_eq!(graded(16.0, (0.5, 1.5), noted), Grade::DoNotConnect);
        assert_eq!(graded(8.0, (1.1, 2.0), noted), Grade::DoNotConnect);
    }
    assert_eq!(graded(2.0, (0.25, 2.0), true), Grade::Tolerated);
    assert_eq!(graded(2.0, (0.25, 2.0), false), Grade::DoNotConnect);
    assert_eq!(graded(2.0, (0.26, 2.0), true), Grade::DoNotConnect);
    // A note that says nothing is none.
    for empty in ["", "  ", "\n\t"] {
        assert_eq!(noted_as(2.0, (0.25, 2.0), Some(empty)), Grade::DoNotConnect, "{empty:?}");
    }
}
