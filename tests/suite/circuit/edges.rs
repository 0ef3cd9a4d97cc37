//! Places that mutants found without a test: ends of ranges, words that depend on a side, refusals by column.

use super::cases::{bare, invented, label, near};
use cabjury::circuit::drive::{Driven, SAME_DB, Source, differences, grid};
use cabjury::circuit::driver::missing;
use cabjury::circuit::grade::{Against, Allowed, grade, level_effect_db};
use cabjury::circuit::load::{Margin, margin};
use cabjury::circuit::propose::pairs;
use cabjury::circuit::solve::{self, Branch};
use cabjury::circuit::{meter, parse, parse_known, source};
use cabjury::model::rig::{AmplifierKind, Driver};
use cabjury::model::session::MeterValue;
use cabjury::units::Ohm;
use num_complex::Complex64;

/// A divider: the power into r behind k, over that into 1 behind k (worked by hand; 10 log10 of 8/9, of 1/2, of 2, of 50/49).
#[test]
fn the_level_of_another_tap_is_a_dividers() {
    for (r, k, wanted) in
        [(2.0, 1.0, 8.0 / 9.0), (0.5, 1.0, 8.0 / 9.0), (2.0, 0.0, 0.5), (0.5, 0.0, 2.0), (2.0, 2.5, 2.0 * 12.25 / 20.25)]
    {
        near("effect", level_effect_db(r, k), 10.0 * f64::log10(wanted), 1e-12);
    }
    assert!(level_effect_db(1.0, 3.7).abs() < 1e-12, "the same tap changes nothing");
    // The card says it for this amplifier: 16 on 8 behind 4 ohm at the 8 ohm tap is k = 1/2: 2 (1.5/2.5)^2 = 0.72, -1.4 dB.
    let against = Against { kind: AmplifierKind::Valve, tap_ohm: 8.0, allow: None };
    let told = |ohm: f64| grade(Branch::Value(ohm), None, &against, 4.0).reasons.join("; ");
    assert!(told(16.0).contains("-1.4 dB") && told(16.0).contains("a load over the tap"), "{}", told(16.0));
    assert!(told(4.0).contains("a load under the tap"), "{}", told(4.0));
}

/// The fractions that common practice names (no source), exactly at their ends: both belong to what is allowed, in spite of rounding.
#[test]
fn the_ends_of_a_grade_belong_to_it() {
    let valve = |ohm: f64| {
        grade(Branch::Value(ohm), None, &Against { kind: AmplifierKind::Valve, tap_ohm: 8.0, allow: None }, 8.0).grade.name()
    };
    for (share, name) in [(0.85, "matched"), (0.46, "tolerated")] {
        assert_eq!(valve(8.0 * share), name, "{share}");
        assert_eq!(valve(8.0 / share), name, "1/{share}");
    }
    assert_eq!((valve(8.0 * 0.849), valve(8.0 / 0.849)), ("tolerated", "tolerated"));
    assert_eq!((valve(8.0 * 0.459), valve(8.0 / 0.459)), ("do-not-connect", "do-not-connect"));
    let transistor = |ohm: f64| {
        grade(Branch::Value(ohm), None, &Against { kind: AmplifierKind::SolidState, tap_ohm: 8.0, allow: None }, 0.1).grade.name()
    };
    assert_eq!(
        (transistor(7.9), transistor(8.0), transistor(8.4), transistor(200.0)),
        ("do-not-connect", "matched", "tolerated", "tolerated")
    );
    // Limits that the maker's manual does not widen with a note leave a tolerated load what it was, and say nothing of strictness.
    let limits = Against { kind: AmplifierKind::Valve, tap_ohm: 8.0, allow: Some(Allowed { least: 0.4, most: 3.0, note: None }) };
    let found = grade(Branch::Value(16.0), None, &limits, 8.0);
    assert_eq!(found.grade.name(), "tolerated");
    assert!(found.reasons.iter().all(|r| !r.contains("stricter")), "{:?}", found.reasons);
    let found = grade(Branch::Value(24.0), None, &limits, 8.0);
    assert!(
        found.grade.name() == "do-not-connect" && found.reasons.iter().any(|r| r.contains("stricter")),
        "{:?}",
        found.reasons
    );
}

