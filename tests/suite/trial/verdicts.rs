//! Verdicts through the real store: what was measured to be said wrongly, and every kind of verdict in the words of every method.
//!
//! Counts and probabilities are those of this project's reference sheet of verdicts (exact binomials, enumerated sign patterns and splits,
//! computed with scipy 1.17.1), where no other source is named.

use super::evening::{AT, Evening, none, plan};
use crate::golden;
use cabjury::model::result::{TestEntry, TestResult};
use cabjury::model::trial::{Controls, Design, FamilyPlace, Method, Plan, TrialCount};
use cabjury::model::verdict::{Scope, Subject, VerdictKind as V};
use cabjury::store::Session;
use cabjury::units::Decibel;
use cabjury::verdict::hashes::Hashes;
use cabjury::verdict::score::{document, score};
use std::fmt::Write;

fn near(a: Option<f64>, b: f64) -> bool {
    a.is_some_and(|a| (a - b).abs() <= 1e-6 * (1.0 + b.abs()))
}

#[test]
fn forty_five_of_forty_five_of_a_hundred_planned_is_too_few() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 100, 1, none()));
    evening.hears("ann", 45, 45);
    let r = evening.result();
    assert_eq!((r.verdict, r.count.trials, r.count.correct, r.unanswered), (V::TooFew, 100, Some(45), 55));
    assert!(near(r.count.p_value, 0.864_373), "{:?}", r.count.p_value);
    assert!(r.p_value_answered.unwrap() < 3e-14);
    assert!(near(r.count.distinguishers.map(|d| d.upper95), 1.0));
    assert!(r.sentence.contains("55 of 100 planned trials were not answered and count against every claim"), "{}", r.sentence);
    assert!(r.sentence.contains("45 of 45 answered right") && !r.sentence.contains("45 of 100"), "{}", r.sentence);
}

#[test]
fn one_of_two_of_sixteen_planned_is_not_the_wrong_way_round() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 1, none()));
    evening.hears("ann", 1, 2);
    let r = evening.result();
    assert_eq!((r.verdict, r.unanswered), (V::TooFew, 14));
    // P(X <= 15 | 16) = 1 - 2^-16.
    assert!(near(r.p_reversed, 1.0 - 0.5f64.powi(16)), "{:?}", r.p_reversed);
}

#[test]
fn who_only_opened_the_page_did_not_take_part() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 9, none()));
    for (code, right) in [("ann", 13), ("bob", 12), ("cid", 13), ("dan", 12), ("eve", 12)] {
        evening.hears(code, right, 16);
    }
    for code in ["fay", "gil", "hal", "ida"] {
        evening.opens(code);
    }
    let r = evening.result();
    assert_eq!((r.verdict, r.count.correct, r.count.trials, r.head.took_part), (V::Heard, Some(62), 80, 5));
    assert_eq!((r.head.done, r.unanswered, r.head.listeners_planned), (80, 0, 9));
    assert!(r.sentence.starts_with("Heard in these recordings: 62 of 80 right (chance 40; p"), "{}", r.sentence);
    assert!(r.sentence.contains("5 of 9 planned listeners took part"), "{}", r.sentence);
    assert!(r.headline.starts_with("Heard - in these recordings - 62 of 80, p "), "{}", r.headline);
}

#[test]
fn four_against_two_listeners_are_no_common_preference() {
    let mut evening = Evening::sealed(plan(Method::Preference, 4, 16, 6, none()));
    for (i, code) in ["ann", "bob", "cid", "dan", "eve", "fay"].into_iter().enumerate() {
        evening.prefers(code, if i < 4 { 16 } else { 0 }, 16);
    }
    let r = evening.result();
    // By listeners 44 of 64 sign patterns: 0.6875. By picks 64 of 96: two-sided 0.0014.
    assert!(near(r.p_listeners, 0.6875) && near(r.count.p_value, 0.6875), "{:?}", r.p_listeners);
    assert!(r.p_by_picks.unwrap() < 0.002);
    assert_eq!((r.verdict, r.scope, r.subject), (V::Divided, None, None));
    assert!(
        r.sentence.starts_with("Opinions differ: 4 of 6 listeners prefer s16, 2 prefer p4")
            && r.sentence.contains("no common preference"),
        "{}",
        r.sentence
    );
    assert!(r.count.critical.is_none() && r.count.distinguishers.is_none() && r.count.dprime.is_none());
}

