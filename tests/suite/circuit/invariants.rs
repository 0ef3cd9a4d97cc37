//! Invariants, and an independent nodal solver against the recursion on all 52 wirings of four drivers.

use super::cases::{bare, invented, label};
use cabjury::circuit::drive::{Driven, Source, differences, grid};
use cabjury::circuit::solve::{Branch, Numbered, load};
use cabjury::circuit::{Network, enumerate, meter, parse};
use cabjury::model::rig::Driver;
use cabjury::model::session::MeterValue;
use cabjury::report::drawing;
use cabjury::units::Ohm;
use num_complex::Complex64;
use proptest::prelude::*;

/// Branches between nodes: node 0 is the sleeve, node 1 the tip.
fn branches(
    network: &Network,
    from: usize,
    to: usize,
    next: &mut usize,
    z: &[Complex64],
    at: &mut usize,
    out: &mut Vec<(usize, usize, Complex64)>,
) {
    match network {
        Network::Driver(_) => {
            out.push((from, to, z[*at]));
            *at += 1;
        }
        Network::Series(members) => {
            let mut left = from;
            for (k, member) in members.iter().enumerate() {
                let right = if k + 1 == members.len() {
                    to
                } else {
                    *next += 1;
                    *next
                };
                branches(member, left, right, next, z, at, out);
                left = right;
            }
        }
        Network::Parallel(members) => members.iter().for_each(|m| branches(m, from, to, next, z, at, out)),
    }
}

/// Voltages across the branches for 1 V behind `zo` at the tip: nodal analysis by complex Gaussian elimination.
fn nodal(network: &Network, z: &[Complex64], zo: Complex64) -> Vec<Complex64> {
    let (mut next, mut at, mut list) = (1, 0, Vec::new());
    branches(network, 1, 0, &mut next, z, &mut at, &mut list);
    let n = next;
    let zero = Complex64::new(0.0, 0.0);
    let mut g = vec![vec![zero; n + 1]; n];
    let mut stamp = |a: usize, b: usize, y: Complex64| {
        for (p, q) in [(a, b), (b, a)] {
            if p > 0 {
                g[p - 1][p - 1] += y;
                if q > 0 {
                    g[p - 1][q - 1] -= y;
                }
            }
        }
    };
    for (a, b, z) in &list {
        stamp(*a, *b, z.inv());
    }
    // The source as a current 1/zo into the tip with zo to the sleeve.
    stamp(1, 0, zo.inv());
    g[0][n] += zo.inv();
    for c in 0..n {
        let pivot = (c..n).max_by(|x, y| g[*x][c].norm().total_cmp(&g[*y][c].norm())).unwrap();
        g.swap(c, pivot);
        for r in 0..n {
            if r != c {
                let f = g[r][c] / g[c][c];
                let row = g[c].clone();
                for (x, v) in g[r][c..].iter_mut().zip(&row[c..]) {
                    *x -= f * v;
                }
            }
        }
    }
    let v = |node: usize| if node == 0 { zero } else { g[node - 1][n] / g[node - 1][node - 1] };
    list.iter().map(|(a, b, _)| v(*a) - v(*b)).collect()
}

#[test]
fn the_recursion_agrees_with_a_nodal_solver_on_all_52_wirings() {
    let labels: Vec<_> = ["A", "B", "C", "D"].map(label).to_vec();
    let all = enumerate::wirings(&labels);
    assert_eq!(all.len(), 52);
    let mut noise = crate::material::Noise(4);
    for network in &all {
        let z: Vec<Complex64> = (0..4).map(|_| Complex64::new(3.0 + 2.0 * noise.next(), 8.0 * noise.next())).collect();
        let zo = Complex64::new(2.0 + noise.next(), noise.next());
        let mut states = Vec::new();
        Numbered::new(network).share(&z, Complex64::new(1.0, 0.0), zo, &mut states);
        for (state, wanted) in states.iter().zip(nodal(network, &z, zo)) {
            assert!((state.v - wanted).norm() < 1e-9 * wanted.norm().max(1e-3), "{network}: {} {wanted}", state.v);
        }
    }
}

