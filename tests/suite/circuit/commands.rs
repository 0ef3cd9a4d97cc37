//! The wiring commands as a person runs them.

use crate::golden;
use crate::material;
use crate::program::Desk;

#[test]
fn load_prints_a_card_and_its_document() {
    let desk = Desk::new();
    let args = ["load", "A + B", "--driver", "A=8,30", "--driver", "B=8,60", "--tap", "16"];
    golden::check("load-series.txt", &desk.run(&args).ends(0).out);
    let doc = desk.run(&[&args[..], &["--json"]].concat()).ends(0).json();
    assert_eq!(
        (doc["wiring"].as_str(), doc["load_ohm"].as_f64(), doc["grade"].as_str()),
        (Some("A + B"), Some(16.0), Some("matched"))
    );
    assert_eq!((doc["ratio"].as_f64(), doc["largest_amp_w"].as_f64()), (Some(1.0), Some(60.0)));
    assert_eq!(doc["drivers"][0]["limiting"], true);
}

#[test]
fn a_load_that_must_not_be_connected_is_code_3_with_its_document() {
    let desk = Desk::new();
    let said = desk.run(&["load", "A || B", "--driver", "A=4", "--driver", "B=4", "--tap", "16", "--json"]).ends(3);
    assert_eq!(said.json()["grade"], "do-not-connect");
    let solid = desk
        .run(&["load", "A || B", "--driver", "A=8", "--driver", "B=4", "--tap", "4", "--amp", "solid-state", "--json"])
        .ends(3);
    assert_eq!(solid.json()["grade"], "do-not-connect");
}

#[test]
fn notation_faults_are_code_4_with_their_column() {
    let desk = Desk::new();
    let said = desk
        .run(&["load", "A + B || C", "--driver", "A=8", "--driver", "B=8", "--driver", "C=8", "--tap", "8", "--json"])
        .ends(4);
    let error = &said.json()["error"];
    assert_eq!((error["kind"].as_str(), error["column"].as_u64()), (Some("mixed-operators"), Some(7)));
    let said = desk.run(&["load", "A", "--driver", "A=8", "--driver", "B=8", "--tap", "8", "--json"]).ends(4);
    assert_eq!(said.json()["error"]["kind"], "unused-driver");
    desk.run(&["load", "-A + B", "--driver", "A=8", "--driver", "B=8", "--tap", "16"]).ends(0);
}

pub(crate) const SHEET: &str = r#"
[session]
title = "an invented rig"
[amplifier]
label = "head 1"
kind = "valve"
rated_w = 50
taps_ohm = [4, 8, 16]
[[driver]]
label = "A"
nominal_ohm = 8
rated_w = 30
re_ohm = 6.5
fs_hz = 78.0
qms = 7.5
qes = 0.62
[[driver]]
label = "B"
nominal_ohm = 8
rated_w = 60
re_ohm = 6.9
fs_hz = 105.0
qms = 11.0
qes = 1.15
[[wiring]]
name = "series"
network = "A + B"
[[wiring]]
name = "parallel"
network = "A || B"
[[setup]]
name = "s16"
wiring = "series"
tap_ohm = 16
[[setup]]
name = "p4"
wiring = "parallel"
tap_ohm = 4
"#;

