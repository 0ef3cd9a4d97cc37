//! `chance` as a process, and large numbers of trials.

use crate::program::Desk;
use crate::trial_support;
use cabjury::stats::binomial::{lower_tail, upper_tail};
use serde_json::Value;

/// The tails at 10^4, 10^5 and 10^6 trials, from the middle to far out, against sums by mpmath with 60 digits (the file says how).
#[test]
fn a_million_trials_lose_no_accuracy() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/large_n.json")).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    let cases = file["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 54);
    for case in cases {
        let (n, x) = (case["n"].as_u64().unwrap(), case["correct"].as_u64().unwrap());
        let p0 = if case["p0"] == "1/2" { 0.5 } else { 1.0 / 3.0 };
        for (found, wanted) in [(upper_tail(x, n, p0), &case["greater"]), (lower_tail(x, n, p0), &case["less"])] {
            let wanted: f64 = wanted.as_str().unwrap().parse().unwrap();
            assert!((found / wanted - 1.0).abs() < 1e-9, "{x} of {n} at {p0}: {found:e}, wanted {wanted:e}");
        }
    }
}

/// capped-1 and e-path of `statistics.json`, gs-binom-0 and -1, through the program.
#[test]
fn chance_takes_picks_in_order_and_looks() {
    let desk = Desk::new();
    let doc = desk.run(&["chance", "--picks", "11011 11101", "--cap", "24", "--json"]).ends(0).json();
    assert_eq!((&doc["trials"], &doc["correct"]), (&10.into(), &8.into()));
    let order = &doc["sequence"];
    assert!((order["evidence_most"].as_f64().unwrap() - 6.972_222_222_222_222).abs() < 1e-9, "{order}");
    assert!((order["capped"]["p_value"].as_f64().unwrap() - 0.069_417_476_654_052_73).abs() < 1e-10, "{order}");
    assert!((doc["anytime_p"].as_f64().unwrap() - 1.0 / 6.972_222_222_222_222).abs() < 1e-12);
    assert_eq!(order["at_trial"], 8);
    // Nothing of this where only the number is known.
    assert!(desk.run(&["chance", "--trials", "10", "--correct", "8", "--json"]).ends(0).json().get("sequence").is_none());
    for (spend, wanted) in [("late", [None, Some(14), Some(18), Some(22)]), ("even", [Some(8), Some(13), Some(17), Some(22)])] {
        let doc = desk.run(&["chance", "--looks", "8,16,24,32", "--spend", spend, "--json"]).ends(0).json();
        let found: Vec<Option<u64>> = doc["looks"].as_array().unwrap().iter().map(|l| l["critical"].as_u64()).collect();
        assert_eq!(found, wanted, "{spend}");
    }
    for (args, said) in [
        (&["--picks", "11x"][..], "'x' among the picks"),
        (&["--picks", "1111", "--cap", "3"], "a cap of 3 with 4 picks"),
        (&["--picks", "1111", "--cap", "8", "--method", "preference"], "a preference has none"),
        (&["--picks", ""], "0 trials"),
        (&["--looks", "8,8"], "looks at 8,8"),
        (&["--looks", "0,4"], "looks at 0,4"),
        (&["--looks", "8,16", "--method", "preference"], "a preference has none"),
        (&["--cap", "8", "--trials", "4"], "cannot be used with"),
        (&["--spend", "even", "--trials", "4"], "cannot be used with"),
    ] {
        let mut line = vec!["chance"];
        line.extend(args);
        let done = desk.run(&line).ends(2);
        assert!(done.err.contains(said), "{args:?}: {}", done.err);
    }
}

/// What a plan could find, before it is sealed: the saw-tooth is the power that the reference cases give, and what a negative result could
/// claim is the similarity test's.
#[test]
fn a_plan_says_what_it_could_find_and_what_it_could_not() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let plan = |more: &[&str]| {
        let mut line = vec!["plan", "s", "--compare", "one,two", "--what-if", "--json"];
        line.extend(more);
        desk.run(&line).ends(0).json()
    };
    let doc = plan(&["--trials", "30", "--listeners", "2", "--bound", "0.3"]);
    // Definition, computed: 60 trials, 30 right: p = .0119 at 0.3, so 30 is surely allowed; the smallest p above 0.05 decides the rest.
    let most = doc["not_heard"]["at_most"].as_u64().unwrap();
    let at = |s: u64| lower_tail(s, 60, 0.65);
    assert!(at(most) <= 0.05 && at(most + 1) > 0.05 && most >= 30, "{most}");
    assert!((doc["not_heard"]["chance"].as_f64().unwrap() - lower_tail(most, 60, 0.5)).abs() < 1e-12);
    let points = doc["saw_tooth"]["points"].as_array().unwrap();
    let power = |n: u64| points.iter().find(|p| p[0] == n).unwrap()[1].as_f64().unwrap();
    // Critical counts 15 of 20, 20 of 30 (the tables of the standards), so the power is their tail at 3 in 4.
    assert!((power(20) - upper_tail(15, 20, 0.75)).abs() < 1e-12 && (power(30) - upper_tail(20, 30, 0.75)).abs() < 1e-12);
    assert!(points.windows(2).any(|w| w[1][1].as_f64() < w[0][1].as_f64()), "it has teeth");
    // A preference has no right answer whose absence could be claimed.
    let two = plan(&["--method", "preference"]);
    assert!(two["not_heard"].is_null() && two["saw_tooth"].is_object());
    let text = desk.run(&["plan", "s", "--compare", "one,two", "--what-if"]).out;
    assert!(text.contains("16 planned") && text.contains("If 6 or fewer are right"), "{text}");
}