/// Eight right and eight wrong, by two listeners in turn: by listener it would read as eight right in a row.
#[test]
fn open_ended_evidence_goes_in_the_order_of_the_log() {
    let mut sealed = plan(Method::Abx, 4, 16, 2, none());
    sealed.trials = TrialCount::OpenEnded;
    let mut evening = Evening::sealed(sealed);
    for _ in 0..8 {
        evening.hears("ann", 1, 1);
        evening.hears("bob", 0, 1);
    }
    let shown = score(&evening.folder, None).unwrap();
    let so_far = shown.tests[0].result().expect("an open-ended test may be looked at").clone();
    let r = evening.result();
    let alternating = (0..16).map(|i| i % 2 == 0);
    let exact = cabjury::stats::evidence::anytime_p(alternating, 0.5, false);
    assert!(near(r.count.anytime_p, exact) && near(so_far.count.anytime_p, exact), "{:?} {exact}", r.count.anytime_p);
    assert_eq!((r.verdict, r.count.p_value, r.count.critical), (V::MixedPanel, None, None));
    let concatenated = cabjury::stats::evidence::anytime_p((0..16).map(|i| i < 8), 0.5, false);
    assert!(concatenated <= 0.05, "the order would not matter, and this could not fail: {concatenated}");
}

#[test]
fn one_who_hears_among_guessers_is_named() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 4, none()));
    for (code, right) in [("ann", 16), ("bob", 10), ("cid", 9), ("dan", 9)] {
        evening.hears(code, right, 16);
    }
    let r = evening.result();
    assert_eq!((r.verdict, r.count.correct, r.count.trials), (V::HeardSome, Some(44), 64));
    assert!(r.heterogeneity.unwrap().p_value <= 0.05);
    assert!(
        r.sentence.starts_with("Heard by some: ann (16 of 16), not shown for bob, cid and dan; together 44 of 64 (p = 0.002)"),
        "{}",
        r.sentence
    );
    // No upper limit over the panel is printed with it.
    assert!(!r.sentence.contains("at most"), "{}", r.sentence);
}

fn crossed(method: Method, takes: usize, trials: u32, listeners: u32) -> Plan {
    let mut sealed = plan(method, takes, trials, listeners, none());
    sealed.design = Design::Crossed;
    sealed
}

/// Five rewirings each: 126 splits, of which the true one alone gives so many right.
#[test]
fn the_crossed_design_speaks_of_the_setups() {
    let mut evening = Evening::sealed(crossed(Method::Abx, 5, 60, 1));
    evening.hears("ann", 60, 60);
    let r = evening.result();
    assert_eq!((r.verdict, r.subject, r.takes_splits), (V::Heard, Some(Subject::Setups), Some(126)));
    assert!(near(r.p_takes, 1.0 / 126.0), "{:?}", r.p_takes);
    // Trials that are not scored are asked and answered, and count for nothing but the takes test.
    assert_eq!(r.head.done, 60);
    assert!(r.count.trials < 60 && r.count.trials > 15 && r.count.correct == Some(r.count.trials), "{:?}", r.count);
    assert!(r.count.critical.is_none() && r.count.true_size.is_none());
    assert_eq!(r.critical_by_scored.as_ref().unwrap()[0].scored, r.count.trials);
    assert!(r.headline.starts_with("Heard - the setups - "), "{}", r.headline);
    assert!(
        r.sentence.contains("; takes p = 0.008") && r.sentence.contains("what changed was wiring and tap together"),
        "{}",
        r.sentence
    );
}

/// Takes of one rewiring are one unit: five takes each, but only two wirings of one setup, and the least p is far above the level.
#[test]
fn takes_that_nobody_rewired_are_one_unit() {
    let mut sealed = crossed(Method::Abx, 5, 60, 1);
    let takes: Vec<_> = sealed.clips.iter().take(5).map(|c| c.take.clone()).collect();
    for take in &takes[1..4] {
        sealed.units.insert(take.clone(), takes[0].clone());
    }
    let mut evening = Evening::sealed(sealed);
    evening.hears("ann", 60, 60);
    let r = evening.result();
    // C(7, 2) = 21 splits.
    assert_eq!((r.takes_splits, r.subject), (Some(21), Some(Subject::Setups)));
    assert!(near(r.p_takes, 1.0 / 21.0), "{:?}", r.p_takes);
}

