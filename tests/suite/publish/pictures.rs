//! `picture` as a person runs it: what lies where, that nothing is overwritten, that marks agree with `score --json`.

use crate::program::Desk;
use crate::trial_support::{answers_all, matched_session, played_session};
use serde_json::Value;
use std::path::Path;

fn size(path: &Path) -> (u32, u32) {
    let reader = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(path).unwrap())).read_info().unwrap();
    (reader.info().width, reader.info().height)
}

#[test]
fn cards_of_a_session_agree_with_its_score_and_nothing_is_overwritten() {
    let desk = Desk::new();
    played_session(&desk, 8);
    // While the test is open there is nothing that could be shown of it.
    let open = desk.run(&["picture", "s", "--out", "open", "--only", "plots", "--json"]);
    assert!(!open.out.contains("card"), "{}", open.out);
    let said = desk.run(&["picture", "s", "--only", "card", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "nothing-to-draw");
    answers_all(&desk.join("s"), "test-1", "me");
    let doc = desk
        .run(&["picture", "s", "--out", "p", "--only", "card", "--size", "all", "--dark", "--light", "--json"])
        .ends(0)
        .json();
    let pictures = doc["pictures"].as_array().unwrap();
    assert_eq!(pictures.len(), 6, "{doc:#}");
    let test = &desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0];
    for p in pictures {
        let path = |key: &str| desk.join(p[key].as_str().unwrap());
        let (w, h) = size(&path("png"));
        assert_eq!((p["width_px"].as_u64(), p["height_px"].as_u64()), (Some(w.into()), Some(h.into())));
        let svg = std::fs::read_to_string(path("svg")).unwrap();
        let marks = |class: &str| svg.matches(&format!("<circle class=\"{class}\"")).count() as u64;
        assert_eq!(Some(marks("right")), test["correct"].as_u64());
        assert_eq!(Some(marks("right") + marks("wrong")), test["trials"].as_u64());
        assert!(p["title"].as_str().unwrap().ends_with(test["headline"].as_str().unwrap()), "{p:#}");
    }
    let said = desk.run(&["picture", "s", "--out", "p", "--only", "card", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "exists");
    // Without a name a folder of its own, the next one each time.
    for n in ["pictures-1", "pictures-2"] {
        let doc = desk.run(&["picture", "s", "--only", "card", "--json"]).ends(0).json();
        assert!(doc["folder"].as_str().unwrap().ends_with(n), "{doc:#}");
    }
    let doc = desk.run(&["picture", "s", "--out", "r", "--reveal", "frames", "--size", "1080x1080", "--json"]).ends(0).json();
    let reveal = &doc["pictures"][0];
    let frames = std::fs::read_dir(desk.join(reveal["png"].as_str().unwrap())).unwrap().count() as u64;
    assert_eq!(Some(frames), reveal["frames"].as_u64());
    // A session with pictures in it is still a sound one.
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn a_session_without_a_rig_has_no_wirings_to_draw() {
    let desk = Desk::new();
    matched_session(&desk);
    let said = desk.run(&["picture", "s", "--only", "wirings", "--only", "comparison", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "nothing-to-draw");
    assert!(!desk.join("s/pictures").exists());
}

/// Conditions as the plan states them, and what stands where nothing is stated; what the takes plots show is what `score --json` says.
#[test]
fn the_report_has_what_the_plan_states_and_the_takes_that_the_score_counts() {
    let desk = Desk::new();
    matched_session(&desk);
    let plan = ["plan", "s", "--compare", "one,two", "--design", "crossed", "--trials", "40", "--simulated"];
    let long = "x".repeat(201);
    assert_eq!(desk.run(&[&plan[..], &["--room", &long, "--json"]].concat()).ends(2).json()["error"]["kind"], "wrong-use");
    desk.run(
        &[&plan[..], &["--level-as-set", "74 dB(A) at the seat", "--listening-on", "headphones, closed", "--json"]].concat(),
    )
    .ends(0);
    desk.run(&["rehearse", "s", "--hears", "0.9", "--runs", "5", "--seed", "3", "--keep", "sim"]).ends(0);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
    desk.run(&["report", "s", "--out", "r.json"]).ends(0);
    let report: Value = serde_json::from_str(&std::fs::read_to_string(desk.join("r.json")).unwrap()).unwrap();
    let test = &report["report"]["tests"][0];
    let heard = &test["takes_heard"];
    let splits: Vec<f64> = heard["splits"].as_array().unwrap().iter().map(|z| z.as_f64().unwrap()).collect();
    let truth = heard["truth"].as_f64().unwrap();
    // Two takes of each of two setups: C(4, 2) / 2 splits.
    assert_eq!((splits.len() as u64, Some(splits.len() as u64)), (3, score["takes_splits"].as_u64()));
    let far = splits.iter().filter(|z| **z >= truth - 1e-9).count() as f64;
    assert!((far / splits.len() as f64 - score["p_takes"].as_f64().unwrap()).abs() < 1e-12, "{heard} {score}");
    // A matched trial has three samples, of three takes here: every scored trial counts for three of them.
    let sum = |key: &str| heard["takes"].as_array().unwrap().iter().map(|t| t[key].as_u64().unwrap()).sum::<u64>();
    assert_eq!((sum("trials"), sum("right")), (3 * score["trials"].as_u64().unwrap(), 3 * score["correct"].as_u64().unwrap()));
    desk.run(&["report", "s", "--out", "r.md"]).ends(0);
    let text = std::fs::read_to_string(desk.join("r.md")).unwrap();
    assert!(text.contains("74 dB(A) at the seat") && text.contains("headphones, closed"), "{text}");
    assert!(
        text.contains(
            "Listening level: 74 dB(A) at the seat; playback: headphones, closed; room: not stated; device: not stated."
        ),
        "{text}"
    );
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
