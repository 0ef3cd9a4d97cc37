//! Equivalence by what the drivers get, what a mic should show, and how `rig` and `plan` say it.

use super::cases::{invented, label};
use crate::program::Desk;
use cabjury::circuit::drive::{Driven, Source, grid};
use cabjury::circuit::parse;
use cabjury::circuit::pickup::{Heard, difference};
use cabjury::circuit::same::{Sameness, sameness};
use cabjury::model::rig::Driver;
use cabjury::rig::differs::differs;
use cabjury::rig::sheet::read_sheet;

fn driven(text: &str, tap: f64, drivers: &[Driver]) -> Driven {
    Driven::new(&parse(text).unwrap(), drivers, None, Source { tap_ohm: tap, output_ohm_at_8: 8.0 }).unwrap()
}

#[test]
fn sameness_is_judged_by_what_the_drivers_get() {
    let twins = [invented("A", "A"), invented("A", "B")];
    let unlike = [invented("A", "A"), invented("B", "B")];
    let judge = |first: (&str, f64), second: (&str, f64), drivers: &[Driver]| {
        sameness(&driven(first.0, first.1, drivers), &driven(second.0, second.1, drivers), &grid())
    };
    assert_eq!(judge(("A + B", 16.0), ("A || B", 4.0), &twins), Sameness::Same);
    assert_eq!(judge(("A + B", 16.0), ("A || B", 4.0), &unlike), Sameness::Different);
    assert_eq!(judge(("A + B", 16.0), ("-A + -B", 16.0), &unlike), Sameness::Turned);
    // Sizes alone would call this the same: a mic on both cones hears it at once.
    assert_eq!(judge(("A || B", 4.0), ("A || -B", 4.0), &unlike), Sameness::Polarity);
    // A stiff source: half the tap is 3 dB less on every driver (E goes with the root of the tap).
    let stiff =
        |tap: f64| Driven::new(&parse("A || B").unwrap(), &unlike, None, Source { tap_ohm: tap, output_ohm_at_8: 0.0 }).unwrap();
    match sameness(&stiff(8.0), &stiff(4.0), &grid()) {
        Sameness::Level(db) => assert!((db - 10.0 * 2f64.log10()).abs() < 1e-9, "{db}"),
        other => panic!("{other:?}"),
    }
    assert_eq!(judge(("A", 8.0), ("A + B", 16.0), &unlike), Sameness::Different);
}

/// One cone: exactly the drive. Several: the low-frequency piston sum.
#[test]
fn what_a_mic_should_show() {
    let unlike = [invented("A", "A"), invented("B", "B")];
    let heard = |list: &[(&str, f64)]| -> Vec<Heard> {
        list.iter().map(|(l, weight)| Heard { driver: label(l), weight: *weight }).collect()
    };
    let (first, second) = (driven("A + B", 16.0, &unlike), driven("A || B", 4.0, &unlike));
    let hz = grid();
    let exact = cabjury::circuit::drive::differences(&first, &second, &hz);
    let one = difference(&first, &second, &unlike, &heard(&[("A", 0.3)]), &hz).unwrap();
    assert!(one.iter().zip(&exact[0].db).all(|(a, b)| (a - b).abs() < 1e-9));
    // Both cones in one blend, and one of two reversed: computed with Python's complex numbers from the formulas, apart from this code.
    let hz = [40.0, 63.0, 80.0, 84.14, 100.0, 125.0, 160.0, 250.0, 1000.0];
    let pair = heard(&[("A", 1.0), ("B", 1.0)]);
    let both = difference(&first, &second, &unlike, &pair, &hz).unwrap();
    let (straight, turned) = (driven("A || B", 4.0, &unlike), driven("A || -B", 4.0, &unlike));
    let loss = difference(&turned, &straight, &unlike, &pair, &hz).unwrap();
    let wanted_both = [0.692, 1.634, -0.247, -1.982, -1.385, 0.370, 0.018, 0.032, -0.006];
    let wanted_loss = [-9.819, -10.399, -11.357, -11.666, -13.072, -15.634, -18.719, -20.844, -16.594];
    for k in 0..hz.len() {
        assert!((both[k] - wanted_both[k]).abs() < 1e-3, "{} Hz: {}", hz[k], both[k]);
        assert!((loss[k] - wanted_loss[k]).abs() < 1e-3, "{} Hz: {}", hz[k], loss[k]);
    }
    let mut bare = unlike.clone();
    bare[1].sd_cm2 = None;
    assert_eq!(difference(&first, &second, &bare, &heard(&[("A", 1.0), ("B", 1.0)]), &hz), None);
}