#[test]
fn the_sheet_goes_in_and_every_setup_is_described() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    let said = desk.run(&["rig", "s", "--drawing", "card.svg"]).ends(0);
    golden::check("rig-cards.txt", &said.out);
    assert!(said.err.contains("differ in wiring and tap together"), "{}", said.err);
    golden::check("rig-cards.svg", &std::fs::read_to_string(desk.join("card.svg")).unwrap());
    desk.run(&["rig", "s", "--drawing", "card.svg"]).ends(3);
    let doc = desk.run(&["rig", "s", "--json"]).ends(0).json();
    assert_eq!(doc["setups"].as_array().unwrap().len(), 2);
    assert_eq!(doc["setups"][0]["drive"][0]["hz"].as_array().unwrap().len(), 121);
    assert_eq!(doc["differences"].as_array().unwrap().len(), 2);
    // The order is drawn once and kept: whoever asks again is shown the same one.
    let order = |args: &[&str]| {
        let doc = desk.run(&[&["runsheet", "s", "--json"], args].concat()).ends(0).json();
        let setups: Vec<String> =
            doc["order"].as_array().unwrap().iter().map(|p| p["setup"].as_str().unwrap().to_owned()).collect();
        (setups, doc)
    };
    let (first, doc) = order(&[]);
    assert_eq!((doc["drawn_now"].as_bool(), doc["takes"].as_u64(), doc["takes_needed"].as_u64()), (Some(true), Some(5), Some(4)));
    assert_eq!(["s16", "p4"].map(|s| first.iter().filter(|f| *f == s).count()), [5, 5]);
    assert!(
        doc["order"].as_array().unwrap().iter().all(|p| p["change"].as_str().unwrap().contains("wire ")),
        "wired anew before every pass"
    );
    let (again, doc) = order(&["--tests", "2"]);
    // Two tests at 0.025 each: 1/126 with five takes a setup (C(10, 5)/2), 1/35 = 0.0286 with four.
    assert_eq!((again, doc["drawn_now"].as_bool(), doc["takes_needed"].as_u64()), (first, Some(false), Some(5)));
    // Another number is another draw, and that is said.
    let (_, doc) = order(&["--takes", "4", "--tests", "6"]);
    assert_eq!((doc["drawn_now"].as_bool(), doc["takes_needed"].as_u64()), (Some(true), Some(5)));
    let warned = doc["warnings"].to_string();
    assert!(warned.contains("2 orders were drawn") && warned.contains("too few for a claim about the wiring"), "{warned}");
    desk.run(&["runsheet", "s", "--takes", "0"]).ends(2);
    let text = desk.run(&["runsheet", "s"]).ends(0).out;
    assert!(text.contains("undo the wiring and wire") || text.contains("wire A"), "{text}");
}

#[test]
fn the_meter_judges_and_keeps() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    golden::check("meter-good.txt", &desk.run(&["meter", "s", "series", "13.2"]).ends(0).out);
    golden::check("meter-bad.txt", &desk.run(&["meter", "s", "s16", "3.4"]).ends(3).out);
    let open = desk.run(&["meter", "s", "B + A", "OL", "--json"]).ends(3).json();
    assert_eq!(
        (open["reading_ohm"].as_str(), open["as_intended"].as_bool(), open["wiring"].as_str()),
        (Some("open"), Some(false), Some("series"))
    );
}

#[test]
fn typing_mistakes_in_the_sheet_are_told_by_line_and_nearest_key() {
    let desk = Desk::new();
    for (wrong, right, line, near) in [
        ("nomnal_ohm = 8", "nominal_ohm = 8", 11, "nominal_ohm"),
        ("network = \"A + + B\"", "network = \"A + B\"", 0, ""),
        ("wiring = \"serie\"", "wiring = \"series\"", 33, "series"),
        ("kind = \"tube\"", "kind = \"valve\"", 6, ""),
        ("tap_ohm = -4", "tap_ohm = 4", 38, ""),
        ("fs_hz = 7800.0", "fs_hz = 78.0", 10, ""),
    ] {
        std::fs::write(desk.join("rig.toml"), SHEET.replacen(right, wrong, 1)).unwrap();
        let said = desk.run(&["new", "s", "--sheet", "rig.toml", "--json"]).ends(4).json();
        let error = &said["error"];
        let message = error["message"].as_str().unwrap();
        if line > 0 {
            assert!(message.contains(&format!("line {line},")), "{wrong}: {message}");
        }
        assert!(error["next"].as_str().unwrap().contains(near), "{wrong}: {error}");
        assert!(!desk.join("s").exists(), "{wrong}: half a session was left behind");
    }
}

#[test]
fn a_changed_sheet_is_refused_under_recorded_takes() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    let rate = 48_000;
    crate::material::write_wav(&desk.join("a.wav"), rate, &crate::material::riff(3.4, rate));
    desk.run(&["take", "s", "a.wav", "--setup", "s16"]).ends(0);
    std::fs::write(desk.join("other.toml"), SHEET.replace("network = \"A + B\"", "network = \"-A + B\"")).unwrap();
    let said = desk.run(&["rig", "s", "--sheet", "other.toml", "--json"]).ends(3).json();
    assert!(said["error"]["message"].as_str().unwrap().contains("t001"), "{said}");
    std::fs::write(desk.join("other.toml"), SHEET.replace("network = \"A || B\"", "network = \"A || -B\"")).unwrap();
    desk.run(&["rig", "s", "--sheet", "other.toml"]).ends(0);
}

