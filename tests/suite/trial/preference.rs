//! Graded tests: ratings speak. Preference over three setups: the pairs speak, with Holm over them; no count of all picks together makes a verdict.

use crate::material;
use crate::program::Desk;
use cabjury::stats::power;

/// A session with one matched clip of each setup.
fn matched(desk: &Desk, setups: &[&str]) {
    let riff = material::riff(3.4, 48_000);
    let mut new = vec!["new".to_owned(), "s".to_owned()];
    for (name, hz) in setups.iter().zip([150.0, 700.0, 2_500.0]) {
        material::write_wav(&desk.join(&format!("{name}.wav")), 48_000, &material::peaking(&riff, 48_000, hz, 1.0, 3.0));
        new.push(format!("{name}={name}.wav"));
    }
    desk.run(&new.iter().map(String::as_str).collect::<Vec<_>>()).ends(0);
    desk.run(&["match", "s"]).ends(0);
}

fn three_setups(desk: &Desk, trials: &str) {
    matched(desk, &["one", "two", "three"]);
    let plan = ["plan", "s", "--compare", "one,two,three", "--method", "preference", "--trials", trials, "--simulated", "--json"];
    let doc = desk.run(&plan).ends(0).json();
    assert!(doc["critical"].is_null() && doc["first"].is_null(), "no single count decides over three pairs: {doc:#}");
    // Every pair needs its own trials, at a third of the level.
    let doc = desk.run(&[&plan[..], &["--what-if"]].concat()).ends(0).json();
    let needed = doc["trials_for_80"].as_array().unwrap().iter().find(|n| n["p_correct"] == 0.75).unwrap();
    let power = |n: u64| power::two_sided(n, 0.05 / 3.0, 0.75);
    let first = (1..).find(|n| power(*n) >= 0.8).unwrap();
    assert_eq!(needed["first"], 3 * first);
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
    assert!(
        sentence.contains("of one and two: robot prefers one to two: 8 of 8") && sentence.contains("after Holm over 3 pairs"),
        "{sentence}"
    );
    // Nobody ever beat the one before: no finite scale, and the groups say so (Zermelo; Ford 1957).
    assert_eq!(test["scale"]["shrunk"], true);
    assert_eq!(test["scale"]["tiers"], serde_json::json!([["one"], ["two"], ["three"]]));
    assert_eq!(test["scale"]["differences"], serde_json::json!([]));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// Abilities by the MM algorithm (Hunter 2004): pi_i <- W_i / sum_j n_ij / (pi_i + pi_j), another way to the same maximum.
fn by_mm(wins: &[[f64; 3]; 3]) -> [f64; 3] {
    let mut pi = [1.0f64; 3];
    for _ in 0..20_000 {
        let old = pi;
        for i in 0..3 {
            let won: f64 = wins[i].iter().sum();
            let met: f64 = (0..3).filter(|j| *j != i).map(|j| (wins[i][j] + wins[j][i]) / (old[i] + old[j])).sum();
            pi[i] = won / met;
        }
        let sum: f64 = pi.iter().sum();
        pi.iter_mut().for_each(|p| *p /= sum);
    }
    let mean = pi.iter().map(|p| p.ln()).sum::<f64>() / 3.0;
    pi.map(|p| p.ln() - mean)
}

#[test]
fn the_scale_is_the_maximum_that_another_algorithm_finds() {
    let desk = Desk::new();
    three_setups(&desk, "240");
    desk.run(&["rehearse", "s", "--hears", "0.4", "--runs", "1", "--seed", "5", "--keep", "some-taste"]).ends(0);
    let doc = desk.run(&["score", "s", "--json"]).ends(0).json();
    let test = &doc["tests"][0];
    let mut wins = [[0.0; 3]; 3];
    for pair in test["preference"].as_array().unwrap() {
        let place = |key: &str| ["one", "two", "three"].iter().position(|n| pair[key] == *n).unwrap();
        let (a, b) = (place("first"), place("second"));
        let preferred = pair["first_preferred"].as_f64().unwrap();
        wins[a][b] = preferred;
        wins[b][a] = pair["picks"].as_f64().unwrap() - preferred;
    }
    let scale = &test["scale"];
    assert_eq!((scale["shrunk"].as_bool(), scale["tiers"].is_null()), (Some(false), true));
    let items = scale["items"].as_array().unwrap();
    for (item, wanted) in items.iter().zip(by_mm(&wins)) {
        assert!((item["ability"].as_f64().unwrap() - wanted).abs() < 1e-6, "{item} {wanted}");
    }
    for d in scale["differences"].as_array().unwrap() {
        let ability = |key: &str| items.iter().find(|i| i["setup"] == d[key]).unwrap()["ability"].as_f64().unwrap();
        assert!((d["difference"].as_f64().unwrap() - (ability("first") - ability("second"))).abs() < 1e-9);
        assert!(d["p_holm"].as_f64() >= d["p_value"].as_f64());
    }
    assert!(scale["order_effect"]["p_value"].is_f64());
    let html = desk.run(&["report", "s", "--out", "r.html"]).ends(0);
    assert!(html.out.contains("r.html"));
    let page = std::fs::read_to_string(desk.join("r.html")).unwrap();
    assert!(page.contains("preference on a scale") && page.contains("What sounded"), "the scale is in the report");
}

/// Rates every trial of a graded test through the player's own line form: `rate` gives the number for what sounded, by the records.
fn graded(setups: &[&str], trials: u32, rate: impl Fn(&str, bool) -> u8) -> serde_json::Value {
    use cabjury::model::ids::ListenerCode;
    use cabjury::model::outside::SystemClock;
    use cabjury::model::trial::Answer;
    use cabjury::store::random;
    use cabjury::testing::trials::Trials;
    let desk = Desk::new();
    matched(&desk, setups);
    let count = trials.to_string();
    desk.run(&["plan", "s", "--compare", &setups.join(","), "--method", "graded", "--trials", &count]).ends(0);
    {
        let mut service = Trials::open(&desk.join("s"), &SystemClock).unwrap();
        let (plan, me) = (service.choose(None).unwrap(), ListenerCode::new("me").unwrap());
        service.enter(&plan, &me, false).unwrap();
        let mut words = cabjury::trial::Generator::from_seed(random::seed().unwrap());
        for _ in 0..trials {
            let open = service.next_with(&plan, &me, "test", &mut words).unwrap();
            let rated: Vec<String> = open
                .choices
                .iter()
                .map(|label| {
                    let (clip, anchor) = service.for_the_player(&open.id, label).unwrap();
                    let setup = plan.clips.iter().find(|c| c.clip == clip).unwrap().setup.to_string();
                    format!("{label}={}", rate(&setup, anchor))
                })
                .collect();
            let answer = Answer { choice: rated.join(","), confidence: None, remark: None };
            open.labels.iter().for_each(|label| service.fetched(&open.id, label));
            service.pick(&plan, &open.id, &answer, Vec::new()).unwrap();
        }
    }
    let doc = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    desk.run(&["report", "s", "--out", "page.html"]).ends(0);
    let page = std::fs::read_to_string(desk.join("page.html")).unwrap();
    assert!(page.contains("the hidden reference") && page.contains("the dulled anchor"), "the page does not show the ratings");
    doc["tests"][0].clone()
}

#[test]
fn ratings_of_three_setups_are_told_apart_or_not() {
    let apart = graded(&["one", "two", "three"], 5, |setup, anchor| match (anchor, setup) {
        (true, _) => 10,
        (false, "one") => 100,
        (false, "two") => 70,
        (false, _) => 40,
    });
    assert_eq!(apart["verdict"], "rated-apart");
    // Five trials that all agree: 3! orders a row, of which the agreed one and its five like ones of all 6^5 (exact permutation by hand).
    let by_hand = 6.0 / 6f64.powi(5);
    assert!((apart["p_value"].as_f64().unwrap() - by_hand).abs() < 1e-12, "{apart:#}");
    let sentence = apart["sentence"].as_str().unwrap();
    assert!(sentence.contains("one (the hidden reference) 100 of 100") && sentence.contains("Friedman"), "{sentence}");
    let medians: Vec<f64> = apart["ratings"].as_array().unwrap().iter().map(|r| r["median"].as_f64().unwrap()).collect();
    assert_eq!(medians, [100.0, 70.0, 40.0, 10.0]);
    let alike = graded(&["one", "two", "three"], 5, |_, anchor| if anchor { 95 } else { 80 });
    assert_eq!(alike["verdict"], "not-rated-apart");
    assert_eq!(alike["p_value"], 1.0);
    let flags = alike["listeners"][0]["flags"].to_string();
    assert!(flags.contains("hidden reference below 90") && flags.contains("anchor above 90"), "{flags}");
}

#[test]
fn ratings_of_two_setups_go_by_signed_ranks() {
    let found = graded(&["one", "two"], 6, |setup, anchor| {
        if anchor {
            5
        } else if setup == "one" {
            90
        } else {
            60
        }
    });
    assert_eq!(found["verdict"], "rated-apart");
    // Six differences of one sign: 2 / 2^6.
    assert!((found["p_value"].as_f64().unwrap() - 2.0 / 64.0).abs() < 1e-12);
    let few = graded(&["one", "two"], 5, |setup, anchor| {
        if anchor {
            5
        } else if setup == "one" {
            90
        } else {
            60
        }
    });
    assert_eq!(few["verdict"], "not-rated-apart", "five trials can never reach 0.05 two-sided");
}

/// Ratings drawn evenly, and the largest to the hidden reference where a trial is truly heard: guessing is found no oftener than the level,
/// half of twelve trials heard is found often; what is kept is scored like anybody's ratings.
#[test]
fn a_graded_plan_is_rehearsed() {
    for setups in [&["one", "two"][..], &["one", "two", "three"]] {
        let desk = Desk::new();
        matched(&desk, setups);
        desk.run(&["plan", "s", "--compare", &setups.join(","), "--method", "graded", "--trials", "12", "--simulated"]).ends(0);
        let found = |hears: &str, runs: &str| {
            let doc = desk.run(&["rehearse", "s", "--hears", hears, "--runs", runs, "--seed", "4", "--json"]).ends(0).json();
            assert!(doc["p_correct"].is_null());
            let count = |kind: &str| doc["verdicts"][kind].as_f64().unwrap();
            assert_eq!(count("rated-apart") + count("not-rated-apart"), doc["runs"].as_f64().unwrap());
            let share = count("rated-apart") / doc["runs"].as_f64().unwrap();
            assert_eq!((doc["found_share"].as_f64(), doc["heard_share"].as_f64()), (Some(share), Some(0.0)));
            share
        };
        // 4.5 standard deviations of 2000 runs at the level are 0.022; a test that never finds anything could not fail.
        let (guessed, half) = (found("0", "2000"), found("0.5", "300"));
        assert!(guessed <= 0.05 + 0.022 && guessed > 0.01, "{setups:?}: {guessed}");
        assert!(half > guessed + 0.1 && found("1", "100") > 0.97, "{setups:?}: {half}");
        let refused = desk.run(&["rehearse", "s", "--hears", "0", "--leans", "0.5"]).ends(2);
        assert!(refused.err.contains("no choices to lean to"), "{}", refused.err);
        desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
        let test = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
        assert_eq!((test["verdict"].as_str(), test["simulated_only"].as_bool()), (Some("rated-apart"), Some(true)));
        let ratings = test["ratings"].as_array().unwrap();
        let median = |r: &serde_json::Value| r["median"].as_f64().unwrap();
        let (reference, anchor) = (&ratings[0], ratings.last().unwrap());
        assert!(reference["hidden_reference"] == true && anchor["setup"].is_null());
        assert!(ratings.iter().all(|r| median(r) <= median(reference) && median(r) >= median(anchor)), "{ratings:?}");
        assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    }
}

/// W+ of rows of text: ranks counted one against all, each zero left out (Wilcoxon 1945, by its definition and not by sorting).
fn w_plus(differences: &[f64]) -> f64 {
    let kept: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    let rank = |d: f64| {
        let below = kept.iter().filter(|o| o.abs() < d.abs()).count();
        let equal = kept.iter().filter(|o| o.abs() == d.abs()).count();
        below as f64 + (equal as f64 + 1.0) / 2.0
    };
    kept.iter().filter(|d| **d > 0.0).map(|d| rank(*d)).sum()
}

/// Of each listener the median of first setup's rating minus the second's, from the rows that a sceptic gets: slots
/// `R=one:c001 1=two:c004 2=one:c002:anchor 3=one:c003` and the pick `1=40,2=10,3=90`.
fn rating_differences(path: &std::path::Path) -> Vec<f64> {
    let mut of_listeners: std::collections::BTreeMap<String, Vec<f64>> = std::collections::BTreeMap::new();
    for row in csv::Reader::from_path(path).unwrap().records().map(Result::unwrap) {
        let (listener, pick, slots) = (&row[1], &row[7], &row[17]);
        let given =
            |label: &str| pick.split(',').find_map(|g| g.strip_prefix(label)?.strip_prefix('=')?.parse::<f64>().ok()).unwrap();
        let of = |setup: &str| {
            let slot =
                slots.split(' ').find(|s| !s.starts_with("R=") && !s.ends_with(":anchor") && s.contains(&format!("={setup}:")));
            given(slot.unwrap().split('=').next().unwrap())
        };
        of_listeners.entry(listener.to_owned()).or_default().push(of("one") - of("two"));
    }
    let median = |values: &mut Vec<f64>| {
        assert_eq!(values.len(), 14);
        values.sort_by(f64::total_cmp);
        f64::midpoint(values[6], values[7])
    };
    of_listeners.values_mut().map(median).collect()
}

/// Two listeners of a test without a right answer: nothing in the score or on the page speaks of right picks, and what is written out for
/// recomputing is what the trials say.
#[test]
fn a_page_of_a_test_without_a_right_answer_says_nothing_of_right() {
    let played = |setups: &[&str], method: &str, trials: &str| {
        let desk = Desk::new();
        matched(&desk, setups);
        let names = setups.join(",");
        let length = if trials == "open" { vec!["--open-ended"] } else { vec!["--trials", trials] };
        desk.run(
            &[&["plan", "s", "--compare", &names, "--method", method, "--listeners", "2", "--simulated"], &length[..]].concat(),
        )
        .ends(0);
        for (code, seed) in [("ann", "1"), ("bob", "2")] {
            desk.run(&["rehearse", "s", "--hears", "0.6", "--runs", "1", "--seed", seed, "--keep", code]).ends(0);
        }
        if trials == "open" {
            desk.run(&["close", "s", "--test", "test-1"]).ends(0);
        }
        desk.run(&["report", "s", "--out", "page.html"]).ends(0);
        let page = std::fs::read_to_string(desk.join("page.html")).unwrap();
        let said = desk.run(&["score", "s", "--csv", "trials.csv"]).ends(0).out;
        assert!(!said.contains("right") && !page.contains("filled: above chance") && !page.contains(">right<"), "{said}");
        let score = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
        (desk, page, said, score)
    };
    let (desk, page, said, score) = played(&["one", "two"], "graded", "14");
    assert!(said.contains("ann: 14 trials, one ") && page.contains("the hidden reference, which should be rated high"), "{said}");
    assert!(!page.contains("listener by listener"), "no share stands for a listener who rates");
    // Each listener is one opinion.
    let differences = rating_differences(&desk.join("trials.csv"));
    assert_eq!(differences.len(), 2);
    let wanted = w_plus(&differences);
    assert_eq!(score["ranks"]["w_plus"], wanted);
    assert_eq!((score["ranks"]["test"].as_str(), &score["ranks"]["p_value"]), (Some("signed-ranks"), &score["p_value"]));
    let nonzero = differences.iter().filter(|d| **d != 0.0).count();
    assert!(page.contains(&format!("W+ = {wanted} of {}, n = {nonzero}", nonzero * (nonzero + 1) / 2)));

    let (_, page, _, score) = played(&["one", "two", "three"], "graded", "8");
    let sums: Vec<f64> = score["ranks"]["rank_sums"].as_array().unwrap().iter().map(|s| s.as_f64().unwrap()).collect();
    assert!((sums.iter().sum::<f64>() - 2.0 * 6.0).abs() < 1e-9, "two listeners' rows of 1 + 2 + 3: {sums:?}");
    assert!(page.contains(&format!("rank sums: one {}, two {}, three {}", sums[0], sums[1], sums[2])));

    let (_, page, said, score) = played(&["one", "two"], "preference", "16");
    let of_ann = score["listeners"][0]["correct"].as_u64().unwrap();
    assert!(said.contains(&format!("ann: one preferred in {of_ann} of 16")), "{said}");
    assert!(page.contains("share that preferred one") && page.contains("away from one half alone"));

    // Two listeners, no end: each is judged alone, and no curve over their picks together is drawn.
    let (_, page, _, score) = played(&["one", "two"], "preference", "open");
    let worst = score["listeners"].as_array().unwrap().iter().map(|l| l["p_value"].as_f64().unwrap()).fold(0.0, f64::max);
    assert_eq!(score["anytime_p"].as_f64().unwrap(), worst);
    assert!(!page.contains("evidence over the trials"));

    let (_, page, said, score) = played(&["one", "two", "three"], "preference", "24");
    assert!(said.contains("ann: 24 picks, p = "), "{said}");
    assert!(!page.contains("listener by listener") && score["heterogeneity"].is_null());
    assert!(page.contains("patterns of signs whose sum is as far from 0"), "the listeners are the units of the sum by hand");
}
