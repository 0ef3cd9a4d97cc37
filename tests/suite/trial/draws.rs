//! Every draw is fair and independent, every answer is judged right, nothing can be read before its pick.

use cabjury::model::audio::Sha256Hex;
use cabjury::model::explain::{Explain, Fate};
use cabjury::model::ids::{ClipId, ExcerptName, MicName, SetupName, TakeId, TestId};
use cabjury::model::trial::{Answer, Conditions, Controls, Method, OrderRecord, Plan, PlanClip, TrialCount, TrialKind};
use cabjury::trial::draw::planned;
use cabjury::trial::{Generator, Progressed, commitment_of, draw_trial, seal};
use cabjury::units::Probability;
use std::collections::BTreeMap;

/// A plan over invented clips: `takes` of each setup.
pub(crate) fn plan(method: Method, setups: &[&str], takes: usize, controls: Controls) -> Plan {
    let names: Vec<SetupName> = setups.iter().map(|s| SetupName::new(s).unwrap()).collect();
    let mut clips = Vec::new();
    for (i, setup) in names.iter().enumerate() {
        for k in 0..takes {
            let n = i * takes + k + 1;
            clips.push(PlanClip {
                clip: ClipId::new(&format!("c{n:03}")).unwrap(),
                setup: setup.clone(),
                take: TakeId::new(&format!("t{n:03}")).unwrap(),
                sha256: Sha256Hex::of(&[n as u8]),
            });
        }
    }
    Plan {
        test: TestId::new("test-1").unwrap(),
        method,
        setups: names.clone(),
        as_recorded: false,
        excerpt: ExcerptName::new("whole").unwrap(),
        mic: MicName::main(),
        trials: TrialCount::Fixed(16),
        listeners: 1,
        alpha: Probability::new(0.05).unwrap(),
        bound: Probability::new(0.3).unwrap(),
        controls,
        known_db: None,
        design: cabjury::model::trial::Design::Paired,
        units: BTreeMap::new(),
        attribute: (method == Method::Attribute).then(|| "brighter".to_owned()),
        expect: (method == Method::Attribute).then(|| names[1].clone()),
        reference: None,
        clips,
        differs: vec!["wiring: A + B against A || B".to_owned()],
        warnings: Vec::new(),
        load_reason: None,
        exclusion: "nobody is left out".to_owned(),
        generator: "test".to_owned(),
        looks: Vec::new(),
        sealing: None,
        training_by_name: false,
        ask_confidence: false,
        simulated: false,
        audience: false,
        conditions: Conditions::default(),
        family: None,
    }
}

fn setup<'a>(plan: &'a Plan, clip: &ClipId) -> &'a str {
    plan.clips.iter().find(|c| &c.clip == clip).unwrap().setup.as_str()
}

fn take<'a>(plan: &'a Plan, clip: &ClipId) -> &'a str {
    plan.clips.iter().find(|c| &c.clip == clip).unwrap().take.as_str()
}

fn opened(plan: &Plan, done: Progressed, random: &mut Generator) -> OrderRecord {
    let hidden = draw_trial(plan, done, random).unwrap();
    let commitment = hidden.commitment();
    let choice = match plan.method {
        Method::Graded => hidden.choices().iter().map(|c| format!("{c}=50")).collect::<Vec<_>>().join(","),
        _ => hidden.choices()[0].clone(),
    };
    let answer = Answer { choice, confidence: None, remark: None };
    hidden.check(&answer).unwrap();
    let opened = hidden.open(&answer);
    let nonce: Vec<u8> = (0..64).step_by(2).map(|i| u8::from_str_radix(&opened.nonce[i..i + 2], 16).unwrap()).collect();
    assert_eq!(commitment_of(&nonce, &opened.order), commitment, "the commitment does not open");
    opened.order
}

