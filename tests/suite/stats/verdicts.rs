//! `tests/reference/verdicts.json`: takes, listeners, missing answers, families of tests. Computed with whole numbers and rationals in plain
//! Python, and again with numpy 2.4.6 and scipy 1.17.1; each case names its own source.

use super::{number, whole};
use cabjury::model::trial::Method;
use cabjury::stats::binomial::{critical, upper_tail};
use cabjury::stats::family::{Family, may_be_given_up};
use cabjury::stats::judge::{Gates, RightOrWrong};
use cabjury::stats::listeners::{Planned, heard_some, unequal};
use cabjury::stats::missing::{Answers, worst};
use cabjury::stats::sequential::{Spending, looks};
use cabjury::stats::takes::{Crossed, Heard, Rule};
use cabjury::stats::taste::{Picks, Scope, sign_patterns, taste};
use cabjury::stats::verdict::ControlCount;
use cabjury::stats::{confidence, controls, evidence, population, repeat_floor};
use cabjury::trial::Generator;
use serde_json::Value;
use std::collections::BTreeMap;

const KINDS: [&str; 18] = [
    "takes test",
    "scored share",
    "sign flips",
    "each of",
    "missing answers",
    "missing preference answers",
    "heterogeneity",
    "heard by some",
    "known-difference controls",
    "family",
    "power of a panel",
    "evidence in the log's order",
    "repeat floor",
    "type-2 area",
    "preference bound, one listener",
    "preference bound, panel",
    "sealed looks",
    "population limit",
];

fn all() -> Vec<Value> {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/verdicts.json")).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    file["cases"].as_array().unwrap().clone()
}

#[test]
fn every_case_has_a_test() {
    let all = all();
    assert_eq!(all.len(), 80);
    for case in all {
        let kind = case["kind"].as_str().unwrap();
        assert!(KINDS.contains(&kind), "{}: {kind}", case["id"]);
    }
}

/// Runs the cases of a kind; exactly `count` of them.
fn each(kind: &str, count: usize, check: impl Fn(&Case, &Value, &Value)) {
    assert!(KINDS.contains(&kind));
    let cases: Vec<Value> = all().into_iter().filter(|c| c["kind"] == kind).collect();
    assert_eq!(cases.len(), count, "{kind}");
    for case in cases {
        check(&Case(&case), &case["inputs"], &case["expected"]);
    }
}

struct Case<'a>(&'a Value);

impl Case<'_> {
    #[track_caller]
    fn near(&self, what: &str, found: f64, wanted: &Value) {
        let wanted = number(wanted);
        let tolerance = self.0["tolerance"].as_f64().unwrap().max(1e-15) * wanted.abs().max(1.0);
        assert!((found - wanted).abs() <= tolerance, "{} {what}: found {found}, wanted {wanted}", self.0["id"]);
    }

    #[track_caller]
    fn same<T: PartialEq + std::fmt::Debug>(&self, what: &str, found: &T, wanted: &T) {
        assert_eq!(found, wanted, "{} {what}", self.0["id"]);
    }
}

fn list(value: &Value) -> Vec<u64> {
    value.as_array().unwrap().iter().map(whole).collect()
}

fn random() -> Generator {
    Generator::simulated(1)
}

fn method(value: &Value) -> Method {
    Method::from_name(value.as_str().unwrap()).unwrap()
}

fn picks(value: &Value) -> Vec<Picks> {
    let of = |p: &Value| Picks { first: whole(&p[0]), second: whole(&p[1]), unanswered: 0 };
    value.as_array().unwrap().iter().map(of).collect()
}