/// A square wave carries twice the power of the sine of the same peak (arithmetic): rating, and twice the rating, against the cab's.
#[test]
fn the_margin_counts_a_rating_as_reached_when_it_is_reached() {
    let word = |m: Margin| match m {
        Margin::TooLarge { .. } => "too large",
        Margin::AboveInClipping { .. } => "above in clipping",
        Margin::Below { .. } => "below",
    };
    for (largest, amp, wanted) in [
        (60.0, 29.9, "below"),
        (60.0, 30.0, "below"),
        (60.0, 30.1, "above in clipping"),
        (60.0, 60.0, "above in clipping"),
        (60.0, 60.1, "too large"),
        (0.1 + 0.2, 0.3, "above in clipping"),
        (0.3, 0.1 + 0.2, "above in clipping"),
        (0.6, 0.1 + 0.2, "below"),
    ] {
        assert_eq!(word(margin(largest, amp)), wanted, "{amp} W into {largest} W");
    }
}

/// Two silent outputs, and loads that are none, tell nothing.
#[test]
fn an_output_that_gives_nothing_has_no_impedance() {
    for (one, other) in [
        ((8.0, 0.0), (16.0, 0.0)),
        ((8.0, 10.0), (0.0, 0.0)),
        ((0.0, 0.0), (16.0, 12.0)),
        ((-8.0, 10.0), (16.0, 12.0)),
        ((8.0, 10.0), (-16.0, 12.0)),
    ] {
        assert_eq!(source::from_two_loads(one, other), None, "{one:?} {other:?}");
    }
    // A stiff current of a millionth of an ampere is a reading all the same: E = 2 uV behind 8 ohm.
    let (zo, e) = source::from_two_loads((8.0, 1e-6), (24.0, 1.5e-6)).unwrap();
    near("zo", zo, 8.0, 1e-9);
    near("e", e, 2e-6, 1e-9);
}

#[test]
fn what_a_driver_lacks_is_named() {
    assert_eq!(missing(&invented("A", "A")), Vec::<&str>::new());
    assert_eq!(missing(&bare("A", 8.0)), ["re_ohm", "fs_hz", "qms", "qes"]);
    let half = Driver { qms: None, fs_hz: None, ..invented("A", "A") };
    assert_eq!(missing(&half), ["fs_hz", "qms"]);
}

/// A network of which nothing is connected is open, one that is bridged a short; for impedances as well as for plain ohms.
#[test]
fn nothing_connected_is_open_for_impedances_too() {
    let network = parse("(A || B) + C").unwrap();
    let with = |a: Branch<Complex64>, b: Branch<Complex64>, c: Branch<Complex64>| {
        solve::load(&network, &|l| {
            if l.as_str() == "A" {
                a
            } else if l.as_str() == "B" {
                b
            } else {
                c
            }
        })
    };
    let z = Branch::Value(Complex64::new(8.0, -1.0));
    assert_eq!(with(Branch::Open, Branch::Open, z), Branch::Open);
    assert_eq!(with(Branch::Short, Branch::Open, Branch::Short), Branch::Short);
    assert_eq!(with(Branch::Open, z, Branch::Short), z);
    assert_eq!(with(Branch::Open, Branch::Short, z), z);
    // Two reactances that cancel are a resonance without losses: open, not a number without end.
    let plus = Branch::Value(Complex64::new(0.0, 4.0));
    let minus = Branch::Value(Complex64::new(0.0, -4.0));
    assert_eq!(with(plus, minus, z), Branch::Open);
    // Two coils of j4 side by side are one of j2, though nothing of them is real; two resistors have nothing that is not.
    let value = |b: Branch<Complex64>| b.value().unwrap();
    assert!((value(with(plus, plus, Branch::Short)) - Complex64::new(0.0, 2.0)).norm() < 1e-12);
    let ohm = Branch::Value(Complex64::new(6.0, 0.0));
    assert!((value(with(ohm, ohm, Branch::Short)) - 3.0).norm() < 1e-12);
    let ohms = |b: Branch<f64>| solve::load(&parse("A || B").unwrap(), &|_| b);
    assert_eq!(
        (ohms(Branch::Open), ohms(Branch::Short), ohms(Branch::Value(16.0))),
        (Branch::Open, Branch::Short, Branch::Value(8.0))
    );
}