fn cab(kinds: [(&str, &str); 4]) -> Vec<Driver> {
    kinds.iter().map(|(l, k)| invented(k, l)).collect()
}

fn same_to(first: (&str, f64), second: (&str, f64), drivers: &[Driver], zo: f64) -> f64 {
    let side = |(text, tap): (&str, f64)| {
        Driven::new(&parse(text).unwrap(), drivers, None, Source { tap_ohm: tap, output_ohm_at_8: zo }).unwrap()
    };
    differences(&side(first), &side(second), &grid()).iter().map(|d| d.same_to_db).fold(0.0, f64::max)
}

/// T1: identical drivers, series on 16 against parallel on 4: the same voltage on every driver at every frequency, whatever the source.
#[test]
fn identical_drivers_cannot_tell_series_from_parallel() {
    let twins = vec![invented("A", "A1"), invented("A", "A2")];
    for zo in [0.01, 8.0, 40.0] {
        assert!(same_to(("A1 + A2", 16.0), ("A1 || A2", 4.0), &twins, zo) < 1e-9);
    }
    let unlike = vec![invented("A", "A1"), invented("B", "A2")];
    assert!(
        same_to(("A1 + A2", 16.0), ("A1 || A2", 4.0), &unlike, 8.0) > 1.0,
        "unlike drivers must differ, or this test cannot fail"
    );
}

/// T3: two pairs: (A+B)||(A+B) equals (A||A)+(B||B) per driver, and (A||B)+(A||B) equals (A+A)||(B+B).
#[test]
fn series_parallel_is_a_change_only_if_it_changes_who_shares() {
    let drivers = cab([("A", "A"), ("B", "B"), ("C", "A"), ("D", "B")]);
    assert!(same_to(("(A + B) || (C + D)", 8.0), ("(A || C) + (B || D)", 8.0), &drivers, 8.0) < 1e-9);
    assert!(same_to(("(A || B) + (C || D)", 8.0), ("(A + C) || (B + D)", 8.0), &drivers, 8.0) < 1e-9);
    assert!(same_to(("(A + B) || (C + D)", 8.0), ("(A + C) || (B + D)", 8.0), &drivers, 8.0) > 1.0);
}

/// T2: D_A - D_B = 20 log10 |Z_A / Z_B| for every source.
#[test]
fn series_over_parallel_differs_by_the_ratio_of_the_impedances() {
    let drivers = vec![invented("A", "A"), invented("B", "B")];
    for zo in [0.001, 8.0, 40.0] {
        let side = |text: &str, tap: f64| {
            Driven::new(&parse(text).unwrap(), &drivers, None, Source { tap_ohm: tap, output_ohm_at_8: zo }).unwrap()
        };
        let hz = grid();
        let d = differences(&side("A + B", 16.0), &side("A || B", 4.0), &hz);
        for (k, f) in hz.iter().enumerate() {
            let z = |n: usize| cabjury::circuit::driver::Model::of(&drivers[n], None).unwrap().impedance(*f).norm();
            assert!((d[0].db[k] - d[1].db[k] - 20.0 * (z(0) / z(1)).log10()).abs() < 1e-9);
        }
    }
}