/// Answered trials of a case as the takes test reads them.
fn crossed(i: &Value) -> (Crossed, Vec<Heard>) {
    let names = |key: &str| i[key].as_array().unwrap().iter().map(|t| t.as_str().unwrap().to_owned()).collect::<Vec<_>>();
    let (first, second) = (names("first"), names("second"));
    let ids: BTreeMap<&String, u16> = first.iter().chain(&second).zip(0..).collect();
    let columns = names("columns");
    let heard = i["trials"].as_array().unwrap().iter().filter_map(|row| {
        let samples = columns.len() - 1;
        let pick = columns.iter().position(|c| Some(c.as_str()) == row[samples].as_str())?;
        let unit = |k: usize| ids[&row[k.min(samples - 1)].as_str().unwrap().to_owned()];
        Some(Heard { units: [unit(0), unit(1), unit(2)], pick: pick as u8 })
    });
    let rule = Rule::of(method(&i["method"])).unwrap();
    let heard = heard.collect();
    (Crossed { rule, first: first.iter().map(|_| true).chain(second.iter().map(|_| false)).collect() }, heard)
}

#[test]
fn takes_tests() {
    each("takes test", 16, |case, i, e| {
        let (crossed, heard) = crossed(i);
        let found = crossed.test(&heard, &mut random());
        case.same("m", &found.scored, &whole(&e["m"]));
        case.same("right", &found.right, &whole(&e["right"]));
        case.near("z", found.z, &e["z"]);
        case.same("splits", &found.splits, &whole(&e["splits"]));
        case.same("far", &found.at_least_as_far, &whole(&e["at_least_as_far"]));
        case.near("p", found.p, &e["p_takes"]);
        // One listener alone is the panel.
        case.near("largest", crossed.largest(&[heard], &mut random())[0], &e["p_takes"]);
    });
}

#[test]
fn shares_that_are_scored() {
    each("scored share", 4, |case, i, e| {
        let (rule, takes) = (Rule::of(method(&i["method"])).unwrap(), whole(&i["takes"]));
        case.near("share", rule.scored_share(takes, takes), &e["share"]);
        case.near("least p", rule.least_p(takes, takes), &e["least_p_takes"]);
    });
}

#[test]
fn signs_of_listeners() {
    each("sign flips", 8, |case, i, e| {
        let found = sign_patterns(&picks(&i["picks"]), &mut random());
        case.near("sum", found.sum, &e["sum_d"]);
        case.same("patterns", &found.patterns, &whole(&e["patterns"]));
        case.near("p", found.p, &e["p_listeners"]);
    });
}

#[test]
fn each_of_the_listeners() {
    each("each of", 4, |case, i, e| {
        let found = taste(&picks(&i["picks"]), number(&i["level"]), 0.3, &mut random());
        for (own, wanted) in found.p_own.iter().zip(e["p_own"].as_array().unwrap()) {
            case.near("own", *own, wanted);
        }
        case.same("each", &(found.scope == Some(Scope::Each)), &e["each"].as_bool().unwrap());
        case.near("listeners", found.p_listeners.unwrap(), &e["p_listeners"]);
    });
}

#[test]
fn answers_that_are_missing() {
    each("missing answers", 8, |case, i, e| {
        let a = Answers { right: whole(&i["right"]), wrong: whole(&i["wrong"]), unanswered: whole(&i["unanswered"]) };
        let (g, bound, level) = (number(&i["chance"]), number(&i["bound"]), number(&i["alpha"]));
        let found = worst(a, g, bound);
        case.same("trials", &found.trials, &whole(&e["trials"]));
        case.near("p", found.p_value, &e["p_value"]);
        case.near("reversed", found.p_reversed, &e["p_reversed"]);
        case.near("answered", found.p_value_answered, &e["p_value_answered"]);
        case.near("low", found.interval95[0], &e["interval95"][0]);
        case.near("high", found.interval95[1], &e["interval95"][1]);
        case.near("lower", found.lower95, &e["lower95"]);
        case.near("upper", found.upper95, &e["upper95"]);
        case.near("distinguishers", found.distinguishers.upper95, &e["distinguishers_upper95"]);
        case.near("similarity", found.similarity, &e["p_similarity"]);
        let judged = RightOrWrong {
            gates: Gates::default(),
            level,
            bound,
            p_value: found.p_value,
            p_reversed: found.p_reversed,
            trials: found.trials,
            upper95: found.distinguishers.upper95,
            heard_some: false,
            small_for_all: cabjury::stats::listeners::small_for_all(&[a], g, bound, 1.0),
            some_listener: false,
            known_passed: None,
        };
        case.same("verdict", &judged.verdict().name(), &e["verdict"].as_str().unwrap());
    });
}