#[test]
fn a_load_that_must_not_be_connected_is_planned_only_with_a_reason_that_every_report_prints() {
    let desk = Desk::new();
    // Four ohm on the sixteen ohm tap.
    let sheet = SHEET.replace("wiring = \"parallel\"\ntap_ohm = 4", "wiring = \"parallel\"\ntap_ohm = 16");
    assert_ne!(sheet, SHEET);
    std::fs::write(desk.join("rig.toml"), sheet).unwrap();
    let riff = material::riff(3.4, 48_000);
    for (name, hz) in [("a", 120.0), ("b", 2_500.0)] {
        material::write_wav(&desk.join(&format!("{name}.wav")), 48_000, &material::peaking(&riff, 48_000, hz, 1.0, 3.0));
    }
    // An older session: its takes were imported while the sheet said nothing against them.
    desk.run(&["new", "s", "s16=a.wav", "p4=b.wav"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    let rig = cabjury::rig::sheet::read_sheet_file(&desk.join("rig.toml")).unwrap();
    let now = jiff::Timestamp::now();
    cabjury::store::Session::open_write(&desk.join("s"), now).unwrap().set_rig(&rig, now).unwrap();
    let plan = ["plan", "s", "--compare", "s16,p4", "--trials", "5"];
    let refused = desk.run(&plan).ends(3).err;
    assert!(refused.contains("p4 must not be connected") && refused.contains("--load-reason"), "{refused}");
    desk.run(&[&plan[..], &["--load-reason", "  "]].concat()).ends(3);
    let doc = desk.run(&[&plan[..], &["--load-reason", "an old habit, at bedroom level", "--json"]].concat()).ends(0).json();
    assert_eq!(doc["test"], "test-1");
    desk.run(&["report", "s", "--out", "open.html"]).ends(0);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    desk.run(&["report", "s", "--out", "closed.html"]).ends(0);
    for page in ["open.html", "closed.html"] {
        let text = std::fs::read_to_string(desk.join(page)).unwrap();
        assert!(text.contains("an old habit, at bedroom level"), "{page} does not print the reason");
    }
}

/// Every order of capture is as likely as every other one: 10 000 draws of two setups with two takes each over the six orders there are.
/// Chi-square with 5 degrees of freedom, upper point of 1e-5: 30.86 (computed with scipy 1.x, from memory of its `chi2.isf`).
#[test]
fn every_order_of_capture_is_as_likely() {
    use cabjury::capture::runsheet::draw;
    let mut random = cabjury::trial::Generator::simulated(71);
    let mut seen = std::collections::BTreeMap::new();
    for _ in 0..10_000 {
        *seen.entry(draw(2, 2, &mut random)).or_insert(0u32) += 1;
    }
    assert_eq!(seen.len(), 6);
    let expected = 10_000.0 / 6.0;
    let chi: f64 = seen.values().map(|n| (f64::from(*n) - expected).powi(2) / expected).sum();
    assert!(chi < 30.86, "{chi}: {seen:?}");
}

#[test]
fn nothing_is_called_safe_and_the_cautions_are_where_the_hands_are() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["rig", "s", "--drawing", "card.svg"]).ends(0);
    let said = |args: &[&str], code: i32| {
        let said = desk.run(args).ends(code);
        said.out + &said.err
    };
    let hands = [
        said(&["load", "A + B", "--tap", "16", "--driver", "A=8,30", "--driver", "B=8,60"], 0),
        said(&["rig", "s"], 0),
        said(&["runsheet", "s"], 0),
        std::fs::read_to_string(desk.join("card.svg")).unwrap(),
    ];
    let reading = [said(&["meter", "s", "series", "13.2"], 0), said(&["meter", "s", "series", "OL"], 3)];
    for text in hands.iter().chain(&reading) {
        let words: Vec<String> = text.split(|c: char| !c.is_alphanumeric()).map(str::to_lowercase).collect();
        assert!(!words.iter().any(|w| w == "safe" || w == "safely"), "{text}");
    }
    for text in &hands {
        assert!(text.contains("hundred volts") && text.contains("without its load") && text.contains("ear protection"), "{text}");
    }
}