/// Ten wrong wirings, each with its true reading: the truth is among what fits, so it is never narrowed away.
#[test]
fn ten_wrong_wirings_are_never_wrongly_narrowed() {
    let drivers: Vec<Driver> = [("A", 6.5), ("B", 6.9), ("C", 12.8), ("D", 6.2)]
        .iter()
        .map(|(l, re)| Driver {
            re_ohm: Some(Ohm::new(*re).unwrap()),
            re_measured: true,
            ..bare(l, if *re > 10.0 { 16.0 } else { 8.0 })
        })
        .collect();
    let re = |l: &cabjury::model::ids::DriverLabel| {
        Branch::Value(drivers.iter().find(|d| &d.label == l).unwrap().re_ohm.unwrap().value())
    };
    for (intended, truth) in [
        ("A + B", "A || B"),
        ("A || B", "A + B"),
        ("A || B", "A"),
        ("A + B", "B"),
        ("(A + B) || (C + D)", "(A + C) || (B + D)"),
        ("(A + B) || (C + D)", "A + B"),
        ("A || B || D", "A || D"),
        ("A || B || D", "A + (B || D)"),
        ("A + B + C", "A + C"),
        ("(A || B) + (C || D)", "A + (C || D)"),
    ] {
        let reading = load(&parse(truth).unwrap(), &re).value().unwrap();
        let found = meter::diagnose(&parse(intended).unwrap(), &drivers, MeterValue::Ohm(Ohm::new(reading).unwrap()));
        let told = found.suspects.iter().map(|s| s.what.clone()).chain(found.cannot_tell_apart.clone()).collect::<Vec<_>>();
        assert!(!found.as_intended || !told.is_empty(), "{intended} as {truth} ({reading:.2} ohm) passed without a word");
        assert!(!told.is_empty(), "{intended} as {truth} ({reading:.2} ohm): nothing fits");
        let bands_hold =
            |what: &str| found.suspects.iter().any(|s| s.what == what) || found.cannot_tell_apart.iter().any(|c| c == what);
        let expected = match (intended, truth) {
            (_, "A") => "only A connected".to_owned(),
            (_, "B") => "only B connected".to_owned(),
            ("(A + B) || (C + D)", "A + B") => "C open or not connected".to_owned(),
            ("A || B || D", "A || D") => "B open or not connected".to_owned(),
            ("A + B + C", "A + C") => "B shorted or bypassed".to_owned(),
            ("(A || B) + (C || D)", "A + (C || D)") => "B open or not connected".to_owned(),
            (_, other) => format!("wired as {}", parse(other).unwrap().canonical()),
        };
        assert!(
            bands_hold(&expected),
            "{intended} as {truth} ({reading:.2} ohm): {expected:?} was narrowed away; told: {told:?}"
        );
    }
}

fn network(depth: u32) -> impl Strategy<Value = Network> {
    // Labels are made unique afterwards.
    let leaf = Just(Network::driver(label("X")));
    leaf.prop_recursive(depth, 14, 4, |inner| {
        (prop::collection::vec(inner, 2..4), any::<bool>(), any::<bool>()).prop_map(|(members, series, turned)| {
            let n = if series { Network::series(members) } else { Network::parallel(members) };
            if turned { n.reversed() } else { n }
        })
    })
    .prop_map(|n| relabel(&n, &mut 0))
    .prop_filter("up to 16 drivers", |n| n.drivers().len() <= 16)
}

fn relabel(n: &Network, next: &mut usize) -> Network {
    match n {
        Network::Driver(p) => {
            *next += 1;
            let fresh = Network::driver(label(&format!("D{next}")));
            if p.reversed { fresh.reversed() } else { fresh }
        }
        Network::Series(m) => Network::series(m.iter().map(|m| relabel(m, next)).collect()),
        Network::Parallel(m) => Network::parallel(m.iter().map(|m| relabel(m, next)).collect()),
    }
}