#[test]
fn three_takes_never_reach_the_setups() {
    let mut evening = Evening::sealed(crossed(Method::Abx, 3, 60, 1));
    evening.hears("ann", 60, 60);
    let r = evening.result();
    assert_eq!((r.verdict, r.subject), (V::Heard, Some(Subject::Recordings)));
    assert!(near(r.p_takes, 0.1), "{:?}", r.p_takes);
    assert!(r.sentence.starts_with("Heard in these recordings: "), "{}", r.sentence);
    assert!(r.sentence.contains("that it was the wiring and not the takes is not shown (takes p = 0.10)"), "{}", r.sentence);
}

#[test]
fn an_open_test_tells_only_how_far_it_is() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 2, Controls { same_file: 7, repeat: 5, known: 0 }));
    evening.hears("ann", 16, 5);
    let doc = serde_json::to_value(score(&evening.folder, None).unwrap()).unwrap();
    let test = &doc["tests"][0];
    assert_eq!((test["closed"].as_bool(), test["done"].as_u64(), test["planned"].as_u64()), (Some(false), Some(5), Some(32)));
    assert_eq!(test["listeners"][0], serde_json::json!({ "listener": "ann", "simulated": false, "done": 5 }));
    for told in ["correct", "trials", "verdict", "p_value", "sentence", "controls", "interval95"] {
        assert!(test.get(told).is_none(), "{told} is told of an open test");
    }
}

/// People, simulated listeners and practice are never added; simulated and exploratory tests say so first.
#[test]
fn the_sentence_begins_with_what_it_is_not() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 1, none()));
    evening.hears("robot-1", 16, 16);
    let r = evening.result();
    assert!(
        r.simulated_only && r.sentence.starts_with("Simulated listeners: heard in these recordings: 16 of 16"),
        "{}",
        r.sentence
    );
    assert!(r.headline.ends_with("(simulated listeners)"), "{}", r.headline);

    let mut sealed = plan(Method::Abx, 4, 16, 1, none());
    sealed.family = Some(FamilyPlace { planned: 2, number: None, level: 0.025 });
    let mut evening = Evening::sealed(sealed);
    evening.hears("ann", 16, 16);
    let r = evening.result();
    assert!(r.head.exploratory && r.sentence.starts_with("Exploratory: heard"), "{}", r.sentence);
    assert!(r.sentence.ends_with("a reason for a new session, not a finding."), "{}", r.sentence);
}

/// The first of three tests: 14 of 16 have p = 0.0021, 12 of 16 0.038, which is above a third of the level.
#[test]
fn a_test_of_a_family_has_its_share_of_the_level() {
    let with = |right| {
        let mut sealed = plan(Method::Abx, 4, 16, 1, none());
        sealed.family = Some(FamilyPlace { planned: 3, number: Some(2), level: 0.05 / 3.0 });
        let mut evening = Evening::sealed(sealed);
        evening.hears("ann", right, 16);
        evening.result()
    };
    let (strong, weak) = (with(14), with(12));
    assert_eq!((strong.verdict, weak.verdict), (V::Heard, V::TooFew));
    assert!(near(weak.p_family, 3.0 * weak.count.p_value.unwrap()));
    assert!(weak.sentence.contains("test 2 of 3") && weak.sentence.contains("at level 1.67 %"), "{}", weak.sentence);
    assert!(strong.headline.ends_with("(test 2 of 3)"), "{}", strong.headline);
}

#[test]
fn a_report_reads_each_file_once() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 4, 1, none()));
    evening.hears("ann", 4, 4);
    evening.result();
    let session = Session::open_read(&evening.folder).unwrap();
    let hashes = Hashes::default();
    let clock = cabjury::model::outside::StoppedClock(AT.parse().unwrap());
    let report = cabjury::publish::report::whole_of(&session, &hashes, &clock).unwrap();
    assert!(report.audit.unwrap().ok);
    // Eight takes and eight clips, however many rooms asked for them.
    assert_eq!(hashes.read(), 16);
    document(&session, &hashes).unwrap();
    assert_eq!(hashes.read(), 16);
}