#[test]
fn preferences_that_are_missing() {
    each("missing preference answers", 3, |case, i, e| {
        let p = Picks { first: whole(&i["first"]), second: whole(&i["second"]), unanswered: whole(&i["unanswered"]) };
        case.same("trials", &p.trials(), &whole(&e["trials"]));
        case.near("p", p.p_value(), &e["p_value"]);
        case.near("answered", p.p_value_answered(), &e["p_value_answered"]);
    });
}

fn counts(i: &Value) -> Vec<(u64, u64)> {
    list(&i["trials"]).into_iter().zip(list(&i["right"])).collect()
}

#[test]
fn unequal_listeners() {
    each("heterogeneity", 4, |case, i, e| {
        let found = unequal(&counts(i), &mut random());
        case.near("statistic", found.statistic, &e["statistic"]);
        case.near("p", found.p, &e["p_heterogeneity"]);
    });
}

#[test]
fn heard_by_some() {
    each("heard by some", 3, |case, i, e| {
        let counts = counts(i);
        let listeners: Vec<Answers> = counts.iter().map(|(n, x)| Answers { right: *x, wrong: n - x, unanswered: 0 }).collect();
        let all = listeners.iter().fold((0, 0), |s, a| (s.0 + a.right, s.1 + a.trials()));
        let g = number(&i["chance"]);
        let (pooled, apart) = (upper_tail(all.0, all.1, g), unequal(&counts, &mut random()).p);
        case.near("p", pooled, &e["p_value"]);
        case.near("heterogeneity", apart, &e["p_heterogeneity"]);
        let found = heard_some(&listeners, g, number(&i["level"]), pooled, apart);
        for (p, wanted) in found.p_holm.iter().zip(e["p_holm"].as_array().unwrap()) {
            case.near("holm", *p, wanted);
        }
        let named: Vec<u64> = found.named.iter().map(|n| *n as u64).collect();
        case.same("named", &named, &list(&e["named"]));
        case.same("some", &found.heard_some, &e["heard_some"].as_bool().unwrap());
    });
}

#[test]
fn known_differences() {
    each("known-difference controls", 4, |case, i, e| {
        let (a, b) = method(&i["method"]).chance().unwrap();
        let c = ControlCount { trials: whole(&i["controls"]), correct: whole(&i["correct"]) };
        let found = controls::known(c, f64::from(a) / f64::from(b));
        case.same("critical", &found.critical, &e["critical"].as_u64());
        case.near("p", found.p, &e["p_value"]);
        case.same("passed", &found.passed, &e["passed"].as_bool().unwrap());
    });
}

#[test]
fn families() {
    each("family", 3, |case, i, e| {
        let family = Family { planned: whole(&i["planned"]) as u32, alpha: number(&i["alpha"]) };
        let mut sealed: BTreeMap<String, (cabjury::stats::family::Place, bool)> = BTreeMap::new();
        for event in i["events"].as_array().unwrap() {
            let name = event[1].as_str().unwrap();
            let wanted = &e[name];
            match event[0].as_str().unwrap() {
                "seal" => {
                    let taken: Vec<u32> = sealed.values().filter(|(_, up)| !up).filter_map(|(p, _)| p.number).collect();
                    let place = family.next(&taken);
                    case.same("number", &place.number.map(u64::from), &wanted["number"].as_u64());
                    if !wanted["level"].is_null() {
                        case.near("level", place.level, &wanted["level"]);
                    }
                    if let Some(exploratory) = wanted["exploratory"].as_bool() {
                        case.same("exploratory", &place.exploratory(), &exploratory);
                    }
                    sealed.insert(name.to_owned(), (place, false));
                }
                "give-up" => {
                    let up = may_be_given_up(whole(&event[2]));
                    case.same("given up", &up, &wanted["given_up"].as_bool().unwrap());
                    sealed.get_mut(name).unwrap().1 = up;
                }
                "close" => {
                    let p = number(&event[2]);
                    if !wanted["p_family"].is_null() {
                        case.near("p_family", family.p_family(p), &wanted["p_family"]);
                    }
                    case.same("found", &sealed[name].0.found(p), &wanted["found"].as_bool().unwrap());
                }
                other => panic!("{other}"),
            }
        }
    });
}