fn measured_at(text: &str, ohm: f64) -> Driver {
    Driver { re_ohm: Some(Ohm::new(ohm).unwrap()), re_measured: true, ..bare(text, 8.0) }
}

fn read(wiring: &str, drivers: &[Driver], ohm: f64) -> meter::Diagnosis {
    meter::diagnose(&parse(wiring).unwrap(), drivers, MeterValue::Ohm(Ohm::new(ohm).unwrap()))
}

/// Ohm's law on two drivers of 6.5 and 6.0 ohm, worked by hand.
#[test]
fn a_driver_of_twice_or_half_the_impedance_is_thought_of() {
    let pair = [measured_at("A", 6.5), measured_at("B", 6.0)];
    for (reading, what, expected) in [
        (19.0, "A is a driver of twice the impedance", 19.0),
        (9.3, "A is a driver of half the impedance", 9.25),
        (18.5, "B is a driver of twice the impedance", 18.5),
    ] {
        let found = read("A + B", &pair, reading);
        assert!(!found.as_intended);
        let suspect = found.suspects.iter().find(|s| s.what == what).unwrap_or_else(|| panic!("{what}: {:?}", found.suspects));
        assert_eq!(suspect.expected.value().map(|v| (v * 100.0).round() / 100.0), Some(expected));
        // The nearest comes first.
        let far = |s: &meter::Suspect| (s.expected.value().unwrap().max(0.05) / reading).ln().abs();
        assert!(found.suspects.windows(2).all(|w| far(&w[0]) <= far(&w[1]) + 1e-12), "{:?}", found.suspects);
    }
    assert_eq!(read("A + B", &pair, 19.0).suspects[0].what, "A is a driver of twice the impedance");
    assert_eq!(read("A + B", &pair, 18.4).suspects[0].what, "B is a driver of twice the impedance");
}

/// Nothing measured: nominal impedances stand for the drivers, and twice the nominal is thought of all the same. One suspect alone cannot be
/// mistaken for another.
#[test]
fn drivers_without_a_figure_are_thought_of_by_their_nominal_impedance() {
    let found = read("A + B", &[bare("A", 8.0), bare("B", 8.0)], 20.0);
    assert!(found.suspects.iter().any(|s| s.what == "A is a driver of twice the impedance"), "{:?}", found.suspects);
    let found = read("A", &[measured_at("A", 6.5)], 13.0);
    assert_eq!(found.suspects.len(), 1, "{:?}", found.suspects);
    assert_eq!(found.suspects[0].what, "A is a driver of twice the impedance");
    assert!(found.cannot_tell_apart.is_empty() && found.next_step.contains("twice the impedance"));
}

/// Two alike in parallel share by halves: 30 and 30.5 W allow 60 W, and only the weaker one is the limit.
#[test]
fn the_driver_that_limits_is_named_alone() {
    let rated = |l: &str, w: f64| Driver { rated_w: Some(cabjury::units::Watt::new(w).unwrap()), ..bare(l, 8.0) };
    let limiting = |one: f64, other: f64| {
        let (shares, largest) = cabjury::circuit::load::shares(&parse("A || B").unwrap(), &[rated("A", one), rated("B", other)]);
        (shares.iter().map(|s| s.limiting).collect::<Vec<_>>(), largest)
    };
    assert_eq!(limiting(30.0, 30.5), (vec![true, false], Some(60.0)));
    assert_eq!(limiting(30.5, 30.0), (vec![false, true], Some(60.0)));
    assert_eq!(limiting(30.0, 30.0), (vec![true, true], Some(60.0)));
}