/// Chi-square upper 1e-6 points: the check values' own table (df 1, 5; scipy 1.17.1), df 2 and 3 by the chi-square tail function.
fn fair(counts: &BTreeMap<String, u64>, cells: usize) {
    let n: u64 = counts.values().sum();
    let expected = n as f64 / cells as f64;
    let missing = (cells - counts.len()) as f64 * expected;
    let chi: f64 = counts.values().map(|c| (*c as f64 - expected).powi(2) / expected).sum::<f64>() + missing;
    let p = cabjury::stats::panel::chi_square_tail(chi, (cells - 1) as f64);
    assert!(p > 1e-6, "chi-square {chi}, p = {p}: {counts:?}");
}

#[test]
fn abx_is_drawn_fairly_with_fresh_takes() {
    let plan = plan(Method::Abx, &["one", "two"], 4, Controls::default());
    let mut random = Generator::simulated(11);
    let (mut keys, mut references, mut pairs) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    let mut last = String::new();
    for _ in 0..20_000 {
        let order = opened(&plan, Progressed::default(), &mut random);
        let [a, b, x] = [0, 1, 2].map(|i| &order.slots[i].clip);
        assert_ne!(setup(&plan, a), setup(&plan, b));
        let right = if setup(&plan, x) == setup(&plan, a) { "A" } else { "B" };
        assert_eq!(order.right.as_deref(), Some(right));
        let reference = if right == "A" { a } else { b };
        assert_ne!(take(&plan, x), take(&plan, reference), "the hidden sample is its reference's own file");
        *keys.entry(format!("{right}{}", setup(&plan, a))).or_insert(0) += 1;
        *references.entry(take(&plan, a).to_owned()).or_insert(0) += 1;
        *pairs.entry(format!("{last}{right}")).or_insert(0) += 1;
        last = right.to_owned();
    }
    fair(&keys, 4);
    fair(&references, 8);
    pairs.retain(|k, _| k.len() == 2);
    fair(&pairs, 4);
}

#[test]
fn with_one_take_the_own_file_is_all_there_is() {
    let plan = plan(Method::Abx, &["one", "two"], 1, Controls::default());
    let order = opened(&plan, Progressed::default(), &mut Generator::simulated(3));
    assert!(order.slots[2].clip == order.slots[0].clip || order.slots[2].clip == order.slots[1].clip);
}

#[test]
fn the_other_methods_are_drawn_fairly_and_judged_right() {
    let mut random = Generator::simulated(12);
    for method in [Method::DuoTrio, Method::Triangle, Method::Preference, Method::Attribute] {
        let plan = plan(method, &["one", "two"], 3, Controls::default());
        let mut keys = BTreeMap::new();
        for _ in 0..12_000 {
            let order = opened(&plan, Progressed::default(), &mut random);
            let setups: Vec<&str> = order.slots.iter().map(|s| setup(&plan, &s.clip)).collect();
            let right = order.right.clone();
            let by_ear = match method {
                Method::DuoTrio => Some(if setups[1] == setups[0] { "1" } else { "2" }),
                Method::Triangle => {
                    (0..3).find(|i| setups.iter().filter(|s| **s == setups[*i]).count() == 1).map(|i| ["1", "2", "3"][i])
                }
                Method::Attribute => Some(if setups[0] == "two" { "1" } else { "2" }),
                _ => None,
            };
            assert_eq!(right.as_deref(), by_ear, "{method}");
            *keys.entry(format!("{}{right:?}", setups[0])).or_insert(0) += 1;
        }
        let cells = match method {
            // The odd place (3) by which setup is odd (2).
            Method::Triangle => 6,
            Method::Preference | Method::Attribute => 2,
            _ => 4,
        };
        if method == Method::Triangle {
            // The first slot's setup depends on the key: the key alone is uniform.
            let mut odd = BTreeMap::new();
            for (k, v) in &keys {
                *odd.entry(k.split("Some").nth(1).unwrap().to_owned()).or_insert(0) += v;
            }
            fair(&odd, 3);
        } else {
            fair(&keys, cells);
        }
    }
}