#[test]
fn power_of_panels() {
    each("power of a panel", 3, |case, i, e| {
        let (a, b) = method(&i["method"]).chance().unwrap();
        let planned = Planned {
            trials: number(&i["trials"]) as u64,
            listeners: whole(&i["listeners"]),
            g: f64::from(a) / f64::from(b),
            level: number(&i["level"]),
        };
        let p = number(&i["p_correct"]);
        let all = planned.trials * planned.listeners;
        case.near("every", cabjury::stats::power::one_sided(all, planned.g, planned.level, p), &e["every_listener"]);
        case.near("first step", planned.one_hearer(p), &e["one_hearer_first_step"]);
        case.near("holm", planned.one_hearer_holm(p), &e["one_hearer_holm"]);
    });
}

#[test]
fn evidence_in_the_order_given() {
    each("evidence in the log's order", 3, |case, i, e| {
        let answers: Vec<(String, bool)> =
            i["answers"].as_array().unwrap().iter().map(|a| (a[0].as_str().unwrap().to_owned(), whole(&a[1]) == 1)).collect();
        let g = number(&i["chance"]);
        let right = answers.iter().filter(|a| a.1).count() as u64;
        let in_order = || answers.iter().map(|a| a.1);
        case.near("evidence", evidence::ln_one_sided(right, answers.len() as u64, g).exp(), &e["evidence"]);
        case.near("largest", evidence::ln_most(in_order(), g, false).0.exp(), &e["largest"]);
        case.near("anytime", evidence::anytime_p(in_order(), g, false), &e["anytime_p"]);
        let mut listeners: Vec<&str> = Vec::new();
        answers.iter().for_each(|(l, _)| {
            if !listeners.contains(&l.as_str()) {
                listeners.push(l);
            }
        });
        let wrong = listeners.iter().flat_map(|l| answers.iter().filter(move |a| a.0 == *l).map(|a| a.1));
        case.near("by listener", evidence::ln_most(wrong, g, false).0.exp(), &e["wrong_largest_by_listener"]);
    });
}

#[test]
fn floors() {
    each("repeat floor", 3, |case, i, e| {
        let bands = |key: &str| -> Vec<Vec<f64>> {
            let of = |take: &Value| i["bands_db"][take.as_str().unwrap()].as_array().unwrap().iter().map(number).collect();
            i[key].as_array().unwrap().iter().map(of).collect()
        };
        let (first, second) = (bands("first"), bands("second"));
        let found = repeat_floor::split_test(&first, &second, &mut random()).unwrap();
        case.near("statistic", found.statistic, &e["statistic"]);
        case.same("splits", &found.splits, &whole(&e["splits"]));
        case.same("far", &found.at_least_as_far, &whole(&e["at_least_as_far"]));
        case.near("p", found.p, &e["p_floor"]);
        let told = repeat_floor::p_floor(&first, &second, &mut random());
        case.same("told", &told, &(first.len() >= 4).then_some(found.p));
    });
}

#[test]
fn areas() {
    each("type-2 area", 3, |case, i, e| {
        let of = |key: &str| i[key].as_array().unwrap().iter().map(number).collect::<Vec<_>>();
        let found = confidence::type2(&of("confidence_right"), &of("confidence_wrong"), &mut random()).unwrap();
        case.near("area", found.area, &e["area"]);
        case.near("p", found.p, &e["p_value"]);
    });
}

