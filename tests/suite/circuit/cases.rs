//! `tests/reference/electrical.json`: published examples (OpenStax College Physics ch. 21; Kuphaldt, Lessons in Electric Circuits; Rider 1951;
//! each named in its case) and values from ngspice 39.3 on the networks of the file.

use cabjury::circuit::drive::{Driven, Source, differences};
use cabjury::circuit::driver::Model;
use cabjury::circuit::grade::{Against, grade};
use cabjury::circuit::solve::{self, Branch, Numbered};
use cabjury::circuit::{enumerate, load, meter, parse, parse_known};
use cabjury::model::ids::DriverLabel;
use cabjury::model::rig::{AmplifierKind, Driver};
use cabjury::model::session::MeterValue;
use cabjury::units::{Hertz, Ohm, Watt};
use num_complex::Complex64;
use serde_json::Value;

pub(super) fn file() -> Value {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/electrical.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

pub(super) fn cases(prefix: &str, least: usize) -> Vec<Value> {
    let all: Vec<Value> =
        file()["cases"].as_array().unwrap().iter().filter(|c| c["id"].as_str().unwrap().starts_with(prefix)).cloned().collect();
    assert!(all.len() >= least, "{} cases {prefix:?}, wanted {least}", all.len());
    all
}

pub(super) fn label(text: &str) -> DriverLabel {
    DriverLabel::new(text).unwrap()
}

pub(super) fn bare(text: &str, nominal: f64) -> Driver {
    Driver {
        label: label(text),
        nominal_ohm: Ohm::new(nominal).unwrap(),
        rated_w: None,
        re_ohm: None,
        re_measured: false,
        polarity_checked: false,
        fs_hz: None,
        qms: None,
        qes: None,
        le_mh: None,
        l2_mh: None,
        r2_ohm: None,
        vas_l: None,
        mms_g: None,
        sd_cm2: None,
    }
}

/// One of the file's invented drivers under another label.
pub(super) fn invented(kind: &str, text: &str) -> Driver {
    let p = file()["drivers"][kind].clone();
    let n = |key: &str| p[key].as_f64().unwrap();
    Driver {
        rated_w: Some(Watt::new(n("Prated")).unwrap()),
        re_ohm: Some(Ohm::new(n("Re")).unwrap()),
        fs_hz: Some(Hertz::new(n("fs")).unwrap()),
        qms: Some(n("Qms")),
        qes: Some(n("Qes")),
        le_mh: Some(n("Le") * 1e3),
        l2_mh: Some(n("L2") * 1e3),
        r2_ohm: Some(Ohm::new(n("R2")).unwrap()),
        vas_l: Some(n("Vas")),
        mms_g: Some(n("Mms") * 1e3),
        sd_cm2: Some(n("Sd") * 1e4),
        ..bare(text, n("nominal"))
    }
}

#[track_caller]
pub(super) fn near(what: &str, found: f64, wanted: f64, relative: f64) {
    assert!((found - wanted).abs() <= relative * wanted.abs() + 1e-12, "{what}: found {found}, wanted {wanted}");
}

fn complex(v: &Value) -> Complex64 {
    Complex64::new(v[0].as_f64().unwrap(), v[1].as_f64().unwrap())
}

#[track_caller]
fn near_complex(what: &str, found: Complex64, wanted: Complex64) {
    assert!((found - wanted).norm() <= 1e-6 * wanted.norm(), "{what}: found {found}, wanted {wanted}");
}

#[test]
fn published_resistor_examples() {
    for id in ["pub-openstax", "pub-kuphaldt"] {
        for case in cases(id, 3) {
            let (i, e, tolerance) = (&case["inputs"], &case["expected"], case["tolerance"]["relative"].as_f64().unwrap());
            let network = parse(i["wiring"].as_str().unwrap()).unwrap();
            let r = |l: &DriverLabel| i["R_ohm"][l.as_str()].as_f64().unwrap();
            let z: Vec<f64> = network.drivers().iter().map(|p| r(&p.label)).collect();
            let mut states = Vec::new();
            let source = i["source_v"].as_f64().unwrap();
            Numbered::new(&network).share(&z, source, 0.0, &mut states);
            let total = solve::load(&network, &|l| Branch::Value(r(l))).value().unwrap();
            if let Some(wanted) = e["r_total"].as_f64() {
                near(case["id"].as_str().unwrap(), total, wanted, tolerance);
            }
            for (placed, state) in network.drivers().iter().zip(&states) {
                let name = placed.label.as_str();
                for (key, found) in [("v", state.v), ("i", state.i), ("p", state.v * state.i)] {
                    if let Some(wanted) = e[key][name].as_f64() {
                        near(&format!("{} {key} {name}", case["id"]), found, wanted, tolerance);
                    }
                }
            }
        }
    }
}

#[test]
fn rider_loudspeaker_matching() {
    for case in cases("pub-rider", 2) {
        let network = parse(case["inputs"]["wiring"].as_str().unwrap()).unwrap();
        let ohm = |l: &DriverLabel| case["inputs"]["nominal_ohm"][l.as_str()].as_f64().unwrap();
        let found = solve::load(&network, &|l| Branch::Value(ohm(l))).value().unwrap();
        near("load", found, case["expected"]["load_ohm"].as_f64().unwrap(), 1e-12);
    }
}

#[test]
fn motional_branch_of_the_published_driver() {
    // 6 ohm, 70.7 Hz, 0.34, 4.27 gives 75.35 ohm, 127.56 uF, 39.73 mH (web article on the woofer's equivalent circuit; see the case).
    for case in cases("pub-motional", 1) {
        let n = |k: &str| case["inputs"][k].as_f64().unwrap();
        let driver = Driver {
            re_ohm: Some(Ohm::new(n("Re")).unwrap()),
            fs_hz: Some(Hertz::new(n("fs")).unwrap()),
            qms: Some(n("Qms")),
            qes: Some(n("Qes")),
            ..bare("A", 8.0)
        };
        let model = Model::of(&driver, None).unwrap();
        let e = |k: &str| case["expected"][k].as_f64().unwrap();
        near("Res", model.res, e("Res_ohm"), 5e-4);
        near("Cmes", model.cmes, e("Cmes_F"), 5e-4);
        near("Lces", model.lces, e("Lces_H"), 5e-4);
    }
}

#[test]
fn driver_impedances_and_the_80_percent_rule() {
    for case in cases("drv-", 3) {
        let driver = invented(case["inputs"]["driver"].as_str().unwrap(), "A");
        let model = Model::of(&driver, None).unwrap();
        for point in case["expected"]["z"].as_array().unwrap() {
            let wanted = Complex64::new(point["re"].as_f64().unwrap(), point["im"].as_f64().unwrap());
            near_complex(&format!("{} {}", case["id"], point["f_hz"]), model.impedance(point["f_hz"].as_f64().unwrap()), wanted);
        }
        let driven = Driven::new(&parse("A").unwrap(), &[driver], None, Source { tap_ohm: 8.0, output_ohm_at_8: 8.0 }).unwrap();
        let (z, f) = driven.least_modulus().unwrap();
        assert!((z - case["expected"]["min_modulus_ohm"].as_f64().unwrap()).abs() < 1e-3, "{z}");
        assert!((f - case["expected"]["min_modulus_at_hz"].as_f64().unwrap()).abs() < 3.0, "{f}");
    }
    for case in cases("box-", 2) {
        let driver = invented(case["inputs"]["driver"].as_str().unwrap(), "A");
        let model = Model::of(&driver, case["inputs"]["box_volume_l"].as_f64()).unwrap();
        near("Lceb", model.lces, case["expected"]["Lceb_H"].as_f64().unwrap(), 1e-6);
        for point in case["expected"]["z"].as_array().unwrap() {
            let wanted = Complex64::new(point["re"].as_f64().unwrap(), point["im"].as_f64().unwrap());
            let found = model.impedance(point["f_hz"].as_f64().unwrap());
            assert!((found - wanted).norm() < 2e-6 * wanted.norm(), "{} {found} {wanted}", case["id"]);
        }
    }
}

#[test]
fn networks_against_ngspice() {
    for case in cases("net-", 9) {
        let i = &case["inputs"];
        let network = parse(i["wiring"].as_str().unwrap()).unwrap();
        let kinds = i["driver_type_of_label"].as_object().unwrap();
        let drivers: Vec<Driver> = kinds.iter().map(|(l, k)| invented(k.as_str().unwrap(), l)).collect();
        let source = Source {
            tap_ohm: i["tap_ohm"].as_f64().unwrap(),
            output_ohm_at_8: i["output_impedance_at_8ohm_tap"].as_f64().unwrap(),
        };
        let box_l = i["box_volume_per_driver_l"].as_object().map(|o| o.values().map(|v| v.as_f64().unwrap()).sum());
        let driven = Driven::new(&network, &drivers, box_l, source).unwrap();
        for point in case["expected"]["points"].as_array().unwrap() {
            let f = point["f_hz"].as_f64().unwrap();
            near_complex(&format!("{} load at {f}", case["id"]), driven.load(f).unwrap(), complex(&point["z_load"]));
            let (v, c) = (driven.voltages(f), driven.currents(f));
            for (k, l) in driven.labels().iter().enumerate() {
                let wanted = &point["drivers"][l.as_str()];
                near_complex(&format!("{} v of {l} at {f}", case["id"]), v[k], complex(&wanted["v"]));
                near_complex(&format!("{} i of {l} at {f}", case["id"]), c[k], complex(&wanted["i"]));
            }
        }
    }
}

#[test]
fn differences_against_ngspice() {
    for case in cases("diff-", 5) {
        let i = &case["inputs"];
        let names: Vec<String> = case["expected"][0]["db"].as_object().unwrap().keys().cloned().collect();
        let drivers: Vec<Driver> = names
            .iter()
            .map(|n| {
                let kind =
                    i["driver_type_of_label"][n.as_str()].as_str().map_or_else(|| n.chars().take(1).collect(), str::to_owned);
                invented(&kind, n)
            })
            .collect();
        let zo = i["output_impedance_at_8ohm_tap"].as_f64().unwrap();
        let side = |which: &str| {
            let network = parse(i[which]["wiring"].as_str().unwrap()).unwrap();
            let source = Source { tap_ohm: i[which]["tap_ohm"].as_f64().unwrap(), output_ohm_at_8: zo };
            Driven::new(&network, &drivers, None, source).unwrap()
        };
        let hz: Vec<f64> = case["expected"].as_array().unwrap().iter().map(|p| p["f_hz"].as_f64().unwrap()).collect();
        let found = differences(&side("first"), &side("second"), &hz);
        for d in &found {
            for (k, point) in case["expected"].as_array().unwrap().iter().enumerate() {
                let wanted = point["db"][d.driver.as_str()].as_f64().unwrap();
                assert!((d.db[k] - wanted).abs() <= 1e-3, "{} {} at {}: {} {wanted}", case["id"], d.driver, hz[k], d.db[k]);
            }
        }
    }
}

#[test]
fn power_shares() {
    for case in cases("pow-", 6) {
        let i = &case["inputs"];
        let network = parse(i["wiring"].as_str().unwrap()).unwrap();
        let drivers: Vec<Driver> = i["nominal_ohm"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(l, z)| Driver {
                rated_w: i["rated_w"][l].as_f64().map(|w| Watt::new(w).unwrap()),
                ..bare(l, z.as_f64().unwrap())
            })
            .collect();
        let (shares, largest) = load::shares(&network, &drivers);
        let e = &case["expected"];
        near("load", load::nominal(&network, &drivers).value().unwrap(), e["load_ohm"].as_f64().unwrap(), 1e-5);
        near("largest", largest.unwrap(), e["largest_amp_w"].as_f64().unwrap(), 1e-5);
        for s in &shares {
            near("share", s.share, e["share"][s.driver.as_str()].as_f64().unwrap(), 1e-5);
        }
        let limiting: Vec<&str> = shares.iter().filter(|s| s.limiting).map(|s| s.driver.as_str()).collect();
        let wanted: Vec<&str> = e["limiting_drivers"].as_array().unwrap().iter().map(|v| v.as_str().unwrap()).collect();
        assert_eq!(limiting, wanted, "{}", case["id"]);
    }
}

#[test]
fn tap_grades() {
    for case in cases("grade-", 12) {
        let i = &case["inputs"];
        let kind = if i["amp"] == "valve" { AmplifierKind::Valve } else { AmplifierKind::SolidState };
        let tap = i["tap_ohm"].as_f64().or(i["min_load_ohm"].as_f64()).unwrap();
        let load = match &i["load_ohm"] {
            Value::String(s) if s == "open" => Branch::Open,
            Value::String(_) => Branch::Short,
            number => Branch::Value(number.as_f64().unwrap()),
        };
        let found = grade(load, None, &Against { kind, tap_ohm: tap, allow: None }, 8.0);
        assert_eq!(found.grade.name(), case["expected"]["grade"].as_str().unwrap(), "{}", case["id"]);
        if let Some(ratio) = case["expected"]["ratio"].as_f64() {
            near("ratio", found.ratio.unwrap(), ratio, 1e-5);
        }
        assert!(!found.reasons.is_empty());
        assert!(found.reasons.iter().all(|r| !r.contains("safe")));
    }
}

#[test]
fn meter_readings() {
    for case in cases("dc-", 9) {
        let i = &case["inputs"];
        let network = parse(i["wiring"].as_str().unwrap()).unwrap();
        let drivers: Vec<Driver> = i["Re_ohm"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(l, re)| {
                let re = re.as_f64().unwrap();
                Driver { re_ohm: Some(Ohm::new(re).unwrap()), re_measured: true, ..bare(l, if re > 10.0 { 16.0 } else { 8.0 }) }
            })
            .collect();
        let reading = i["reading_ohm"].as_f64().map_or(MeterValue::Open, |r| MeterValue::Ohm(Ohm::new(r).unwrap()));
        let found = meter::diagnose(&network, &drivers, reading);
        let e = &case["expected"];
        near("expected", found.intended.expected.value().unwrap(), e["expected_reading_ohm"].as_f64().unwrap(), 1e-3);
        assert_eq!(found.as_intended, e["verdict"] == "as-intended", "{}", case["id"]);
        // "top" gives the meaning, not a wording (the file's own note).
        if let Some(top) = e["top"].as_str() {
            let what = &found.suspects[0].what;
            let fits = match top {
                t if t.starts_with("wired as") => what == "wired as A || B",
                t if t.contains("shorted") => what.contains("shorted"),
                _ => what.contains("open"),
            };
            assert!(fits, "{}: {what}, wanted {top}", case["id"]);
        }
        if let Some(list) = e["cannot_separate"].as_array() {
            let all = found.cannot_tell_apart.join("; ");
            assert!(
                list.len() == 3 && all.contains("A shorted") && all.contains("B shorted") && all.contains("only A connected"),
                "{all}"
            );
        }
    }
}

#[test]
fn the_notation() {
    for case in cases("gr-", 14) {
        let known: Vec<DriverLabel> =
            case["inputs"]["known_labels"].as_array().unwrap().iter().map(|l| label(l.as_str().unwrap())).collect();
        let text = case["inputs"]["text"].as_str().unwrap();
        match parse_known(text, &known) {
            Ok(network) => assert_eq!(network.canonical().to_string(), case["expected"]["canonical"].as_str().unwrap(), "{text}"),
            Err(error) => {
                assert_eq!(error.fault.name(), case["expected"]["error"].as_str().unwrap(), "{text}: {error}");
                assert_eq!(error.column as u64, case["expected"]["column"].as_u64().unwrap(), "{text}: {error}");
            }
        }
    }
}

#[test]
fn every_wiring_of_a_few_drivers_once() {
    for case in cases("count-sp", 1) {
        for (n, wanted) in (1..=5).zip(case["expected"]["distinct_networks"].as_array().unwrap()) {
            let labels: Vec<DriverLabel> = (0..n).map(|k| label(&format!("D{k}"))).collect();
            let mut all: Vec<String> = enumerate::wirings(&labels).iter().map(ToString::to_string).collect();
            assert_eq!(all.len() as u64, wanted.as_u64().unwrap());
            all.sort();
            all.dedup();
            assert_eq!(all.len() as u64, wanted.as_u64().unwrap(), "doubles among the wirings of {n}");
        }
    }
}
