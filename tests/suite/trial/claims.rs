//! How often a positive claim comes out when nobody hears anything, by the very code of real trials. Short forms here; 200 000 runs each by
//! `tests/long claims`. What is checked against: the exact size of the binomial test, which other tests check against published tables.

use super::draws::plan;
use cabjury::foresight::rehearse::{Ears, evenings};
use cabjury::model::ids::{ListenerCode, TrialId};
use cabjury::model::outside::Unwatched;
use cabjury::model::random::RandomWords;
use cabjury::model::trial::{Answer, Controls, FamilyPlace, Method, Plan, SealedTest, TrialCount, TrialRecord, TrialState};
use cabjury::stats::binomial::{critical, critical_two_sided, lower_tail, upper_tail};
use cabjury::trial::{Generator, Progressed, draw_trial, seal};
use cabjury::verdict::judge::{Judgeable, judge};
use cabjury::verdict::trial_counts::Gathered;

fn runs(short: u64) -> u64 {
    std::env::var("CABJURY_RUNS").ok().and_then(|r| r.parse().ok()).unwrap_or(short)
}

/// Share of runs with a positive claim.
fn positive(plan: &Plan, runs: u64, seed: u64) -> f64 {
    let verdicts = evenings(plan, &Ears::plain(0.0), runs, seed, &Unwatched).unwrap().verdicts;
    let claims: u64 = ["heard", "heard-small", "preferred", "rated-apart"].iter().filter_map(|k| verdicts.get(k)).sum();
    claims as f64 / runs as f64
}

fn deviation(share: f64, runs: u64) -> f64 {
    (share * (1.0 - share) / runs as f64).sqrt()
}

/// Exact size of the sealed test.
fn size(method: Method, n: u64) -> f64 {
    if method == Method::Preference {
        let c = critical_two_sided(n, 0.05).unwrap();
        return upper_tail(c, n, 0.5) + lower_tail(n - c, n, 0.5);
    }
    let (a, b) = method.chance().unwrap();
    let g = f64::from(a) / f64::from(b);
    upper_tail(critical(n, g, 0.05).unwrap(), n, g)
}

#[test]
fn guessing_listeners_get_a_claim_as_often_as_the_exact_size_says() {
    let runs = runs(20_000);
    for (k, method) in
        [Method::Abx, Method::DuoTrio, Method::Triangle, Method::Attribute, Method::Preference].into_iter().enumerate()
    {
        let sealed = plan(method, &["s16", "p4"], 4, Controls::default());
        let (share, exact) = (positive(&sealed, runs, 11 + k as u64), size(method, 16));
        // 4.5 standard deviations: once in 150 000 for each of these lines.
        assert!((share - exact).abs() < 4.5 * deviation(exact, runs), "{method}: {share} against {exact}");
        assert!(share - 3.09 * deviation(share, runs) <= 0.05, "{method}: {share}");
        let gated = plan(method, &["s16", "p4"], 4, Controls { same_file: 8, repeat: 6, known: 0 });
        let share = positive(&gated, runs, 31 + k as u64);
        assert!(
            share <= exact + 4.5 * deviation(exact, runs) && share > 0.3 * exact,
            "{method} with controls: {share} against {exact}"
        );
    }
}

/// Sign patterns of 16 ranks whose positive ranks sum to 29 or less, of 2^16; twice that is the size of signed ranks at 0.05 (Wilcoxon's
/// table has 29 for n = 16, from memory), where no two differences are alike. Ratings are whole numbers: some are, and what is left is near.
#[test]
fn ratings_at_random_are_told_apart_no_oftener_than_the_level() {
    let mut ways = vec![1u64];
    for rank in 1..=16usize {
        let mut next = vec![0; ways.len() + rank];
        for (sum, n) in ways.iter().enumerate() {
            next[sum] += n;
            next[sum + rank] += n;
        }
        ways = next;
    }
    let size = |last: usize| 2.0 * ways[..=last].iter().sum::<u64>() as f64 / 65_536.0;
    assert!(size(29) <= 0.05 && size(30) > 0.05);
    let runs = runs(20_000);
    let share = positive(&plan(Method::Graded, &["s16", "p4"], 4, Controls::default()), runs, 41);
    assert!(share - 3.09 * deviation(share, runs) <= 0.05, "{share}");
    assert!((share - size(29)).abs() < 4.5 * deviation(0.05, runs) + 0.002, "{share} against {}", size(29));
    // Friedman over three setups, sixteen rows: every order counted.
    let runs = runs.min(2_000);
    let share = positive(&plan(Method::Graded, &["s16", "p4", "sp8"], 4, Controls::default()), runs, 42);
    assert!(share - 3.09 * deviation(share, runs) <= 0.05 && share > 0.02, "{share}");
}