#[test]
fn rows_hold_what_a_recomputation_needs() {
    let mut evening = Evening::sealed(crossed(Method::Abx, 4, 28, 1));
    evening.hears("ann", 28, 28);
    let r = evening.result();
    let path = evening.folder.join("rows.csv");
    cabjury::verdict::trial_csv::write_csv(&evening.folder, None, &path).unwrap();
    let mut rows = csv::Reader::from_path(&path).unwrap();
    let head: Vec<String> = rows.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(
        head[..11],
        ["test", "listener", "number", "kind", "a_take", "b_take", "x_take", "pick", "right", "scored", "seq"]
    );
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 28);
    let (mut scored, mut last) = (0, 0);
    for row in &rows {
        assert_eq!(&row[3], "trial");
        let distinct: std::collections::BTreeSet<&str> = (4..7).map(|i| &row[i]).collect();
        assert_eq!(distinct.len(), 3, "a triple of distinct takes: {row:?}");
        // By hand: scored where A and B are of two setups; right = the one of X's setup.
        let setup = |column: usize| if row[column].trim_start_matches('t').parse::<u32>().unwrap() <= 4 { "s16" } else { "p4" };
        let is_scored = setup(4) != setup(5);
        assert_eq!(&row[9], if is_scored { "1" } else { "0" });
        let right =
            if is_scored { u8::from(setup(if &row[7] == "A" { 4 } else { 5 }) == setup(6)).to_string() } else { String::new() };
        assert_eq!(&row[8], right);
        scored += u64::from(is_scored);
        let seq: i64 = row[10].parse().unwrap();
        assert!(seq > last, "rows stand in the order of the log");
        last = seq;
    }
    assert_eq!(scored, r.count.trials);
}

/// One evening for every verdict that a method can come to.
fn evenings() -> Vec<(&'static str, Evening)> {
    let mut all = Vec::new();
    let same = Controls { same_file: 8, repeat: 0, known: 0 };
    for method in [Method::Abx, Method::DuoTrio, Method::Triangle, Method::Attribute] {
        let third = method == Method::Triangle;
        let mut one = |name, trials: u32, right: usize, controls| {
            let mut evening = Evening::sealed(plan(method, 4, trials, 1, controls));
            evening.hears("ann", right, trials + controls.same_file + controls.repeat + controls.known);
            all.push((name, evening));
        };
        one("heard", 16, 13, none());
        one("reversed", 16, if third { 0 } else { 2 }, none());
        one("too few", 16, if third { 6 } else { 9 }, none());
        one("not shown, bounded", 100, if third { 33 } else { 50 }, none());
        one("heard, but rarely", 300, if third { 124 } else { 170 }, none());
        let panel = |name, counts: [usize; 4]| {
            let mut evening = Evening::sealed(plan(method, 4, 16, 4, none()));
            for (code, right) in ["ann", "bob", "cid", "dan"].into_iter().zip(counts) {
                evening.hears(code, right, 16);
            }
            (name, evening)
        };
        let guess = if third { 5 } else { 8 };
        all.push(panel("some", [16, guess, guess + 1, guess]));
        all.push(panel("mixed", if third { [12, 4, 4, 4] } else { [16, 6, 6, 7] }));
        let mut cued = Evening::sealed(plan(method, 4, 8, 1, same));
        let told = cued.plan.clone();
        // Of one file in all slots only the label can be right: whoever is told which it is has a cue. Here the first choice is tried.
        let _ = told;
        cued.hears("ann", 8, 16);
        all.push(("same file", cued));
        if method != Method::Attribute {
            let mut sealed = plan(method, 4, 100, 1, Controls { same_file: 0, repeat: 0, known: 8 });
            sealed.known_db = Some(Decibel::new(1.0).unwrap());
            let mut deaf = Evening::sealed(sealed);
            deaf.hears("ann", if third { 33 } else { 50 }, 108);
            all.push(("insensitive", deaf));
        }
        let mut spoilt = Evening::sealed(plan(method, 4, 4, 1, none()));
        spoilt.hears("ann", 4, 3);
        std::fs::write(spoilt.folder.join("clips/c003.wav"), [9, 9]).unwrap();
        all.push(("void", spoilt));
        let mut setups = Evening::sealed(crossed(method, 5, 60, 1));
        setups.hears("ann", 60, 60);
        all.push(("crossed", setups));
    }
    all.extend(tastes());
    all
}

