//! The gate: every answer that it can give, and every door through the real program. What must not be connected is ours to decide (limits:
//! common practice, no source); that an open output, a short and a load far off the tap are not connected is common practice, no source.

use super::commands::SHEET;
use crate::material;
use crate::program::{Desk, Said};
use cabjury::model::ids::SetupName;
use cabjury::rig::gate::{Answer, Gate, Unknown};
use cabjury::rig::objection::Objection;
use cabjury::store::Session;
use serde_json::Value;

const WHY: &str = "an old habit, at bedroom level";

/// Four ohm on the sixteen ohm tap.
fn forbidden() -> String {
    changed("wiring = \"parallel\"\ntap_ohm = 4", "wiring = \"parallel\"\ntap_ohm = 16")
}

fn changed(from: &str, to: &str) -> String {
    let sheet = SHEET.replacen(from, to, 1);
    assert_ne!(sheet, SHEET, "{from:?} is not in the sheet");
    sheet
}

fn session(sheet: &str, code: i32) -> (Desk, Said) {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), sheet).unwrap();
    let riff = material::riff(3.4, 48_000);
    for (name, hz) in [("a", 120.0), ("b", 2_500.0)] {
        material::write_wav(&desk.join(&format!("{name}.wav")), 48_000, &material::peaking(&riff, 48_000, hz, 1.0, 3.0));
    }
    let said = desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(code);
    (desk, said)
}

fn asked(desk: &Desk, setup: &str) -> Answer {
    Gate::of(&Session::open_read(&desk.join("s")).unwrap()).unwrap().ask(&SetupName::new(setup).unwrap()).unwrap()
}

#[track_caller]
fn error(said: &Said, kind: &str) -> Value {
    let error = said.json()["error"].clone();
    assert_eq!(error["kind"], kind, "{error}");
    assert!(error["next"].as_str().unwrap().contains("--load-reason"), "{error}");
    error
}

/// All kinds of objections, in the order of the enum: a new one does not compile here before it is reached below.
fn name(objection: &Objection) -> &'static str {
    match objection {
        Objection::ReadShort { .. } => "read-short",
        Objection::ReadOpen { .. } => "read-open",
        Objection::ReadWrong { .. } => "read-wrong",
        Objection::NoSuchTap { .. } => "no-such-tap",
        Objection::DoNotConnect { .. } => "do-not-connect",
    }
}

#[test]
fn every_answer_is_reached() {
    let kinds = |a: &Answer| a.objections().iter().map(name).collect::<Vec<_>>();
    let (desk, _) = session(SHEET, 0);
    assert_eq!(asked(&desk, "s16"), Answer::NothingAgainst);
    for (reading, code, wanted) in [
        ("0.1", 3, vec!["read-short"]),
        ("OL", 3, vec!["read-open"]),
        ("1200", 3, vec!["read-open"]),
        ("9", 3, vec!["read-wrong"]),
        ("13.2", 0, vec![]),
    ] {
        desk.run(&["meter", "s", "series", reading]).ends(code);
        let answer = asked(&desk, "s16");
        assert_eq!((kinds(&answer), answer.refused()), (wanted.clone(), !wanted.is_empty()), "{reading}");
        // The other wiring is not concerned.
        assert_eq!(asked(&desk, "p4"), Answer::NothingAgainst);
        for objection in answer.objections() {
            assert!(
                objection.kind() == name(objection) && objection.is_a_reading() && objection.remedy().contains("read it again")
            );
        }
    }
    let (desk, _) = session(&changed("tap_ohm = 16", "tap_ohm = 15"), 3);
    assert_eq!((asked(&desk, "s16").name(), kinds(&asked(&desk, "s16"))), ("refused", vec!["no-such-tap"]));
    let (desk, _) = session(&forbidden(), 3);
    assert_eq!(kinds(&asked(&desk, "p4")), ["do-not-connect"]);
    desk.run(&["meter", "s", "p4", "13.2", "--load-reason", WHY]).ends(3);
    assert!(matches!(asked(&desk, "p4"), Answer::Lifted { ref reason, .. } if reason == WHY));
    assert_eq!(kinds(&asked(&desk, "p4")), ["read-wrong", "do-not-connect"]);
    let (desk, _) = session(&changed("wiring = \"series\"\ntap_ohm = 16", ""), 0);
    assert_eq!(asked(&desk, "s16"), Answer::NotJudged(Unknown::Wiring));
    let (desk, _) = session(&changed("wiring = \"series\"\ntap_ohm = 16", "wiring = \"series\""), 0);
    assert_eq!(asked(&desk, "s16"), Answer::NotJudged(Unknown::Tap));
}