const FIGURES: &str = "nominal_ohm = 8\nre_ohm = 6.5\nfs_hz = 78.0\nqms = 7.5\nqes = 0.62\nmms_g = 32.0\nsd_cm2 = 531.0\n";

fn sheet() -> String {
    let driver = |l: &str, more: &str| {
        format!(
            "[[driver]]\nlabel = \"{l}\"\n{}",
            if more.is_empty() { FIGURES.to_owned() } else { FIGURES.replace("78.0", more) }
        )
    };
    let wiring = |n: &str, net: &str| format!("[[wiring]]\nname = \"{n}\"\nnetwork = \"{net}\"\n");
    let setup = |n: &str, tap: u32| format!("[[setup]]\nname = \"{n}\"\nwiring = \"{n}\"\ntap_ohm = {tap}\n");
    [
        "[session]\ntitle = \"an invented rig\"\n[amplifier]\nlabel = \"head 1\"\nkind = \"valve\"\ntaps_ohm = [4, 8, 16]\n"
            .to_owned(),
        driver("A", ""),
        driver("B", "105.0"),
        driver("C", ""),
        driver("D", "105.0"),
        wiring("sp", "(A + B) || (C + D)"),
        wiring("spelt", "(D+C)||(B+A)"),
        wiring("ps", "(A || C) + (B || D)"),
        wiring("like", "(A + C) || (B + D)"),
        wiring("turned", "-((A + B) || (C + D))"),
        ["sp", "spelt", "ps", "like", "turned"].map(|n| setup(n, 8)).concat(),
        "[[mic]]\nname = \"close-a\"\nhears = [\"A\"]\n[[mic]]\nname = \"close-b\"\nhears = [\"B\"]\n".to_owned(),
        "[[blend]]\nname = \"both\"\nof = [\"close-a\", \"close-b\"]\ngains_db = [0.0, -3.0]\n".to_owned(),
    ]
    .concat()
}

#[test]
fn what_differs_is_the_wiring_and_not_its_spelling() {
    let rig = read_sheet(&sheet()).unwrap();
    let setup = |n: &str| rig.setups.iter().find(|s| s.name.as_str() == n).unwrap();
    let between = |a: &str, b: &str| differs(&rig, setup(a), setup(b));
    assert!(between("sp", "spelt").is_empty(), "{:?}", between("sp", "spelt"));
    let same = between("sp", "ps");
    assert!(same.len() == 1 && same[0].starts_with("wiring: ") && same[0].contains("same voltage"), "{same:?}");
    assert_eq!(between("sp", "like"), ["wiring: (A + B) || (C + D) against (A + C) || (B + D)"]);
    assert!(between("sp", "turned")[0].contains("only absolute polarity"));
}

#[test]
fn rig_says_what_each_mic_and_blend_should_show() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), sheet()).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    let said = desk.run(&["rig", "s"]).ends(0);
    assert!(said.err.contains("sp and ps give every driver the same voltage"), "{}", said.err);
    let wide: Vec<&str> = said.out.lines().filter(|l| l.chars().count() > 80).collect();
    assert!(wide.is_empty(), "over 80 columns: {wide:#?}");
    assert!(!said.out.to_lowercase().contains("safe") && !said.err.to_lowercase().contains("safe"));
    let doc = desk.run(&["rig", "s", "--json"]).ends(0).json();
    let of = |mic: &str| {
        doc["at_mics"]
            .as_array()
            .unwrap()
            .iter()
            .find(|m| m["mic"] == mic && m["first"] == "sp" && m["second"] == "like")
            .unwrap()
    };
    let a = of("close-a");
    let drive = doc["differences"].as_array().unwrap().iter().find(|d| d["driver"] == "A" && d["second"] == "like").unwrap();
    assert_eq!((a["exact"].as_bool(), a["hz"].as_array().unwrap().len()), (Some(true), 121));
    assert!((a["db"][30].as_f64().unwrap() - drive["db"][30].as_f64().unwrap()).abs() < 1e-9);
    let both = of("both");
    assert_eq!((both["exact"].as_bool(), both["valid_to_hz"].as_f64()), (Some(false), Some(1000.0)));
    assert!(both["hz"].as_array().unwrap().iter().all(|f| f.as_f64().unwrap() < 1001.0) && !both["db"][0].is_null());
}