#[test]
fn a_reading_is_judged_by_what_the_meter_can_show() {
    let one = [measured_at("A", 6.5)];
    // 6.5 ohm within 5 % and the leads.
    let (low, high) = read("A", &one, 6.5).intended.widened().unwrap();
    for (ohm, fits) in [(low, true), (high, true), (low - 0.01, false), (high + 0.01, false)] {
        assert_eq!(read("A", &one, ohm).as_intended, fits, "{ohm}");
    }
    // The driver's own reading was taken with this meter: 5 %; a figure off a sheet is taken with 10 %.
    let band = |measured: bool| {
        let driver = Driver { re_measured: measured, ..measured_at("A", 6.5) };
        let band = meter::band(&parse("A").unwrap(), &[driver], &[], &[]);
        [band.low, band.expected, band.high].map(|b| b.value().unwrap())
    };
    for (found, wanted) in [(band(true), [6.175, 6.5, 6.825]), (band(false), [5.85, 6.5, 7.15])] {
        found.iter().zip(wanted).for_each(|(f, w)| near("band", *f, w, 1e-12));
    }
    // Four alike load the same in series of parallels and in parallel of series: the meter says so, and what to do.
    let four = ["A", "B", "C", "D"].map(|l| measured_at(l, 6.5));
    let found = read("(A + B) || (C + D)", &four, 6.5);
    assert!(found.as_intended && found.suspects.is_empty());
    assert!(found.cannot_tell_apart.iter().any(|w| w.contains("(A || B) + (C || D)")), "{:?}", found.cannot_tell_apart);
    assert!(found.next_step.contains("it fits other wirings too"), "{}", found.next_step);
    // Over a kilohm nothing is connected; a kilohm itself is a number.
    assert_eq!(meter::reading_ohm(MeterValue::Ohm(Ohm::new(1000.5).unwrap())), None);
    assert_eq!(meter::reading_ohm(MeterValue::Ohm(Ohm::new(1000.0).unwrap())), Some(1000.0));
    let open = read("A", &one, 5000.0);
    assert!(!open.as_intended && open.suspects[0].what == "A open or not connected", "{:?}", open.suspects);
    assert!(open.next_step.starts_with("an open circuit"), "{}", open.next_step);
    // A bridge: a short reads next to nothing, and of one driver nothing else can be wired otherwise.
    let short = read("A", &one, 0.05);
    assert_eq!(short.suspects[0].what, "A shorted or bypassed");
    assert!(short.suspects.iter().all(|s| !s.what.starts_with("only")), "{:?}", short.suspects);
    assert!(read("A", &one, 6.5).next_step.starts_with("the reading fits; check polarity"));
    // Without a figure of its own: 0.8 times nominal is expected, 0.65 times is the least, of small ones 0.52 times (common practice, no
    // source; the small ones after the published least of 2.1 ohm of a 4 ohm driver).
    for (nominal, low, expected) in [(4.0, 2.08, 3.2), (4.5, 2.34, 3.6), (8.0, 5.2, 6.4), (16.0, 10.4, 12.8)] {
        let band = meter::band(&parse("A").unwrap(), &[bare("A", nominal)], &[], &[]);
        near("low", band.low.value().unwrap(), low, 1e-12);
        near("expected", band.expected.value().unwrap(), expected, 1e-12);
        near("high", band.high.value().unwrap(), nominal, 1e-12);
    }
}