fn tastes() -> Vec<(&'static str, Evening)> {
    let mut all = Vec::new();
    let mut panel = |name, trials: u32, firsts: &[usize]| {
        let mut evening = Evening::sealed(plan(Method::Preference, 4, trials, firsts.len() as u32, none()));
        for (code, first) in ["ann", "bob", "cid", "dan", "eve", "fay", "gil"].into_iter().zip(firsts) {
            evening.prefers(code, *first, trials);
        }
        all.push((name, evening));
    };
    panel("one prefers", 16, &[13]);
    panel("one does not", 16, &[9]);
    panel("each prefers", 16, &[14, 13, 15]);
    panel("listeners prefer", 8, &[7, 6, 8, 7, 6, 7, 8]);
    panel("divided", 16, &[16, 16, 16, 16, 0, 0]);
    panel("bounded", 200, &[101]);
    for (name, p4) in [("rated apart", 70), ("not rated apart", 88)] {
        let mut evening = Evening::sealed(plan(Method::Graded, 4, 8, 1, none()));
        evening.listens("ann", 8, &mut |scene, k| {
            let wobble = if p4 > 80 && k % 2 == 0 { 8 } else { 0 };
            scene.rated(|s| if s == "s16" { 90 } else { p4 + wobble + (k % 3) as u32 }, 10)
        });
        all.push((name, evening));
    }
    all
}

/// The first sentence, up to a full stop that ends one.
fn first_sentence(text: &str) -> &str {
    text.split_once(". ").map_or(text, |(first, _)| first)
}

#[test]
fn every_verdict_in_every_methods_words_is_what_was_looked_at() {
    let mut text = String::new();
    let mut seen = std::collections::BTreeSet::new();
    for (name, evening) in evenings() {
        let r: TestResult = evening.result();
        seen.insert(r.verdict);
        assert!(first_sentence(&r.sentence).chars().count() <= 220, "{}", r.sentence);
        for never in [
            "proved",
            "no difference",
            "% sure",
            " pass",
            " fail",
            "winner",
            "identical",
            "p = 0.0000",
            " 100 %",
            "as small as p",
        ] {
            assert!(!r.sentence.contains(never) && !r.headline.contains(never), "{never:?}: {} {}", r.headline, r.sentence);
        }
        // One shape: what is read back is what was written.
        let value = serde_json::to_value(&r).unwrap();
        assert_eq!(value, serde_json::to_value(serde_json::from_value::<TestResult>(value.clone()).unwrap()).unwrap());
        writeln!(text, "{} ({name}), {}: {}\n    {}", r.count.method, r.verdict, r.headline, r.sentence).unwrap();
        if r.verdict == V::Preferred {
            assert!(r.scope.is_some());
        }
        if name == "each prefers" {
            assert_eq!(r.scope, Some(Scope::Each));
        }
    }
    // A cue of the player and a floor of repeat takes cannot be acted by an honest listener: they are reached elsewhere.
    for kind in V::ALL {
        let acted = !matches!(kind, V::PlayerCue | V::RepeatFloor);
        assert!(seen.contains(&kind) || !acted, "{kind} was not reached");
    }
    golden::check("sentences.txt", &text);
}

#[test]
fn a_closed_tests_document_never_changes() {
    let mut evening = Evening::sealed(plan(Method::Abx, 4, 16, 1, none()));
    evening.hears("ann", 12, 16);
    let kept = evening.result();
    // A clip is spoilt afterwards: the audit says so, the result stays what it was.
    std::fs::write(evening.folder.join("clips/c001.wav"), [7, 7]).unwrap();
    let doc = score(&evening.folder, None).unwrap();
    assert_eq!(doc.tests, [TestEntry::Closed(Box::new(kept))]);
    assert!(!cabjury::verdict::audit::audit(&evening.folder).unwrap().ok);
}