#[test]
fn stopping_at_will_keeps_the_level() {
    let mut open = plan(Method::Abx, &["s16", "p4"], 4, Controls::default());
    open.trials = TrialCount::OpenEnded;
    let share = positive(&open, runs(5_000), 5);
    assert!(share <= 0.05 && share > 0.002, "{share}");
}

#[test]
fn a_peek_after_every_trial_would_not() {
    // The same listeners, the fixed test looked at after every trial (definition, computed: 0.0876 for 16 trials): why a score is shown to nobody.
    let (mut random, runs, mut peeked) = (Generator::simulated(3), 20_000, 0);
    for _ in 0..runs {
        let mut right = 0;
        let hit = (1..=16u64).any(|n| {
            right += random.below(2);
            critical(n, 0.5, 0.05).is_some_and(|c| right >= c)
        });
        peeked += u64::from(hit);
    }
    let share = peeked as f64 / runs as f64;
    assert!((share - 0.087_554_931_640_625).abs() < 4.5 * deviation(0.0876, runs), "{share}");
}

/// One listener's finished test, drawn and answered by guessing.
fn guessed(plan: &Plan, random: &mut Generator) -> Vec<TrialRecord> {
    let mut out = Vec::new();
    let now = jiff::Timestamp::UNIX_EPOCH;
    for number in 1..=16 {
        let done = Progressed { scored: number - 1, ..Progressed::default() };
        let hidden = draw_trial(plan, done, random).unwrap();
        let commitment = hidden.commitment();
        let choice = hidden.choices()[random.below(hidden.choices().len() as u64) as usize].clone();
        let answer = Answer { choice, confidence: None, remark: None };
        let opened = hidden.open(&answer);
        out.push(TrialRecord {
            id: TrialId::new(&format!("{}x{number}", plan.test.as_str().replace('-', ""))).unwrap(),
            test: plan.test.clone(),
            listener: ListenerCode::new("me").unwrap(),
            number,
            commitment,
            opened_at: now,
            played: String::new(),
            practice: false,
            state: TrialState::Answered {
                answer,
                order: opened.order,
                nonce: opened.nonce,
                right: opened.right,
                at: now,
                heard: Vec::new(),
            },
        });
    }
    out
}

/// A test of two setups that is over.
fn closed(method: Method, name: &str) -> SealedTest {
    let mut plan = plan(method, &["s16", "p4"], 4, Controls::default());
    plan.test = cabjury::model::ids::TestId::new(name).unwrap();
    let canonical = seal::canonical(&plan);
    let now = jiff::Timestamp::UNIX_EPOCH;
    SealedTest { seal: seal::seal(&canonical), canonical, plan, sealed_at: now, closed_at: Some(now) }
}

/// Right answers first and wrong ones last: that is said of a listener who can be right, and not of one who is asked for a taste.
#[test]
fn a_taste_that_changes_is_no_ear_that_tires() {
    let mut random = Generator::simulated(29);
    for (method, said) in [(Method::Abx, true), (Method::Preference, false)] {
        let test = closed(method, "test-1");
        let mut trials = guessed(&test.plan, &mut random);
        let hit = |trial: &TrialRecord| {
            let TrialState::Answered { answer, order, right, .. } = &trial.state else { return false };
            right.unwrap_or_else(|| {
                let picked = order.slots.iter().find(|s| s.label == answer.choice).unwrap();
                test.plan.clips.iter().any(|c| c.clip == picked.clip && c.setup == test.plan.setups[0])
            })
        };
        trials.sort_by_key(|t| !hit(t));
        let hits = trials.iter().filter(|t| hit(t)).count();
        assert!((4..=12).contains(&hits), "{hits} of 16 would show nothing");
        let trials = Gathered::of(&test.plan, &[], &trials);
        let flags = judge(&Judgeable::sound(&test, trials)).listeners[0].flags.join("; ");
        assert_eq!(flags.contains("became worse") && flags.contains("clumps"), said, "{method}: {flags}");
        assert_eq!(flags.contains("became") || flags.contains("clumps"), said, "{method}: {flags}");
    }
}

