//! The crossed draw looks at no setup, known differences are fair, and old plans read and seal as they did.

use super::draws::plan;
use cabjury::model::ids::TakeId;
use cabjury::model::trial::{Answer, Controls, Design, Method, OrderRecord, Plan, TrialCount, TrialKind};
use cabjury::stats::takes::{Crossed, Heard, Rule};
use cabjury::trial::draw::planned;
use cabjury::trial::{Generator, Progressed, Units, draw_trial, methods, seal};
use cabjury::units::Decibel;
use std::collections::BTreeMap;

const METHODS: [Method; 5] = [Method::Abx, Method::DuoTrio, Method::Triangle, Method::Preference, Method::Attribute];

fn crossed(method: Method, takes: usize, controls: Controls) -> Plan {
    let mut plan = plan(method, &["s16", "p4"], takes, controls);
    plan.design = Design::Crossed;
    plan.known_db = (controls.known > 0).then(|| Decibel::new(1.0).unwrap());
    plan
}

fn opened(plan: &Plan, done: Progressed, random: &mut Generator) -> OrderRecord {
    let hidden = draw_trial(plan, done, random).unwrap();
    let choice = hidden.choices()[0].clone();
    hidden.open(&Answer { choice, confidence: None, remark: None }).order
}

/// 99.99 % of chi-square with many degrees of freedom, by Wilson and Hilferty (1931; from memory).
fn far(df: f64) -> f64 {
    let v = 2.0 / (9.0 * df);
    df * (1.0 - v + 3.719 * v.sqrt()).powi(3)
}

#[test]
fn every_ordered_draw_of_distinct_takes_is_as_likely() {
    let mut random = Generator::simulated(201);
    for method in METHODS {
        let plan = crossed(method, 3, Controls::default());
        let samples = methods::rules(method).columns.len();
        let all = if samples == 3 { 120 } else { 30 };
        let draws = 24_000;
        let (mut seen, mut scored): (BTreeMap<Vec<String>, u32>, u32) = (BTreeMap::new(), 0);
        for _ in 0..draws {
            let order = opened(&plan, Progressed::default(), &mut random);
            assert_eq!(order.kind, TrialKind::Scored);
            *seen.entry(order.slots.iter().map(|s| s.clip.to_string()).collect()).or_insert(0) += 1;
            scored += u32::from(order.right.is_some());
        }
        assert_eq!(seen.len(), all, "{method}: distinct takes only");
        let mean = f64::from(draws) / all as f64;
        let chi: f64 = seen.values().map(|n| (f64::from(*n) - mean).powi(2) / mean).sum();
        assert!(chi < far(all as f64 - 1.0), "{method}: {chi}");
        if method != Method::Preference {
            let share = Rule::of(method).unwrap().scored_share(3, 3);
            let error = (share * (1.0 - share) / f64::from(draws)).sqrt();
            assert!((f64::from(scored) / f64::from(draws) - share).abs() < 4.5 * error, "{method}: {scored} of {draws}, {share}");
        }
    }
}

/// What the opened order calls right is what the takes test scores, choice by choice; and the plan's units are read as they stand there.
#[test]
fn the_opened_order_and_the_takes_test_agree() {
    let mut random = Generator::simulated(202);
    for method in METHODS {
        let mut plan = crossed(method, 4, Controls::default());
        let take = |n: u32| TakeId::new(&format!("t{n:03}")).unwrap();
        plan.units = BTreeMap::from([(take(2), take(1)), (take(6), take(5))]);
        let units = Units::of(&plan);
        assert_eq!((units.first.len(), units.sizes()), (6, (3, 3)), "{method}");
        let rule = Rule::of(method).unwrap();
        let test = Crossed { rule, first: units.first.clone() };
        for _ in 0..200 {
            let order = opened(&plan, Progressed::default(), &mut random);
            for choice in methods::choices(method, 0) {
                let read = units.read(&order, &choice).unwrap();
                assert!(read.units.iter().zip(read.first).all(|(u, f)| units.first[usize::from(*u)] == f));
                let counted = test.test(&[Heard { units: read.units, pick: read.pick }], &mut random);
                let scored = rule.score(read.first, usize::from(read.pick));
                assert_eq!((counted.scored, counted.right), (u64::from(scored.is_some()), u64::from(scored == Some(true))));
                if method == Method::Preference {
                    assert_eq!(order.right, None);
                } else {
                    assert_eq!(order.right.as_ref().map(|r| *r == choice), scored, "{method}: {order:?}, {choice}");
                }
            }
            assert!(units.read(&order, "Z").is_none());
        }
        // Attribute: the first group is the setup expected to have more.
        let group = if method == Method::Attribute { "p4" } else { "s16" };
        let first = plan.clips.iter().find(|c| c.setup.as_str() == group).unwrap();
        let at = plan.clips.iter().position(|c| c.clip == first.clip).unwrap();
        assert!(units.first[if at == 0 { 0 } else { 3 }], "{method}");
    }
}