#[test]
fn bounds_of_a_preference() {
    let check = |case: &Case, pooled: Picks, i: &Value, e: &Value| {
        let found = pooled.bounded(number(&i["bound"]), number(&i["level"]));
        case.near("below", found.p_not_below, &e["p_not_below"]);
        case.near("above", found.p_not_above, &e["p_not_above"]);
        case.same("bounded", &found.bounded, &e["bounded"].as_bool().unwrap());
    };
    each("preference bound, one listener", 3, |case, i, e| {
        let p = Picks { first: whole(&i["first"]), second: whole(&i["second"]), unanswered: whole(&i["unanswered"]) };
        check(case, p, i, e);
    });
    each("preference bound, panel", 2, |case, i, e| check(case, Picks::pooled(&picks(&i["picks"])), i, e));
}

#[test]
fn sealed_looks() {
    each("sealed looks", 3, |case, i, e| {
        let at = list(&i["looks"]);
        let found = looks(&at, number(&i["chance"]), number(&i["alpha"]), Spending::Late);
        let critical: Vec<u64> = found.iter().map(|l| l.0).collect();
        case.same("critical", &critical, &list(&e["critical"]));
        for (look, wanted) in found.iter().zip(e["cumulative_alpha"].as_array().unwrap()) {
            case.near("used", look.1, wanted);
        }
        let outcomes: Vec<bool> = i["outcomes"].as_str().unwrap().chars().map(|c| c == '1').collect();
        let mut said = Vec::new();
        for (n, least) in at.iter().zip(&critical).filter(|(n, _)| **n as usize <= outcomes.len()) {
            let right = outcomes[..*n as usize].iter().filter(|r| **r).count() as u64;
            said.push(if right >= *least { "ended: heard" } else { "goes on" });
            if right >= *least {
                break;
            }
        }
        let wanted: Vec<&str> = e["said"].as_array().unwrap().iter().map(|s| s.as_str().unwrap()).collect();
        case.same("said", &said, &wanted);
    });
}

#[test]
fn listeners_like_these() {
    each("population limit", 3, |case, i, e| {
        let found = population::population(&counts(i), number(&i["chance"]));
        if e["population_upper95"].is_null() {
            case.same("none", &found.is_none(), &true);
        } else {
            let found = found.unwrap();
            case.near("mean", found.mean, &e["mean"]);
            case.near("limit", found.upper95, &e["population_upper95"]);
        }
    });
}

/// Computed by hand from C(2T, T): which least p and how many takes which level needs.
#[test]
fn takes_that_a_level_needs() {
    let needed = |m: Method, level: f64| Rule::of(m).unwrap().takes_needed(level);
    assert_eq!(needed(Method::Abx, 0.05), Some(4));
    assert_eq!(needed(Method::Abx, 0.05 / 2.0), Some(5));
    assert_eq!(needed(Method::Abx, 0.05 / 6.0), Some(5));
    assert_eq!(needed(Method::Preference, 0.05 / 7.0), Some(6));
    assert_eq!(needed(Method::Triangle, 0.05 / 23.0), Some(6));
    assert_eq!(needed(Method::Triangle, 0.05 / 24.0), Some(7));
    assert_eq!(needed(Method::Attribute, 0.05 / 3.0), Some(4));
    assert_eq!(needed(Method::Attribute, 0.05 / 4.0), Some(5));
    assert_eq!(Rule::Match.least_p(3, 5), 1.0 / 56.0);
    assert_eq!(Rule::of(Method::Graded), None);
    assert_eq!(critical(12, 0.5, 0.05), Some(10));
    // Eight same-file trials find a cue that gives away half of the trials in 10 % of tests.
    assert!((controls::cue_power(8, 0.5, 0.5) - 0.75f64.powi(8)).abs() < 1e-12);
}
