//! Plans through the real program: what may be combined, what the document says, the family of tests, giving up, rehearsals.

use crate::material;
use crate::program::Desk;
use crate::trial_support::{answers_all, matched_session};
use serde_json::Value;

/// Two setups of so many takes each, every one wired anew, captured as the run sheet's draw says, and matched.
pub(crate) fn rewired_session(desk: &Desk, takes: u32) {
    let rate = 48_000;
    let di = material::riff(3.4, rate);
    let one = material::peaking(&di, rate, 120.0, 1.0, 3.0);
    let two = material::peaking(&di, rate, 2_500.0, 0.7, 3.0);
    std::fs::write(
        desk.join("rig.toml"),
        "[session]\ntitle = \"two boxes\"\n[[setup]]\nname = \"one\"\n[[setup]]\nname = \"two\"\n",
    )
    .unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    let sheet = desk.run(&["runsheet", "s", "--takes", &takes.to_string(), "--json"]).ends(0).json();
    for pass in sheet["order"].as_array().unwrap() {
        let (number, setup) = (pass["pass"].as_u64().unwrap(), pass["setup"].as_str().unwrap());
        let sound = if setup == "one" { &one } else { &two };
        let name = format!("pass-{number}.wav");
        material::write_wav(&desk.join(&name), rate, &material::noisy(&material::later(sound, 7 * number as i64), -80.0, number));
        let number = number.to_string();
        desk.run(&["take", "s", &name, "--setup", setup, "--pass", &number, "--depth", "rewired"]).ends(0);
    }
    desk.run(&["match", "s"]).ends(0);
}

const PLAN: [&str; 4] = ["plan", "s", "--compare", "one,two"];

fn plan(desk: &Desk, more: &[&str], code: i32) -> Value {
    desk.run(&[&PLAN[..], more, &["--json"]].concat()).ends(code).json()
}

fn warned(doc: &Value, text: &str) -> bool {
    doc["warnings"].as_array().unwrap().iter().any(|w| w.as_str().unwrap().contains(text))
}