#[test]
fn graded_places_are_uniform_and_hold_everything_once() {
    let plan = plan(Method::Graded, &["one", "two", "three"], 2, Controls::default());
    let mut random = Generator::simulated(13);
    let mut anchor_at = BTreeMap::new();
    for _ in 0..8_000 {
        let order = opened(&plan, Progressed::default(), &mut random);
        assert_eq!(order.slots.len(), 5, "reference, hidden reference, two other setups, anchor");
        assert_eq!(setup(&plan, &order.slots[0].clip), "one");
        let at = order.slots.iter().position(|s| s.anchor).unwrap();
        *anchor_at.entry(at.to_string()).or_insert(0) += 1;
        let mut rest: Vec<&str> = order.slots[1..].iter().filter(|s| !s.anchor).map(|s| setup(&plan, &s.clip)).collect();
        rest.sort_unstable();
        assert_eq!(rest, ["one", "three", "two"]);
    }
    fair(&anchor_at, 4);
}

#[test]
fn controls_are_mixed_in_and_are_what_they_say() {
    for method in [Method::Abx, Method::DuoTrio, Method::Triangle, Method::Preference] {
        let plan = plan(method, &["one", "two"], 3, Controls { same_file: 5, repeat: 4, known: 0 });
        let mut random = Generator::simulated(14);
        let mut first_kind = BTreeMap::new();
        for _ in 0..300 {
            let mut done = Progressed::default();
            for number in 0..25 {
                let order = opened(&plan, done, &mut random);
                if number == 0 {
                    *first_kind.entry(format!("{:?}", order.kind)).or_insert(0u64) += 1;
                }
                let mut takes: Vec<&str> = order.slots.iter().map(|s| take(&plan, &s.clip)).collect();
                let mut setups: Vec<&str> = order.slots.iter().map(|s| setup(&plan, &s.clip)).collect();
                takes.sort_unstable();
                takes.dedup();
                setups.dedup();
                match order.kind {
                    TrialKind::Scored => done.scored += 1,
                    TrialKind::Known => panic!("no known difference was planned"),
                    TrialKind::SameFile => {
                        done.same_file += 1;
                        assert_eq!(takes.len(), 1, "{method}: a same-file control of several files");
                    }
                    TrialKind::Repeat => {
                        done.repeat += 1;
                        assert_eq!(
                            (takes.len(), setups.len()),
                            (2, 1),
                            "{method}: a repeat control wants two takes of one setup"
                        );
                    }
                }
            }
            assert_eq!((done.scored, done.same_file, done.repeat), (16, 5, 4));
        }
        // Each kind comes first in its share of evenings: controls are no block at the end.
        assert!(first_kind.len() == 3, "{method}: {first_kind:?}");
    }
}

#[test]
fn the_canonical_plan_is_readable_and_sealed() {
    let plan = plan(Method::Abx, &["one", "two"], 2, Controls::default());
    let text = seal::canonical(&plan);
    crate::golden::check("plan-canonical.txt", &text);
    let mut other = plan.clone();
    other.alpha = Probability::new(0.01).unwrap();
    assert_ne!(seal::seal(&text), seal::seal(&seal::canonical(&other)));
}