proptest! {
    #[test]
    fn what_is_printed_is_read_back(n in network(4)) {
        prop_assert_eq!(parse(&n.to_string()).unwrap(), n.clone());
        let canonical = n.canonical();
        prop_assert_eq!(canonical.canonical(), canonical.clone());
        let ohm = |_: &cabjury::model::ids::DriverLabel| Branch::Value(8.0);
        let (a, b) = (load(&n, &ohm).value().unwrap(), load(&canonical, &ohm).value().unwrap());
        prop_assert!((a - b).abs() < 1e-9 * a);
    }

    #[test]
    fn shares_are_all_of_the_power(n in network(4), ohms in prop::collection::vec(2.0f64..32.0, 16)) {
        let drivers: Vec<Driver> = n.drivers().iter().zip(&ohms).map(|(p, z)| bare(p.label.as_str(), *z)).collect();
        let (shares, _) = cabjury::circuit::load::shares(&n, &drivers);
        prop_assert!((shares.iter().map(|s| s.share).sum::<f64>() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn drawings_do_not_overlap_and_wires_are_straight(n in network(4)) {
        let out = drawing::layout(&n);
        let (w, h) = drawing::size(&n);
        for (i, a) in out.drivers.iter().enumerate() {
            prop_assert!(a.0 >= 0.0 && a.0 <= w && a.1.abs() <= h / 2.0);
            for b in &out.drivers[i + 1..] {
                // A driver's symbol with its text is 80 wide and 60 high.
                prop_assert!((a.0 - b.0).abs() >= 80.0 || (a.1 - b.1).abs() >= 60.0, "{} and {} overlap", a.2, b.2);
            }
        }
        // Two wires meet only where a dot is, or end on end: a crossing has a point inside both, or inside one without a dot.
        for (i, a) in out.wires.iter().enumerate() {
            for b in &out.wires[i + 1..] {
                let span = |w: &[f64; 4], k: usize| (w[k].min(w[k + 2]), w[k].max(w[k + 2]));
                let (x, y) = ((span(a, 0).0.max(span(b, 0).0), span(a, 0).1.min(span(b, 0).1)),
                              (span(a, 1).0.max(span(b, 1).0), span(a, 1).1.min(span(b, 1).1)));
                let meet = x.1 - x.0 > -1e-9 && y.1 - y.0 > -1e-9;
                if !meet {
                    continue;
                }
                prop_assert!(x.1 - x.0 < 1e-9 && y.1 - y.0 < 1e-9, "wires lie on each other: {a:?} {b:?}");
                let end = |w: &[f64; 4]| [[w[0], w[1]], [w[2], w[3]]].iter().any(|p| (p[0] - x.0).abs() < 1e-9 && (p[1] - y.0).abs() < 1e-9);
                let dot = out.dots.iter().any(|d| (d[0] - x.0).abs() < 1e-9 && (d[1] - y.0).abs() < 1e-9);
                prop_assert!(dot || end(a) && end(b), "wires cross: {a:?} {b:?}");
            }
        }
        for wire in &out.wires {
            prop_assert!(wire[0] == wire[2] || wire[1] == wire[3]);
            for d in &out.drivers {
                let inside = |x: f64, y: f64| (x - d.0).abs() < 19.0 && (y - d.1).abs() < 8.0;
                let middle = ((wire[0] + wire[2]) / 2.0, (wire[1] + wire[3]) / 2.0);
                prop_assert!(!inside(middle.0, middle.1), "a wire runs through {}", d.2);
            }
        }
    }
}

#[test]
fn ten_thousand_random_strings_are_read_or_refused() {
    let alphabet: Vec<char> = "ABCab1_+|-() \t\u{2225}/\u{e9}\u{1F3B8}\0".chars().collect();
    let mut noise = crate::material::Noise(8);
    let mut pick = |n: usize| ((noise.next() + 1.0) / 2.0 * n as f64) as usize;
    let (mut read, mut refused) = (0, 0);
    for _ in 0..10_000 {
        let text: String = (0..pick(300)).map(|_| alphabet[pick(alphabet.len())]).collect();
        let short: String = text.chars().take(pick(12)).collect();
        for text in [text, short] {
            match parse(&text) {
                Ok(n) => {
                    read += 1;
                    assert_eq!(parse(&n.to_string()).unwrap(), n);
                }
                Err(e) => {
                    refused += 1;
                    assert!(e.column >= 1 && e.column <= text.chars().count() + 1, "{text:?}: column {}", e.column);
                    assert!(!e.hint.is_empty() && e.to_string().contains('^'), "{text:?}: {e}");
                }
            }
        }
    }
    assert!(read > 50 && refused > 10_000, "{read} read, {refused} refused");
}