/// By counting: T/(2T - 1) of the trials are scored, 1/126 is the least p with five takes each (C(10, 5)/2 splits).
#[test]
fn five_takes_are_crossed_and_the_document_says_what_that_finds() {
    let desk = Desk::new();
    rewired_session(&desk, 5);
    let doc = plan(&desk, &["--what-if"], 0);
    assert_eq!((doc["design"].as_str(), doc["trials"].as_u64()), (Some("crossed"), Some(28)));
    assert!((doc["least_p_takes"].as_f64().unwrap() - 1.0 / 126.0).abs() < 1e-12);
    assert_eq!(doc["takes_needed"], 4);
    assert!((doc["scored_expected"].as_f64().unwrap() - 28.0 * 5.0 / 9.0).abs() < 1e-9);
    assert!(doc["critical"].is_null() && doc["true_size"].is_null());
    // The fewest right of 16 scored trials: the binomial's 12 (ISO 10399, from memory).
    let by_scored = doc["critical_by_scored"].as_array().unwrap();
    assert_eq!(by_scored.iter().find(|c| c["scored"] == 16).unwrap()["critical"], 12);
    assert!(!warned(&doc, "assumption"), "captured as drawn, every depth stated: {:#}", doc["warnings"]);
    assert!(!warned(&doc, "these recordings"), "{:#}", doc["warnings"]);
    // More takes, not more trials, make a claim about the setups strong.
    let cells = doc["curves"]["cells"].as_array().unwrap();
    let cell = |takes: u64, trials: u64| cells.iter().find(|c| c["takes"] == takes && c["trials"] == trials).unwrap();
    assert_eq!(cell(3, 56)["power_setups"], 0.0, "1/10 is the least p with three takes each");
    assert!(cell(5, 56)["power_setups"].as_f64().unwrap() > 0.5, "{:#}", doc["curves"]);
    assert!(cell(5, 28)["power"].as_f64() >= cell(5, 28)["power_setups"].as_f64());
    // What is sealed names the session, its nonce, the log's head and the rules.
    let doc = plan(&desk, &[], 0);
    for line in ["design: crossed", "session: ", "nonce: ", "head of the log before the seal: ", "rules of the result: 2"] {
        assert!(doc["canonical"].as_str().unwrap().contains(line), "{line}");
    }
    assert_eq!(doc["family"], serde_json::json!({ "planned": 1, "number": 1, "level": 0.05 }));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn what_cannot_be_combined_is_wrong_use() {
    let desk = Desk::new();
    rewired_session(&desk, 4);
    for wrong in [
        &["--alpha", "0.5"][..],
        &["--alpha", "0"],
        &["--bound", "1"],
        &["--bound", "0.51"],
        &["--controls", "repeat=5"],
        &["--design", "crossed", "--controls", "repeat=5"],
        &["--design", "crossed", "--open-ended"],
        &["--design", "crossed", "--method", "graded"],
        &["--design", "crossed", "--method", "duo-trio", "--reference", "one"],
        &["--design", "crossed", "--looks", "8,16"],
        &["--training-by-name"],
        &["--method", "preference", "--controls", "known=8"],
        &["--method", "attribute", "--attribute", "brighter", "--expect", "two", "--controls", "known=8"],
        &["--method", "graded", "--controls", "known=8"],
        &["--controls", "known=4"],
        &["--known-db", "1"],
        &["--controls", "known=8", "--known-db", "0"],
        &["--looks", "8,4"],
        &["--looks", "8,16", "--trials", "20"],
        &["--tests", "0"],
    ] {
        let doc = plan(&desk, wrong, 2);
        assert_eq!(doc["error"]["kind"], "wrong-use", "{wrong:?}");
        assert!(!doc["error"]["next"].as_str().unwrap().is_empty());
    }
    for wrong in [["--alpha", "0.06"], ["--alpha", "0"], ["--bound", "1"], ["--bound", "0"]] {
        desk.run(&[&["chance", "--trials", "16", "--correct", "12"][..], &wrong].concat()).ends(2);
    }
    desk.run(&["chance", "--trials", "16", "--bound", "0.6"]).ends(2);
    // Five known differences are the fewest that reach 0.05 with two choices (1/32).
    assert_eq!(plan(&desk, &["--what-if", "--controls", "known=5"], 0)["known_db"], 1.0);
    // Nothing of all that was sealed.
    assert_eq!(desk.run(&["score", "s", "--json"]).ends(0).json()["tests"], serde_json::json!([]));
    // Four takes reach 0.05 and no less: in a family of two the default is paired, and it is said why.
    let doc = plan(&desk, &["--what-if", "--tests", "2"], 0);
    assert_eq!((doc["design"].as_str(), doc["takes_needed"].as_u64()), (Some("paired"), Some(5)));
    assert!(warned(&doc, "5 takes of each setup"), "{:#}", doc["warnings"]);
    assert_eq!(doc["trials"], 16);
}

/// Takes of which only the first was wired anew are one unit, however many there are.
#[test]
fn untouched_takes_are_one_rewiring() {
    let desk = Desk::new();
    matched_session(&desk);
    let doc = plan(&desk, &["--what-if"], 0);
    assert_eq!((doc["rewirings"]["one"].as_u64(), doc["design"].as_str()), (Some(2), Some("paired")));
    // Two units of each: 1/3.
    assert!((doc["least_p_takes"].as_f64().unwrap() - 1.0 / 3.0).abs() < 1e-12);
    let rate = 48_000;
    let di = material::riff(3.4, rate);
    for n in 0..4 {
        let name = format!("more-{n}.wav");
        let (setup, hz) = if n % 2 == 0 { ("one", 120.0) } else { ("two", 2_500.0) };
        material::write_wav(
            &desk.join(&name),
            rate,
            &material::noisy(&material::peaking(&di, rate, hz, 1.0, 3.0), -80.0, 30 + n),
        );
        desk.run(&["take", "s", &name, "--setup", setup, "--depth", "untouched"]).ends(0);
    }
    desk.run(&["match", "s"]).ends(0);
    let doc = plan(&desk, &["--what-if"], 0);
    assert_eq!((doc["takes"]["one"].as_u64(), doc["rewirings"]["one"].as_u64()), (Some(4), Some(2)));
    assert!((doc["least_p_takes"].as_f64().unwrap() - 1.0 / 3.0).abs() < 1e-12);
    let doc = plan(&desk, &["--what-if", "--design", "crossed"], 0);
    assert!(warned(&doc, "no run sheet was drawn"), "{:#}", doc["warnings"]);
    let sealed = plan(&desk, &["--design", "crossed"], 0)["canonical"].as_str().unwrap().to_owned();
    assert_eq!(sealed.matches("rewiring: ").count(), 4, "{sealed}");
}

#[test]
fn the_family_is_sealed_with_the_first_test() {
    let desk = Desk::new();
    matched_session(&desk);
    let first = plan(&desk, &["--trials", "4", "--tests", "2", "--alpha", "0.04"], 0);
    assert_eq!(first["family"], serde_json::json!({ "planned": 2, "number": 1, "level": 0.02 }));
    assert_eq!(plan(&desk, &["--tests", "3"], 2)["error"]["kind"], "wrong-use");
    assert_eq!(plan(&desk, &["--alpha", "0.05"], 2)["error"]["kind"], "wrong-use");
    // Simulated ones have no place, and fix nothing.
    let simulated = plan(&desk, &["--trials", "4", "--simulated", "--tests", "9"], 0);
    assert_eq!((&simulated["family"]["number"], simulated["exploratory"].as_bool()), (&Value::Null, Some(false)));
    let second = plan(&desk, &["--trials", "4"], 0);
    assert_eq!((second["family"]["number"].as_u64(), second["alpha"].as_f64()), (Some(2), Some(0.04)));
    assert!(warned(&second, "a further test"), "{:#}", second["warnings"]);
    let third = plan(&desk, &["--trials", "4"], 0);
    assert_eq!((&third["family"]["number"], third["exploratory"].as_bool()), (&Value::Null, Some(true)));
    assert!(warned(&third, "exploratory"), "{:#}", third["warnings"]);
    // A place that was given up is free again.
    desk.run(&["withdraw", "s", "--test", "test-1"]).ends(2);
    desk.run(&["withdraw", "s", "--test", "test-1", "--reason", " "]).ends(2);
    desk.run(&["withdraw", "s", "--test", "test-1", "--reason", "the wrong mic"]).ends(0);
    desk.run(&["withdraw", "s", "--test", "test-1", "--reason", "again"]).ends(3);
    desk.run(&["close", "s", "--test", "test-1"]).ends(3);
    let said =
        desk.run(&["listen", "s", "--listener", "me", "--test", "test-1", "--plain", "--device", "silent-fastest", "--json"]);
    assert_eq!(said.ends(3).json()["error"]["kind"], "test-given-up");
    assert_eq!(plan(&desk, &["--trials", "4"], 0)["family"]["number"], 1);
    answers_all(&desk.join("s"), "test-3", "me");
    desk.run(&["withdraw", "s", "--test", "test-3", "--reason", "no"]).ends(3);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["given_up"], serde_json::json!(["test-1"]));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn a_test_for_people_takes_no_simulated_listener_and_the_other_way_round() {
    let desk = Desk::new();
    matched_session(&desk);
    plan(&desk, &["--trials", "4"], 0);
    let keep = ["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot", "--json"];
    assert_eq!(desk.run(&keep).ends(3).json()["error"]["kind"], "not-simulated");
    let run = desk.run(&["rehearse", "s", "--hears", "0", "--runs", "50", "--json"]).ends(0).json();
    assert_eq!(run["verdicts"].as_object().unwrap().values().map(|n| n.as_u64().unwrap()).sum::<u64>(), 50);
    plan(&desk, &["--trials", "4", "--simulated"], 0);
    let listen = ["desk", "s", "--test", "test-2", "--invite", "me", "--json"];
    assert_eq!(desk.run(&listen).ends(3).json()["error"]["kind"], "simulated-test");
    desk.run(&[&keep[..], &["--test", "test-2"]].concat()).ends(0);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!((score["tests"][1]["closed"].as_bool(), score["tests"][1]["simulated_only"].as_bool()), (Some(true), Some(true)));
    assert_eq!(score["tests"][0]["done"], 0);
}

/// What was played without sound is kept as practice: it fills no seat and closes nothing, and a person still has the whole test before them.
#[test]
fn the_silent_device_is_practice() {
    let desk = Desk::new();
    matched_session(&desk);
    plan(&desk, &["--trials", "2"], 0);
    for who in ["me", "you"] {
        let mut args = crate::trial_support::LISTEN.to_vec();
        args[3] = who;
        let mut child = desk
            .command(&args)
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut input = child.stdin.take().unwrap();
        use std::io::Write as _;
        input.write_all(b"\n").unwrap();
        for _ in 0..400 {
            // Until the program has had enough and ends.
            let line = |text: &str, input: &mut std::process::ChildStdin| {
                std::thread::sleep(std::time::Duration::from_millis(50));
                input.write_all(text.as_bytes()).and_then(|()| input.flush()).is_ok()
            };
            if !["A\n", "B\n", "X\n", "stop\n", "pick A\n"].iter().all(|text| line(text, &mut input)) {
                break;
            }
        }
        drop(input);
        let said = child.wait_with_output().unwrap();
        let (out, err) = (String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
        assert!(err.contains("practice"), "{err}");
        assert!(out.contains("2 of 2 trials answered"), "{out}\n{err}");
    }
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["closed"], false);
    answers_all(&desk.join("s"), "test-1", "me");
    let test = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
    assert_eq!(
        (test["closed"].as_bool(), test["practice_only"].as_bool(), test["done"].as_u64()),
        (Some(true), Some(false), Some(2))
    );
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// At a sealed look the test ends by itself when enough are right; nobody is told a number before.
#[test]
fn a_look_ends_the_test_and_shows_no_score() {
    let desk = Desk::new();
    matched_session(&desk);
    let doc = plan(&desk, &["--looks", "8,16", "--simulated"], 0);
    assert_eq!((doc["design"].as_str(), doc["trials"].as_u64()), (Some("paired"), Some(16)));
    let looks = doc["looks"].as_array().unwrap();
    assert_eq!((looks[0]["answers"].as_u64(), looks[1]["answers"].as_u64()), (Some(8), Some(16)));
    let least = looks[0]["least_correct"].as_u64().unwrap();
    assert!((7..=8).contains(&least), "late spending leaves hardly anything for the first look: {least}");
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let test = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
    assert_eq!((test["closed"].as_bool(), test["done"].as_u64()), (Some(true), Some(8)), "{test:#}");
    // Who guesses is hardly ever stopped at the first look.
    plan(&desk, &["--looks", "8,16", "--simulated"], 0);
    desk.run(&["rehearse", "s", "--hears", "0", "--runs", "1", "--seed", "4", "--test", "test-2", "--keep", "other"]).ends(0);
    let test = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][1].clone();
    assert_eq!((test["closed"].as_bool(), test["done"].as_u64()), (Some(true), Some(16)), "{test:#}");
}

/// Rehearsals: split tastes give no common preference, who leaves counts against every claim, and takes that vary are not taken for setups.
/// The false share is at most the level; 4.5 standard errors of 2000 evenings are 0.022.
#[test]
fn rehearsals_hear_tastes_leaving_and_takes() {
    let desk = Desk::new();
    rewired_session(&desk, 4);
    let runs = "2000";
    let run = |more: &[&str]| desk.run(&[&["rehearse", "s", "--runs", runs, "--json"][..], more].concat()).ends(0).json();
    plan(&desk, &["--method", "preference", "--listeners", "8", "--trials", "14"], 0);
    let split = run(&["--test", "test-1", "--hears", "1", "--tastes", "0.5,0.5"]);
    assert!(split["verdicts"]["preferred"].as_f64().unwrap() / 2000.0 < 0.05 + 0.022, "{:#}", split["verdicts"]);
    assert!(split["verdicts"]["divided"].as_u64().unwrap() > 100, "{:#}", split["verdicts"]);
    let one = run(&["--test", "test-1", "--hears", "1", "--tastes", "1"]);
    assert!(one["verdicts"]["preferred"].as_u64().unwrap() > 1900, "{:#}", one["verdicts"]);
    plan(&desk, &["--trials", "28"], 0);
    let nothing = run(&["--test", "test-2", "--hears", "0", "--takes-vary", "5"]);
    assert!(nothing["setups_share"].as_f64().unwrap() < 0.05 + 0.022, "{nothing:#}");
    assert!(nothing["setups_share"].as_f64().unwrap() <= nothing["found_share"].as_f64().unwrap());
    let all = run(&["--test", "test-2", "--hears", "1"]);
    let gone = run(&["--test", "test-2", "--hears", "1", "--leave", "1"]);
    assert!(gone["found_share"].as_f64() < all["found_share"].as_f64(), "{gone:#}");
    for wrong in [["--tastes", "0.6,0.6"], ["--leave", "2"], ["--takes-vary", "-1"], ["--hears-known", "1.5"]] {
        let option = format!("{}={}", wrong[0], wrong[1]);
        desk.run(&["rehearse", "s", "--test", "test-1", "--hears", "0", "--runs", "1", &option]).ends(2);
    }
    desk.run(&["rehearse", "s", "--test", "test-2", "--hears", "0", "--runs", "1", "--tastes", "0.5,0.5"]).ends(2);
}

/// 4 of 4 right has a p of 1/16, 5 of 5 one of 1/32; two-sided 5 of 5 has 1/16 and 6 of 6 1/32.
#[test]
fn a_test_that_can_show_nothing_says_so_before_it_is_sealed() {
    let desk = Desk::new();
    matched_session(&desk);
    for (method, few, enough) in [("abx", "4", "5"), ("preference", "5", "6")] {
        let doc = plan(&desk, &["--method", method, "--trials", few, "--what-if"], 0);
        assert!(warned(&doc, &format!("{enough} or more are needed")), "{:#}", doc["warnings"]);
        let doc = plan(&desk, &["--method", method, "--trials", enough, "--what-if"], 0);
        assert!(!warned(&doc, "cannot reach the level"), "{:#}", doc["warnings"]);
    }
}