/// Two tests of one family, each at half the level: the share of evenings with any claim stays below the level.
#[test]
fn two_tests_of_one_family_share_the_level() {
    let sims = runs(3_000).min(20_000);
    let mut random = Generator::simulated(17);
    let mut tests = [closed(Method::Abx, "test-1"), closed(Method::Abx, "test-2")];
    for (number, test) in (1..).zip(&mut tests) {
        test.plan.family = Some(FamilyPlace { planned: 2, number: Some(number), level: 0.025 });
    }
    let (mut corrected, mut naive) = (0, 0);
    for _ in 0..sims {
        let results: Vec<_> = tests
            .iter()
            .map(|t| judge(&Judgeable::sound(t, Gathered::of(&t.plan, &[], &guessed(&t.plan, &mut random)))))
            .collect();
        corrected += u64::from(results.iter().any(|r| r.verdict.name().starts_with("heard")));
        naive += u64::from(results.iter().any(|r| r.count.p_value.unwrap() <= 0.05));
        for r in &results {
            assert!((r.p_family.unwrap() - (2.0 * r.count.p_value.unwrap()).min(1.0)).abs() < 1e-12);
        }
    }
    let (corrected, naive) = (corrected as f64 / sims as f64, naive as f64 / sims as f64);
    // Without a family: 1 - (1 - 0.0384)^2 = 0.0753. With it: some p at most 0.025, of which the exact size is 0.0106: 0.0211.
    assert!((naive - 0.0753).abs() < 4.5 * deviation(0.0753, sims), "{naive}");
    assert!((corrected - 0.0211).abs() < 4.5 * deviation(0.0211, sims), "{corrected}");
}

/// Setups that do not differ, takes that do: a listener who picks the nearest match. The share of evenings in which they are said to hear
/// something in these recordings falls with the number of takes; the paired design never speaks of the setups.
#[test]
fn takes_that_differ_pose_as_wiring_until_there_are_enough_of_them() {
    let evenings = runs(2_000).min(20_000);
    let mut random = Generator::simulated(23);
    let mut shares = Vec::new();
    for takes in [1usize, 2, 3, 4, 8] {
        let plan = plan(Method::Abx, &["s16", "p4"], takes, Controls::default());
        let mut heard = 0;
        for _ in 0..evenings {
            let sound: std::collections::BTreeMap<_, _> = plan.clips.iter().map(|c| (c.clip.clone(), random.unit())).collect();
            let right = (0..16)
                .filter(|n| {
                    let hidden = draw_trial(&plan, Progressed { scored: *n, ..Progressed::default() }, &mut random).unwrap();
                    let of = |label: &str| sound[hidden.for_the_player(label).unwrap().0];
                    let choice = if (of("X") - of("A")).abs() <= (of("X") - of("B")).abs() { "A" } else { "B" };
                    let answer = Answer { choice: choice.to_owned(), confidence: None, remark: None };
                    hidden.open(&answer).right == Some(true)
                })
                .count() as u64;
            heard += u64::from(right >= 12);
        }
        shares.push(heard as f64 / evenings as f64);
    }
    println!("false \"heard\" with 1, 2, 3, 4, 8 takes: {shares:?}");
    assert!(shares[0] > 0.999, "one take: the very file is recognised: {shares:?}");
    assert!(shares.windows(2).all(|w| w[1] < w[0]), "{shares:?}");
}

/// Unequal listeners of a rehearsal scatter as the chance-corrected beta-binomial says (its values are checked against mpmath elsewhere), a
/// slip is a guess, and who leans stays at the exact size. What is counted is how often a single listener of 16 trials reaches 12.
#[test]
fn rehearsed_ears_are_as_they_were_ordered() {
    use crate::stats::cases::pmf_above_chance;
    let runs = runs(20_000);
    let sealed = plan(Method::Abx, &["s16", "p4"], 4, Controls::default());
    let found = |ears: &Ears, seed: u64| {
        let verdicts = evenings(&sealed, ears, runs, seed, &Unwatched).unwrap().verdicts;
        (verdicts["heard"] + verdicts["heard-small"]) as f64 / runs as f64
    };
    let (mean, rho) = (0.4, 1.0 / 3.0);
    let (a, b) = (mean * 2.0, (1.0 - mean) * 2.0);
    let unequal: f64 = (12..=16).map(|x| pmf_above_chance(x, 16, 0.5, a, b)).sum();
    let slipping = upper_tail(12, 16, 0.5 + 0.5 * 0.5 * 0.8);
    let leaning = upper_tail(12, 16, 0.5);
    for (seed, what, ears, wanted) in [
        (71, "unequal", Ears { unequal: rho, ..Ears::plain(mean) }, unequal),
        (72, "slips", Ears { slips: 0.2, ..Ears::plain(0.5) }, slipping),
        (73, "leans", Ears { leans: Some(0.9), ..Ears::plain(0.0) }, leaning),
        (74, "all or nothing", Ears { unequal: 1.0, ..Ears::plain(0.3) }, 0.3 + 0.7 * leaning),
    ] {
        let share = found(&ears, seed);
        assert!((share - wanted).abs() < 4.5 * deviation(wanted, runs), "{what}: {share}, {wanted}");
    }
}