/// Four drivers of one nominal impedance: two and two in series, or in parallel, all load 8 ohm. What differs is who shares with whom.
#[test]
fn pairs_load_one_tap_alike_and_differ_in_earnest() {
    let cab = [("A", "A"), ("B", "B"), ("A", "C"), ("B", "D")].map(|(kind, text)| invented(kind, text));
    let nominal = cab[0].nominal_ohm.value();
    let found = pairs(&cab, &[nominal], 8.0, 100);
    assert!(!found.is_empty());
    let (hz, source) = (grid(), Source { tap_ohm: nominal, output_ohm_at_8: 8.0 });
    let hz: Vec<f64> = hz.into_iter().filter(|f| (79.0..6_400.0).contains(f)).step_by(4).collect();
    let largest = |p: &cabjury::circuit::propose::Proposal| {
        let driven = |n| Driven::new(n, &cab, None, source).unwrap();
        differences(&driven(&p.first), &driven(&p.second), &hz).iter().map(|d| d.same_to_db).fold(0.0, f64::max)
    };
    for p in &found {
        assert_ne!(p.first.canonical(), p.second.canonical());
        for n in [&p.first, &p.second] {
            let load = solve::load(n, &|l| Branch::Value(cab.iter().find(|d| d.label == *l).unwrap().nominal_ohm.value()));
            near("load", load.value().unwrap(), nominal, 1e-9);
        }
        assert!(largest(p) >= SAME_DB, "{} and {}: {}", p.first, p.second, largest(p));
        assert!(p.why.contains(&format!("up to {:.1} dB", largest(p))), "{}", p.why);
    }
    assert!(found.windows(2).all(|w| largest(&w[0]) >= largest(&w[1]) - 1e-12), "the largest difference comes first");
    // All pairs of the six wirings that load so: those that are missing are the ones that no driver can tell apart.
    let six = [
        "(A + B) || (C + D)",
        "(A + C) || (B + D)",
        "(A + D) || (B + C)",
        "(A || B) + (C || D)",
        "(A || C) + (B || D)",
        "(A || D) + (B || C)",
    ];
    let six = six.map(|t| parse(t).unwrap());
    let mut count = 0;
    for (i, first) in six.iter().enumerate() {
        for second in &six[i + 1..] {
            let pair = cabjury::circuit::propose::Proposal {
                first: first.clone(),
                second: second.clone(),
                tap_ohm: nominal,
                why: String::new(),
            };
            count += usize::from(largest(&pair) >= SAME_DB);
        }
    }
    assert_eq!(found.len(), count);
    assert_eq!(pairs(&cab, &[nominal], 8.0, 2).len(), 2);
    // A tap that none of them fits, drivers that are all alike, one driver, five of them: nothing to propose.
    assert!(pairs(&cab, &[nominal * 100.0], 8.0, 100).is_empty());
    let alike = ["A", "B", "C", "D"].map(|l| invented("A", l));
    assert!(pairs(&alike, &[nominal], 8.0, 100).is_empty());
    assert!(pairs(&cab[..1], &[nominal], 8.0, 100).is_empty());
    let five: Vec<Driver> = ["A", "B", "C", "D", "E"].map(|l| invented("A", l)).to_vec();
    assert!(pairs(&five, &[nominal], 8.0, 100).is_empty());
    // Without figures nothing can be predicted, and that is said: all 15 pairs.
    let unknown = ["A", "B", "C", "D"].map(|l| bare(l, 8.0));
    let told = pairs(&unknown, &[8.0], 8.0, 100);
    assert_eq!(told.len(), 15);
    assert!(told.iter().all(|p| p.why.contains("figures are missing")));
    // Two of 8 and 16 ohm: the wirings of three drivers that load a tap alike are found by their load, not by their look.
    let mixed = [bare("A", 16.0), bare("B", 16.0), bare("C", 8.0)];
    for p in pairs(&mixed, &[4.0, 8.0, 16.0], 8.0, 100) {
        let load = |n| solve::load(n, &|l| Branch::Value(if l.as_str() == "C" { 8.0 } else { 16.0 })).value().unwrap();
        near("load", load(&p.first), load(&p.second), 1e-6);
        assert!((0.85..=1.0 / 0.85).contains(&(load(&p.first) / p.tap_ohm)), "{} on {}", p.first, p.tap_ohm);
    }
}

