//! Preference over three setups: the pairs speak, with Holm over them; no count of all picks together makes a verdict.

use crate::material;
use crate::program::Desk;

fn three_setups(desk: &Desk, trials: &str) {
    let riff = material::riff(3.4, 48_000);
    for (name, hz) in [("one", 120.0), ("two", 700.0), ("three", 2_500.0)] {
        material::write_wav(&desk.join(&format!("{name}.wav")), 48_000, &material::peaking(&riff, 48_000, hz, 1.0, 3.0));
    }
    desk.run(&["new", "s", "one=one.wav", "two=two.wav", "three=three.wav"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    let plan = ["plan", "s", "--compare", "one,two,three", "--method", "preference", "--trials", trials, "--json"];
    let doc = desk.run(&plan).ends(0).json();
    assert!(doc["critical"].is_null() && doc["first"].is_null(), "no single count decides over three pairs: {doc:#}");
}

#[test]
fn a_listener_without_taste_is_seldom_said_to_prefer() {
    let desk = Desk::new();
    three_setups(&desk, "24");
    let doc = desk.run(&["rehearse", "s", "--hears", "0", "--runs", "20000", "--seed", "7", "--json"]).ends(0).json();
    let preferred = doc["verdicts"]["preferred"].as_f64().unwrap() / 20_000.0;
    // Holm keeps the chance of any false claim below 0.05; 5 standard errors of 20 000 runs are 0.008.
    assert!(preferred < 0.05 + 0.008, "{preferred}");
    assert!(preferred > 0.001, "the verdict never comes: the test could not fail");
}

#[test]
fn the_sentence_names_the_pairs() {
    let desk = Desk::new();
    three_setups(&desk, "24");
    // A simulated listener who prefers what stands earlier in the plan, always.
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let doc = desk.run(&["score", "s", "--json"]).ends(0).json();
    let test = &doc["tests"][0];
    assert_eq!(test["verdict"], "preferred");
    let pairs = test["preference"].as_array().unwrap();
    assert_eq!(pairs.iter().map(|p| p["picks"].as_u64().unwrap()).sum::<u64>(), 24);
    let least = pairs.iter().map(|p| p["p_holm"].as_f64().unwrap()).fold(1.0, f64::min);
    assert!((test["p_value"].as_f64().unwrap() - least).abs() < 1e-12);
    let sentence = test["sentence"].as_str().unwrap();
    assert!(sentence.contains("one is preferred to two") && sentence.contains("after Holm over 3 pairs"), "{sentence}");
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