#[test]
fn known_differences_raise_the_same_take_and_are_fair() {
    let mut random = Generator::simulated(203);
    for method in [Method::Abx, Method::DuoTrio, Method::Triangle] {
        for design in [Design::Crossed, Design::Paired] {
            let mut plan = crossed(method, 3, Controls { known: 40, ..Controls::default() });
            plan.design = design;
            assert_eq!(planned(&plan), Some(56));
            let (mut done, mut rights, mut patterns, mut takes) =
                (Progressed::default(), BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
            let mut known = 0;
            for _ in 0..9_000 {
                let order = opened(&plan, done, &mut random);
                if order.kind == TrialKind::Scored {
                    assert!(order.slots.iter().all(|s| !s.raised));
                    continue;
                }
                known += 1;
                assert_eq!(order.kind, TrialKind::Known);
                assert!(order.slots.iter().all(|s| s.clip == order.slots[0].clip && !s.anchor), "one take against itself");
                let raised = |label: &str| order.slots.iter().find(|s| s.label == label).unwrap().raised;
                let right = order.right.clone().unwrap();
                match method {
                    Method::Abx => assert!(raised("A") != raised("B") && raised("X") == raised(&right)),
                    Method::DuoTrio => assert!(raised("1") != raised("2") && raised("R") == raised(&right)),
                    _ => assert!(["1", "2", "3"].iter().all(|l| (raised(l) == raised(&right)) == (*l == right))),
                }
                *rights.entry(right).or_insert(0u32) += 1;
                *patterns.entry(order.slots.iter().map(|s| s.raised).collect::<Vec<_>>()).or_insert(0u32) += 1;
                *takes.entry(order.slots[0].clip.to_string()).or_insert(0u32) += 1;
            }
            let even = |seen: &[u32], cells: usize| {
                let mean = f64::from(known) / cells as f64;
                assert_eq!(seen.len(), cells, "{method}");
                assert!(
                    seen.iter().map(|n| (f64::from(*n) - mean).powi(2) / mean).sum::<f64>() < far(cells as f64 - 1.0),
                    "{method} {seen:?}"
                );
            };
            even(&rights.into_values().collect::<Vec<_>>(), methods::choices(method, 0).len());
            even(&patterns.into_values().collect::<Vec<_>>(), if method == Method::Triangle { 6 } else { 4 });
            even(&takes.into_values().collect::<Vec<_>>(), 6);
            // All of them come, and no more.
            (0..56).for_each(|_| done.add(opened(&plan, done, &mut random).kind));
            assert_eq!(done, Progressed { scored: 16, known: 40, ..Progressed::default() });
        }
    }
}

#[test]
fn the_player_is_told_which_slot_is_raised() {
    let plan = crossed(Method::Abx, 3, Controls { known: 1_000, ..Controls::default() });
    let mut random = Generator::simulated(204);
    let hidden = draw_trial(&plan, Progressed { scored: 16, ..Progressed::default() }, &mut random).unwrap();
    let told: Vec<bool> = ["A", "B", "X"].iter().map(|l| hidden.raised_for_the_player(l)).collect();
    let order = hidden.open(&Answer { choice: "A".to_owned(), confidence: None, remark: None }).order;
    assert_eq!(told, order.slots.iter().map(|s| s.raised).collect::<Vec<_>>());
    assert!(told.contains(&true));
}

#[test]
fn same_file_controls_of_a_crossed_test_come_from_all_takes_evenly() {
    let mut plan = crossed(Method::Abx, 2, Controls { same_file: 2_000, ..Controls::default() });
    // One take of the first setup, two of the other: setup by setup the first take would come twice as often.
    plan.clips.remove(0);
    let mut random = Generator::simulated(205);
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    let done = Progressed { scored: 16, ..Progressed::default() };
    for _ in 0..6_000 {
        let order = opened(&plan, done, &mut random);
        assert_eq!(order.kind, TrialKind::SameFile);
        *seen.entry(order.slots[0].clip.to_string()).or_insert(0) += 1;
    }
    assert!(seen.len() == 3 && seen.values().all(|n| (1_830..=2_170).contains(n)), "{seen:?}");
}

#[test]
fn what_cannot_be_crossed_says_why() {
    let base = crossed(Method::Abx, 4, Controls::default());
    assert_eq!(methods::not_crossed(&base), None);
    let mut cases: Vec<Plan> = vec![base.clone(), base.clone(), base];
    cases[0].trials = TrialCount::OpenEnded;
    cases[1].controls.repeat = 1;
    cases[2].method = Method::Graded;
    let mut fixed = crossed(Method::DuoTrio, 4, Controls::default());
    fixed.reference = Some(fixed.setups[0].clone());
    cases.push(fixed);
    let mut three = plan(Method::Preference, &["s16", "p4", "sp8"], 4, Controls::default());
    three.design = Design::Crossed;
    cases.push(three);
    for plan in cases {
        let why = methods::not_crossed(&plan).unwrap();
        let error = draw_trial(&plan, Progressed::default(), &mut Generator::simulated(1)).err().unwrap();
        assert!(error.to_string().contains(why), "{error}");
    }
    let known = plan(Method::Preference, &["s16", "p4"], 4, Controls { known: 1, ..Controls::default() });
    assert!(draw_trial(&known, Progressed::default(), &mut Generator::simulated(1)).is_err());
}

/// A plan that was sealed before there was a design reads as paired, is written as it was, and its text is the same line by line.
#[test]
fn an_old_plan_reads_and_seals_as_it_did() {
    let old = plan(Method::Abx, &["s16", "p4"], 4, Controls { same_file: 3, repeat: 2, known: 0 });
    let text = serde_json::to_string(&old).unwrap();
    for key in ["design", "known", "units", "raised"] {
        assert!(!text.contains(key), "{key}: {text}");
    }
    assert_eq!(serde_json::from_str::<Plan>(&text).unwrap(), old);
    let canonical = seal::canonical(&old);
    // The text itself is kept as a golden file (trial::draws).
    assert!(canonical.ends_with("confidence and remark: not asked\n"));
    let order = r#"{"kind":"scored","slots":[{"label":"A","clip":"c001"}],"right":"A"}"#;
    assert_eq!(serde_json::to_string(&serde_json::from_str::<OrderRecord>(order).unwrap()).unwrap(), order);
    let mut new = old.clone();
    new.design = Design::Crossed;
    new.controls.known = 6;
    new.known_db = Some(Decibel::new(1.5).unwrap());
    new.units = BTreeMap::from([(old.clips[1].take.clone(), old.clips[0].take.clone())]);
    let said = seal::canonical(&new);
    assert!(said.starts_with(canonical.trim_end()));
    for line in
        ["design: crossed", "known-difference controls per listener: 6", "raised in them by dB: 1.5", "rewiring: t002 with t001"]
    {
        assert!(said.contains(line), "{said}");
    }
    assert_eq!(serde_json::from_str::<Plan>(&serde_json::to_string(&new).unwrap()).unwrap(), new);
}

#[test]
fn permutations_are_seeded_by_the_seal_and_their_purpose() {
    use cabjury::model::random::RandomWords;
    let seal = seal::seal("one");
    let first = |purpose: &str, seal| Generator::of_the_seal(seal, purpose).next_word();
    assert_eq!(first("takes", &seal), first("takes", &seal));
    assert_ne!(first("takes", &seal), first("listeners", &seal));
    assert_ne!(first("takes", &seal), first("takes", &seal::seal("two")));
}