/// The leftmost fault, by hand: (text, name, column counted from 1).
#[test]
fn the_leftmost_fault_is_told_with_its_column() {
    let long = |head: &str, n: usize| format!("{head}{}", " ".repeat(n - head.len()));
    let seventeen: Vec<String> = (1..=17).map(|k| format!("D{k}")).collect();
    let seventeen = seventeen.join(" + ");
    let last = seventeen.rfind('D').unwrap() + 1;
    let label17 = "B".repeat(17);
    let cases = [
        (long("A + B", 257), "too-long", 257),
        (long("A + (B", 257), "unbalanced", 5),
        (long("A + + B", 257), "missing-operand", 5),
        (long("(A + B || C", 300), "unbalanced", 1),
        ("(A + ".into(), "unbalanced", 1),
        ("((A + B)".into(), "unbalanced", 1),
        ("(A + B".into(), "unbalanced", 1),
        ("A + (B ? (C".into(), "unbalanced", 5),
        ("A ? (B".into(), "bad-character", 3),
        ("? (B".into(), "bad-character", 1),
        ("A + B)".into(), "unbalanced", 6),
        ("A + )".into(), "unbalanced", 5),
        ("(A) + )".into(), "unbalanced", 7),
        ("(A + )".into(), "missing-operand", 6),
        ("(A) + (B".into(), "unbalanced", 7),
        (")".into(), "unbalanced", 1),
        ("A | B".into(), "bad-character", 3),
        ("A + |B".into(), "bad-character", 5),
        ("A + ||B".into(), "missing-operand", 5),
        ("|| A".into(), "missing-operand", 1),
        ("| A".into(), "bad-character", 1),
        ("A \u{2225} \u{2225} B".into(), "missing-operand", 5),
        ("A & B".into(), "bad-character", 3),
        ("A + B || C".into(), "mixed-operators", 7),
        ("A + B || C ? D".into(), "mixed-operators", 7),
        ("A ? B || C + D".into(), "bad-character", 3),
        ("(A + B ? C) + D || E".into(), "bad-character", 8),
        (format!("A + {label17}"), "bad-character", 5 + 16),
        (seventeen, "too-many", last),
    ];
    for (text, name, column) in cases {
        match parse(&text) {
            Ok(network) => panic!("{text:?} was read as {network}"),
            Err(e) => assert_eq!((e.fault.name(), e.column), (name, column), "{text:?}: {e}"),
        }
    }
    for (text, hint) in [
        ("A & B", "series is written +"),
        ("A / B", "parallel is written // or ||"),
        ("A [B]", "groups stand in"),
        ("A \u{2212} B", "plain hyphen"),
        ("7A", "begins with a letter"),
        ("A ! B", "a wiring holds"),
    ] {
        assert!(parse(text).unwrap_err().hint.contains(hint), "{text}: {}", parse(text).unwrap_err().hint);
    }
    // What fits just so is read: 256 characters, 16 drivers, 32 deep, and the sign for parallel that books print.
    assert_eq!(parse(&long("A + B", 256)).unwrap().to_string(), "A + B");
    assert_eq!(parse("A \u{2225} B").unwrap().to_string(), "A || B");
    assert_eq!(parse("A\u{2225}B\u{2225}C").unwrap().drivers().len(), 3);
    let sixteen: Vec<String> = (1..=16).map(|k| format!("D{k}")).collect();
    assert_eq!(parse(&sixteen.join(" + ")).unwrap().drivers().len(), 16);
    assert!(parse(&format!("{}A{}", "(".repeat(32), ")".repeat(32))).is_ok());
    let deep = parse(&format!("{}A{}", "(".repeat(33), ")".repeat(33))).unwrap_err();
    assert_eq!((deep.fault.name(), deep.column), ("too-deep", 33));
    // Groups that are closed no longer count: 40 of them side by side are not deep.
    assert!(parse("((A)) + B").is_ok());
    let flat: Vec<String> = (1..=16).map(|k| format!("(((D{k})))")).collect();
    assert!(parse(&flat.join(" + ")).is_ok());
    let unknown = parse_known("A + Q", &[label("A"), label("B")]).unwrap_err();
    assert_eq!((unknown.fault.name(), unknown.column, unknown.hint.as_str()), ("unknown-driver", 5, "known are A, B"));
    assert_eq!(parse_known("A", &[]).unwrap_err().hint, "name the drivers first");
}

/// Drivers before groups, each by its first label: one spelling for one wiring (the notation's own rule).
#[test]
fn one_wiring_has_one_spelling() {
    for (text, wanted) in [
        ("(A || B) + C", "C + (A || B)"),
        ("(D + C) || B || A", "A || B || (C + D)"),
        ("(D || C) + (B || A)", "(A || B) + (C || D)"),
    ] {
        assert_eq!(parse(text).unwrap().canonical().to_string(), wanted);
    }
    // Both readings of a mixed level are offered, and only for one.
    assert_eq!(parse("A || B + C").unwrap_err().hint, "write (A // B) + C or A // (B + C)");
    assert_eq!(parse("(A + B) || (C || D + E)").unwrap_err().hint, "write (C // D) + E or C // (D + E)");
}