#[test]
fn a_forbidden_load_is_refused_at_every_door() {
    let (desk, said) = session(&forbidden(), 3);
    assert!(said.out.contains("p4 must not be connected") && said.out.contains("next: cabjury rig s"), "{}", said.out);
    desk.run(&["new", "t", "--sheet", "rig.toml", "s16=a.wav", "p4=b.wav"]).ends(3);
    assert!(!desk.join("t").exists(), "half a session was left behind");
    error(&desk.run(&["new", "t", "--sheet", "rig.toml", "p4=b.wav", "--json"]).ends(3), "do-not-connect");
    desk.run(&["new", "u", "--sheet", "rig.toml", "s16=a.wav"]).ends(3);

    let rig = desk.run(&["rig", "s", "--json"]).ends(3).json();
    assert_eq!(
        (rig["setups"][1]["grade"].as_str(), rig["setups"][1]["gate"]["answer"].as_str()),
        (Some("do-not-connect"), Some("refused"))
    );
    let status = desk.run(&["status", "s", "--json"]).ends(3).json();
    assert_eq!(status["next"]["command"], "cabjury rig s --sheet rig.toml");
    assert_eq!(status["gate"][1]["objections"][0]["kind"], "do-not-connect");
    assert!(desk.run(&["status", "s"]).ends(3).out.contains("DO NOT POWER"));

    let sheet = desk.run(&["runsheet", "s", "--takes", "2"]).ends(3).out;
    let ticks: Vec<&str> = sheet.lines().filter(|l| l.contains("[ ]")).collect();
    assert!(ticks.len() == 2 && ticks.iter().all(|l| l.contains("s16")), "{sheet}");
    let doc = desk.run(&["runsheet", "s", "--takes", "2", "--json"]).ends(3).json();
    let refused: Vec<bool> = doc["order"].as_array().unwrap().iter().map(|p| p["refused"].is_string()).collect();
    let of_p4: Vec<bool> = doc["order"].as_array().unwrap().iter().map(|p| p["setup"] == "p4").collect();
    assert_eq!(refused, of_p4);

    // The wiring is as intended, its load is not to be connected all the same.
    let meter = desk.run(&["meter", "s", "parallel", "3.35", "--json"]).ends(3).json();
    assert_eq!((meter["as_intended"].as_bool(), meter["do_not_power"].as_bool()), (Some(true), Some(true)));
    assert!(meter["next_step"].as_str().unwrap().contains("must not be powered"), "{meter}");

    error(&desk.run(&["take", "s", "b.wav", "--setup", "p4", "--json"]).ends(3), "do-not-connect");
    desk.run(&["take", "s", "b.wav", "--setup", "p4", "--load-reason", " \t "]).ends(3);
    desk.run(&["take", "s", "a.wav", "--setup", "s16"]).ends(0);
    assert_eq!(Session::open_read(&desk.join("s")).unwrap().takes().unwrap().len(), 1);
}