/// Which kind of trial comes next is a draw among all that are left; whose takes are repeated, and which file is heard three times, are fair.
#[test]
fn controls_are_spread_by_draws_of_their_own() {
    let mut random = Generator::simulated(14);
    let mut plan = plan(Method::Abx, &["one", "two"], 2, Controls { same_file: 3, repeat: 2, known: 0 });
    assert_eq!(planned(&plan), Some(21));
    for (count, scored) in [(TrialCount::Fixed(16), 16.0), (TrialCount::OpenEnded, 11.0)] {
        plan.trials = count;
        let (mut kinds, mut repeated, mut same) = ([0.0; 3], BTreeMap::new(), BTreeMap::new());
        for _ in 0..60_000 {
            let order = opened(&plan, Progressed::default(), &mut random);
            let setups: Vec<&str> = order.slots.iter().map(|s| setup(&plan, &s.clip)).collect();
            match order.kind {
                TrialKind::Known => panic!("no known difference was planned"),
                TrialKind::SameFile => {
                    kinds[0] += 1.0;
                    assert!(order.slots.iter().all(|s| s.clip == order.slots[0].clip));
                    *same.entry(order.slots[0].clip.to_string()).or_insert(0) += 1;
                }
                TrialKind::Repeat => {
                    kinds[1] += 1.0;
                    assert!(setups.iter().all(|s| *s == setups[0]) && order.slots[0].clip != order.slots[1].clip);
                    *repeated.entry(setups[0].to_owned()).or_insert(0) += 1;
                }
                TrialKind::Scored => kinds[2] += 1.0,
            }
        }
        let expected = [3.0, 2.0, scored].map(|n| 60_000.0 * n / (5.0 + scored));
        let chi: f64 = kinds.iter().zip(expected).map(|(n, e)| (n - e) * (n - e) / e).sum();
        assert!(cabjury::stats::panel::chi_square_tail(chi, 2.0) > 1e-6, "{kinds:?} against {expected:?}");
        fair(&repeated, 2);
        fair(&same, 4);
    }
    assert_eq!(planned(&plan), None);
    // A whole evening has exactly what the plan says, and a setup with a single take is not the one that is repeated.
    plan.trials = TrialCount::Fixed(16);
    plan.clips.remove(0);
    let mut done = Progressed::default();
    while done.all() < 21 {
        let order = opened(&plan, done, &mut random);
        match order.kind {
            TrialKind::Known => panic!("no known difference was planned"),
            TrialKind::SameFile => done.same_file += 1,
            TrialKind::Repeat => {
                assert!(order.slots.iter().all(|s| setup(&plan, &s.clip) == "two"));
                done.repeat += 1;
            }
            TrialKind::Scored => done.scored += 1,
        }
    }
    assert_eq!(done, Progressed { scored: 16, same_file: 3, repeat: 2, known: 0 });
}

#[test]
fn what_cannot_be_drawn_from_says_why() {
    let of = |method, setups: &[&str], takes, repeat| plan(method, setups, takes, Controls { same_file: 0, repeat, known: 0 });
    let mut without = of(Method::Abx, &["one", "two"], 1, 0);
    without.clips.retain(|c| c.setup.as_str() != "two");
    for (plan, said) in [
        (without, "abx wants a clip of every setup, the plan has none of two"),
        (of(Method::Abx, &["one", "two", "three"], 1, 0), "abx wants two setups, the plan has 3"),
        (of(Method::Preference, &["one"], 1, 0), "preference wants two setups or more, the plan has 1"),
        (
            of(Method::Abx, &["one", "two"], 1, 1),
            "abx wants a setup with two takes for its repeat trials, the plan has one take of each",
        ),
    ] {
        let error = draw_trial(&plan, Progressed::default(), &mut Generator::simulated(1)).err().unwrap();
        assert_eq!(error.to_string(), said);
        assert_eq!((error.kind(), error.fate()), ("cannot-draw", Fate::Refused));
        assert!(error.next().contains("plan anew"));
    }
}