#[test]
fn a_typed_reason_opens_the_doors_and_is_printed_on_card_run_sheet_and_report() {
    let (desk, _) = session(&forbidden(), 3);
    desk.run(&["take", "s", "a.wav", "--setup", "s16"]).ends(0);
    desk.run(&["take", "s", "b.wav", "--setup", "p4", "--load-reason", WHY]).ends(0);
    let log = Session::open_read(&desk.join("s")).unwrap();
    let mut kept = Vec::new();
    log.each_entry(&mut |e| kept.extend((e.what == "gate-lifted").then(|| (e.subject.to_owned(), e.body.to_owned())))).unwrap();
    assert!(kept.len() == 1 && kept[0].0 == "p4" && kept[0].1.contains(WHY), "{kept:?}");
    desk.run(&["rig", "s", "--drawing", "card.svg"]).ends(0);
    let card = std::fs::read_to_string(desk.join("card.svg")).unwrap();
    assert!(card.contains("DO NOT CONNECT") && card.contains(WHY), "{card}");
    let cards = desk.run(&["rig", "s"]).ends(0).out;
    assert!(cards.contains("DO NOT CONNECT") && cards.contains(WHY), "{cards}");
    let sheet = desk.run(&["runsheet", "s", "--takes", "2"]).ends(0).out;
    assert!(sheet.contains(WHY) && sheet.lines().filter(|l| l.contains("[ ]")).count() == 4, "{sheet}");
    desk.run(&["status", "s"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    // The plan seals what was typed at the earlier door.
    desk.run(&["plan", "s", "--compare", "s16,p4", "--trials", "5"]).ends(0);
    let test = cabjury::model::ids::TestId::new("test-1").unwrap();
    assert_eq!(Session::open_read(&desk.join("s")).unwrap().test(&test).unwrap().plan.load_reason.as_deref(), Some(WHY));
    desk.run(&["report", "s", "--out", "page.md"]).ends(0);
    let report = std::fs::read_to_string(desk.join("page.md")).unwrap();
    let wirings = report.split("Wirings\n").nth(1).unwrap().split("\n## ").next().unwrap();
    assert!(wirings.contains("must not be connected") && wirings.contains(WHY), "{wirings}");
    assert!(wirings.contains("ear protection"), "{wirings}");
    // A later reading is an objection of its own: the old reason says nothing about it.
    desk.run(&["meter", "s", "parallel", "0"]).ends(3);
    let said = desk.run(&["take", "s", "b.wav", "--setup", "p4", "--json"]).ends(3);
    assert!(error(&said, "read-short")["message"].as_str().unwrap().contains("short"));
    // A sheet that is put right needs no reason any more.
    desk.run(&["meter", "s", "parallel", "3.35"]).ends(0);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn the_last_reading_decides_at_every_door_until_it_is_read_again() {
    let (desk, _) = session(SHEET, 0);
    desk.run(&["take", "s", "a.wav", "--setup", "s16"]).ends(0);
    desk.run(&["take", "s", "b.wav", "--setup", "p4"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    let plan = ["plan", "s", "--compare", "s16,p4", "--trials", "5", "--json"];
    // By the wiring's name, the setup's name, and the network in other words.
    for (word, reading, kind) in [("series", "3.35", "read-wrong"), ("s16", "OL", "read-open"), ("B+A", "0.2", "read-short")] {
        desk.run(&["meter", "s", word, reading]).ends(3);
        error(&desk.run(&plan).ends(3), kind);
        error(&desk.run(&[&plan[..], &["--what-if"]].concat()).ends(3), kind);
        error(&desk.run(&["take", "s", "b.wav", "--setup", "s16", "--json"]).ends(3), kind);
        let status = desk.run(&["status", "s", "--json"]).ends(3).json();
        assert_eq!(status["next"]["command"], "cabjury meter s series OHM");
        let sheet = desk.run(&["runsheet", "s", "--takes", "1", "--json"]).ends(3).json();
        // The order is drawn: which of the two comes first is chance.
        let passes = sheet["order"].as_array().unwrap();
        let refused = |setup: &str| &passes.iter().find(|p| p["setup"] == setup).unwrap()["refused"];
        assert!(refused("s16").as_str().unwrap().contains("last read wrong"), "{sheet}");
        assert_eq!(*refused("p4"), Value::Null);
        assert_eq!(desk.run(&["rig", "s", "--json"]).ends(3).json()["setups"][0]["gate"]["objections"][0]["kind"], kind);
        desk.run(&["meter", "s", "s16", "13.2"]).ends(0);
        desk.run(&["status", "s"]).ends(0);
    }
    desk.run(&["meter", "s", "series", "9"]).ends(3);
    desk.run(&["runsheet", "s", "--load-reason", WHY]).ends(0);
    desk.run(&plan).ends(0);
}

#[test]
fn the_way_leads_past_the_ohmmeter() {
    let (desk, said) = session(SHEET, 0);
    assert!(said.out.contains("next: cabjury meter s series OHM"), "{}", said.out);
    desk.run(&["meter", "s", "series", "13.2"]).ends(0);
    assert_eq!(desk.run(&["status", "s", "--json"]).ends(0).json()["next"]["command"], "cabjury meter s parallel OHM");
    desk.run(&["meter", "s", "parallel", "3.35"]).ends(0);
    let status = desk.run(&["status", "s", "--json"]).ends(0).json();
    assert_eq!(status["next"]["command"], "cabjury take s FILE --setup s16");
    // A changed wiring was not read yet, whatever the old one read.
    std::fs::write(
        desk.join("rig.toml"),
        SHEET.replacen("nominal_ohm = 8\nrated_w = 30\nre_ohm = 6.5", "nominal_ohm = 8\nrated_w = 30\nre_ohm = 7.5", 1),
    )
    .unwrap();
    desk.run(&["rig", "s", "--sheet", "rig.toml"]).ends(0);
    assert_eq!(desk.run(&["status", "s", "--json"]).ends(0).json()["next"]["command"], "cabjury meter s series OHM");
}

/// Below 0.5 ohm is a short, of a network under 1 ohm below half of what is expected (our limits, no source); the load that a reading speaks
/// of is the nominal one in the proportion of the readings.
#[test]
fn a_reading_near_zero_or_far_too_low_powers_nothing() {
    let (desk, _) = session(SHEET, 0);
    for (wiring, reading, is, not) in [
        ("series", "0", "short", true),
        ("series", "0.49", "short", true),
        ("series", "0.5", "too-low", true),
        ("parallel", "0.3", "short", true),
        ("series", "3.35", "too-low", true),
        // Half the load on the same tap: within what is usually tolerated, but not as intended.
        ("series", "6.7", "too-low", false),
        ("parallel", "6.5", "too-high", false),
        ("parallel", "13.2", "too-high", true),
        ("parallel", "OL", "open", true),
        ("parallel", "3.35", "as-intended", false),
        ("A", "1", "too-low", true),
        ("A", "5", "too-low", false),
    ] {
        let said = desk.run(&["meter", "s", wiring, reading, "--json"]).ends(if is == "as-intended" { 0 } else { 3 }).json();
        assert_eq!(
            (said["reading_is"].as_str(), said["do_not_power"].as_bool()),
            (Some(is), Some(not)),
            "{wiring} {reading}: {said}"
        );
        assert_eq!(said["do_not_power_because"].as_array().unwrap().is_empty(), !not);
    }
    let short = desk.run(&["meter", "s", "parallel", "0"]).ends(3).out;
    let first = short.lines().next().unwrap();
    assert!(first.contains("amplifier off") && first.contains("unplugged") && first.contains("out of the amplifier"), "{first}");
    assert!(short.contains("do not power on"), "{short}");
    let low = desk.run(&["meter", "s", "series", "3.35"]).ends(3).out;
    assert!(low.contains("far too low") && low.contains("do not connect"), "{low}");
    // Sixteen drivers of 8 ohm in parallel are expected at 0.4 ohm: 0.1 ohm is a short there, 0.3 is not.
    let drivers: Vec<_> = (0..16).map(|i| super::cases::bare(&format!("D{i}"), 8.0)).collect();
    let network = cabjury::circuit::parse(&(0..16).map(|i| format!("D{i}")).collect::<Vec<_>>().join("//")).unwrap();
    let band = cabjury::circuit::meter::band(&network, &drivers, &[], &[]);
    let is = |ohm: f64| band.reading_is(cabjury::model::session::MeterValue::Ohm(cabjury::units::Ohm::new(ohm).unwrap()));
    use cabjury::circuit::meter::ReadingIs::{AsIntended, Short};
    assert_eq!((is(0.1), is(0.3)), (Short, AsIntended));
}

#[test]
fn a_tap_that_the_amplifier_does_not_have_is_never_matched() {
    let (desk, said) = session(&changed("tap_ohm = 16", "tap_ohm = 15"), 3);
    assert!(said.out.contains("has no 15 ohm tap"), "{}", said.out);
    let rig = desk.run(&["rig", "s", "--json"]).ends(3).json();
    assert_eq!(rig["setups"][0]["grade"], "do-not-connect");
    assert!(rig["setups"][0]["reasons"][0].as_str().unwrap().contains("no 15 ohm tap"), "{rig}");
    error(&desk.run(&["take", "s", "a.wav", "--setup", "s16", "--json"]).ends(3), "no-such-tap");
    // Taps that the sheet does not state are not missing.
    session(&SHEET.replacen("taps_ohm = [4, 8, 16]\n", "", 1), 0);
    // A solid-state amplifier's least load stands, whatever a setup says below it.
    let solid = forbidden().replacen("kind = \"valve\"", "kind = \"solid-state\"", 1).replacen(
        "taps_ohm = [4, 8, 16]",
        "min_load_ohm = 8",
        1,
    );
    let (desk, _) = session(&solid.replacen("wiring = \"parallel\"\ntap_ohm = 16", "wiring = \"parallel\"\ntap_ohm = 2", 1), 3);
    assert_eq!(desk.run(&["rig", "s", "--json"]).ends(3).json()["setups"][1]["grade"], "do-not-connect");
}

#[test]
fn wider_limits_need_a_note_that_says_something_and_it_is_printed() {
    let wider = |note: &str| {
        forbidden().replacen(
            "taps_ohm = [4, 8, 16]",
            &format!("taps_ohm = [4, 8, 16]\nallow_ratio = [0.2, 2.0]\nmanual_note = {note:?}"),
            1,
        )
    };
    for empty in ["", "   "] {
        session(&wider(empty), 3);
    }
    let note = "page 12: down to a quarter for short";
    let (desk, _) = session(&wider(note), 0);
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat(&desk.run(&["rig", "s"]).ends(0).out).contains(note));
    assert!(flat(&desk.run(&["runsheet", "s"]).ends(0).out).contains(note));
    desk.run(&["report", "s", "--out", "page.md"]).ends(0);
    assert!(std::fs::read_to_string(desk.join("page.md")).unwrap().contains(note));
}

/// Twice its rating in clipping: a square wave against the sine of the same peak (arithmetic).
#[test]
fn every_comparison_of_powers_names_clipping_and_too_large_an_amplifier_is_a_caution_everywhere() {
    let large = changed("rated_w = 50", "rated_w = 100");
    let (desk, _) = session(&large, 0);
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let wanted =
        "The amplifier is too large for this cab: rated 100 W, in clipping up to 200 W, against 60 W by the ratings you entered.";
    assert!(flat(&desk.run(&["rig", "s"]).ends(0).out).contains(wanted));
    assert!(flat(&desk.run(&["runsheet", "s"]).ends(0).out).contains(wanted));
    desk.run(&["take", "s", "a.wav", "--setup", "s16"]).ends(0);
    desk.run(&["take", "s", "b.wav", "--setup", "p4"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    let plan = desk.run(&["plan", "s", "--compare", "s16,p4", "--trials", "5", "--json"]).ends(0).json();
    assert!(plan["warnings"].as_array().unwrap().iter().any(|w| w.as_str().unwrap().contains(wanted)), "{plan}");
    desk.run(&["report", "s", "--out", "page.md"]).ends(0);
    assert!(std::fs::read_to_string(desk.join("page.md")).unwrap().contains(wanted));
    for (rated, words) in [
        ("50.0", "gives up to 100 W in clipping: more than the cab's 60 W"),
        ("25", "gives up to 50 W in clipping; by the ratings"),
    ] {
        let (desk, _) = session(&changed("rated_w = 50", &format!("rated_w = {rated}")), 0);
        let out = flat(&desk.run(&["rig", "s"]).ends(0).out);
        assert!(out.contains(words) && !out.contains("omfortabl"), "{out}");
        assert!(!out.contains("too large"), "{out}");
    }
    let alone = Desk::new().run(&["load", "A + B", "--driver", "A=8,30", "--driver", "B=8,60", "--tap", "16"]).ends(0).out;
    assert!(flat(&alone).contains("the cab takes 60 W; in clipping an amplifier gives up to twice its rating"), "{alone}");
}

#[test]
fn what_is_missing_for_a_card_is_said() {
    let desk = Desk::new();
    material::write_wav(&desk.join("a.wav"), 48_000, &material::riff(3.4, 48_000));
    desk.run(&["new", "two", "one=a.wav"]).ends(0);
    let said = desk.run(&["rig", "two", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "no-rig");
    assert!(said["error"]["next"].as_str().unwrap().contains("--sheet"), "{said}");
    // Without [amplifier] and taps: no card, and the reasons for it.
    let head = SHEET.find("[amplifier]").unwrap();
    let tail = SHEET.find("[[driver]]").unwrap();
    let bare = format!("{}{}", &SHEET[..head], &SHEET[tail..]).replace("tap_ohm = 16\n", "").replace("tap_ohm = 4\n", "");
    let (desk, _) = session(&bare, 0);
    let said = desk.run(&["rig", "s"]).ends(3).out;
    assert!(said.contains("no amplifier") && said.contains("s16 has a wiring but no tap") && said.contains("tap_ohm"), "{said}");
    let doc = desk.run(&["rig", "s", "--json"]).ends(3).json();
    assert_eq!((doc["setups"].as_array().unwrap().len(), doc["missing"].as_array().unwrap().len()), (0, 3));
    // With taps, but without [amplifier]: judged as a valve amplifier's, and said so.
    let (desk, _) = session(&format!("{}{}", &SHEET[..head], &SHEET[tail..]), 0);
    let doc = desk.run(&["rig", "s", "--json"]).ends(0).json();
    assert!(
        doc["setups"].as_array().unwrap().len() == 2 && doc["missing"][0].as_str().unwrap().contains("no amplifier"),
        "{doc}"
    );
    // Names alone.
    let (desk, _) = session("[[setup]]\nname = \"one\"\n[[setup]]\nname = \"two\"\n", 0);
    assert!(desk.run(&["rig", "s", "--sheet", "rig.toml"]).ends(0).out.contains("no wiring"));
}

#[test]
fn a_shell_that_ran_half_of_it_is_named_and_the_sign_for_shells_is_read() {
    let desk = Desk::new();
    // What a shell leaves of `cabjury load A||B ...`, `cabjury load --driver A=8 ... A||B` and `cabjury meter s A||B 3.2`.
    let said = desk.run(&["load", "A", "--json"]).ends(2).json();
    assert!(said["error"]["next"].as_str().unwrap().contains("A//B"), "{said}");
    let said = desk.run(&["load", "--driver", "A=8", "--driver", "B=8", "--tap", "4", "A", "--json"]).ends(4).json();
    assert!(said["error"]["kind"] == "unused-driver" && said["error"]["next"].as_str().unwrap().contains("A//B"), "{said}");
    let alone = desk.run(&["load", "--driver", "A=8", "--tap", "8", "A"]).ends(0).out;
    assert!(alone.contains("driver A alone") && alone.contains("A//B"), "{alone}");
    let said = desk.run(&["meter", "s", "A", "--json"]).ends(2).json();
    assert!(said["error"]["next"].as_str().unwrap().contains("A//B"), "{said}");
    let two =
        |wiring: &str| desk.run(&["load", wiring, "--driver", "A=8", "--driver", "B=8", "--tap", "4", "--json"]).ends(0).json();
    assert_eq!(two("A//B"), two("A || B"));
    assert_eq!(two("A//B")["wiring"], "A || B");
    let mixed = desk
        .run(&["load", "A + B // C", "--driver", "A=8", "--driver", "B=8", "--driver", "C=8", "--tap", "8", "--json"])
        .ends(4)
        .json();
    assert_eq!((mixed["error"]["kind"].as_str(), mixed["error"]["column"].as_u64()), (Some("mixed-operators"), Some(7)));
    assert_eq!(mixed["error"]["next"], "write A + (B // C) or (A + B) // C");
    for (text, kind, column) in [
        ("A / B", "bad-character", 3),
        ("A // // B", "missing-operand", 6),
        ("/ A", "bad-character", 1),
        ("// A", "missing-operand", 1),
        ("A |/ B", "bad-character", 3),
    ] {
        let said = desk.run(&["load", text, "--driver", "A=8", "--driver", "B=8", "--tap", "8", "--json"]).ends(4).json();
        assert_eq!((said["error"]["kind"].as_str(), said["error"]["column"].as_u64()), (Some(kind), Some(column)), "{text}");
    }
}

#[test]
fn ratings_of_nothing_and_names_that_are_taken_are_refused() {
    let desk = Desk::new();
    let load = |driver: &str, code: i32| desk.run(&["load", "A", "--driver", driver, "--tap", "8"]).ends(code).err;
    assert!(load("A=8,0", 4).contains("above 0 W"));
    load("A=0,30", 4);
    load("A=8,-5", 2);
    load("A=-8", 2);
    for (from, to) in [
        ("rated_w = 30", "rated_w = 0"),
        ("rated_w = 50", "rated_w = 0"),
        ("tap_ohm = 16", "tap_ohm = 0"),
        ("nominal_ohm = 8", "nominal_ohm = 0"),
    ] {
        session_refused(&changed(from, to));
    }
    material::write_wav(&desk.join("a.wav"), 48_000, &material::riff(3.4, 48_000));
    for name in ["DI", "di", "Di", "dI", "A", "b", "X", "7"] {
        desk.run(&["new", "s", &format!("{name}=a.wav")]).ends(2);
        assert!(!desk.join("s").exists());
        session_refused(&changed("name = \"s16\"", &format!("name = {name:?}")));
        desk.run(&["take", "nowhere", "a.wav", "--setup", name]).ends(2);
    }
    desk.run(&["new", "s", "dilute=a.wav"]).ends(0);
}

#[track_caller]
fn session_refused(sheet: &str) {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), sheet).unwrap();
    let said = desk.run(&["new", "s", "--sheet", "rig.toml", "--json"]).ends(4).json();
    assert_eq!(said["error"]["kind"], "faulty-sheet", "{said}");
    assert!(!desk.join("s").exists());
}