/// A plan that names its reference has it in every trial; without one, a duo-trio draws it.
#[test]
fn a_named_reference_is_the_reference() {
    for method in [Method::DuoTrio, Method::Graded] {
        for name in ["one", "two"] {
            let mut plan = plan(method, &["one", "two"], 3, Controls::default());
            plan.reference = Some(SetupName::new(name).unwrap());
            let mut random = Generator::simulated(21);
            for _ in 0..200 {
                let order = opened(&plan, Progressed::default(), &mut random);
                assert_eq!(order.slots[0].label, "R");
                assert_eq!(setup(&plan, &order.slots[0].clip), name, "{method}");
            }
        }
    }
    let plan = plan(Method::DuoTrio, &["one", "two"], 3, Controls::default());
    let mut random = Generator::simulated(22);
    let mut drawn = BTreeMap::new();
    for _ in 0..2000 {
        let order = opened(&plan, Progressed::default(), &mut random);
        *drawn.entry(setup(&plan, &order.slots[0].clip).to_owned()).or_insert(0) += 1;
    }
    fair(&drawn, 2);
}

/// What an answer may be: one of the choices; of ratings every sample once; confidence from 0 to 100.
#[test]
fn only_an_answer_that_can_be_taken_is_taken() {
    let mut random = Generator::simulated(23);
    let mut of =
        |method| draw_trial(&plan(method, &["one", "two"], 3, Controls::default()), Progressed::default(), &mut random).unwrap();
    let answer = |choice: &str, confidence| Answer { choice: choice.to_owned(), confidence, remark: None };
    let abx = of(Method::Abx);
    for (choice, confidence, fits) in [
        ("A", None, true),
        ("B", Some(0), true),
        ("A", Some(100), true),
        ("A", Some(101), false),
        ("A", Some(255), false),
        ("X", None, false),
        ("", None, false),
    ] {
        assert_eq!(abx.check(&answer(choice, confidence)).is_ok(), fits, "{choice:?} {confidence:?}");
    }
    let graded = of(Method::Graded);
    assert_eq!(graded.choices().len(), 3);
    let [a, b, c] = [0, 1, 2].map(|k| graded.choices()[k].clone());
    for (choice, fits) in [
        (format!("{a}=0,{b}=100,{c}=50"), true),
        (format!("{c}=0,{a}=100,{b}=50"), true),
        (format!("{a}=0,{b}=100"), false),
        (format!("{a}=0,{a}=1,{b}=100"), false),
        (format!("{a}=0,{b}=1,{c}=2,{c}=3"), false),
        (format!("{a}=0,{b}=1,Z=2"), false),
        (format!("{a}=0,{b}=1,{c}=101"), false),
        (a.clone(), false),
    ] {
        assert_eq!(graded.check(&answer(&choice, None)).is_ok(), fits, "{choice:?}");
    }
}

/// Of one file three times nothing can be right but by a cue: what counts as right is drawn; for a preference it is a lean to the first.
#[test]
fn the_right_answer_of_a_same_file_trial() {
    for method in [Method::Abx, Method::Triangle, Method::Preference] {
        let plan = plan(method, &["one", "two"], 3, Controls { same_file: 400, repeat: 0, known: 0 });
        let (mut random, mut right) = (Generator::simulated(24), BTreeMap::new());
        let mut done = Progressed::default();
        while done.same_file < 400 {
            let order = opened(&plan, done, &mut random);
            match order.kind {
                TrialKind::Known => panic!("no known difference was planned"),
                TrialKind::SameFile => {
                    done.same_file += 1;
                    *right.entry(order.right.unwrap()).or_insert(0) += 1;
                }
                _ => done.scored += 1,
            }
        }
        match method {
            Method::Abx => fair(&right, 2),
            Method::Triangle => fair(&right, 3),
            _ => assert_eq!(right, BTreeMap::from([("1".to_owned(), 400)])),
        }
    }
}

#[test]
fn what_listeners_are_told_is_kept_as_text() {
    let methods = [Method::Abx, Method::DuoTrio, Method::Triangle, Method::Preference, Method::Attribute, Method::Graded];
    let text: Vec<String> = methods.map(|m| format!("{m}\n{}\n", cabjury::trial::methods::instructions(m).join("\n"))).to_vec();
    crate::golden::check("instructions.txt", &text.join("\n"));
}
