//! Invariants and false-claim rates of the tests behind the words: takes, listeners, missing answers, preference. Short forms here; more by
//! `tests/long claims` (CABJURY_RUNS). What is checked against: the level itself, brute force, and figures that scipy computed (named there).

use cabjury::model::random::RandomWords;
use cabjury::model::trial::Design;
use cabjury::model::verdict::{Subject, VerdictKind};
use cabjury::stats::binomial::upper_tail;
use cabjury::stats::judge::{About, Gates, Preferring, RightOrWrong, rated};
use cabjury::stats::listeners::{How, heard_some, small_for_all, unequal};
use cabjury::stats::missing::{Answers, d_prime, worst};
use cabjury::stats::takes::splits::{Named, count};
use cabjury::stats::takes::{Crossed, Heard, Rule};
use cabjury::stats::taste::{Ahead, Picks, Scope, least_p_listeners, pairs, sign_patterns, taste};
use cabjury::stats::{bayes, confidence, graded, population, repeat_floor, special};
use cabjury::trial::Generator;
use proptest::prelude::*;

const RULES: [Rule; 4] = [Rule::Match, Rule::Odd, Rule::Prefer, Rule::More];

fn runs(short: u64) -> u64 {
    std::env::var("CABJURY_RUNS").ok().and_then(|r| r.parse().ok()).unwrap_or(short)
}

/// A share of claims that is no larger than the level, three standard errors granted.
#[track_caller]
fn holds(what: &str, claims: u64, runs: u64, level: f64) {
    let share = claims as f64 / runs as f64;
    let error = (level * (1.0 - level) / runs as f64).sqrt();
    assert!(share <= level + 3.0 * error, "{what}: {share} of {runs}, level {level}");
}

fn normal(random: &mut Generator) -> f64 {
    special::quantile(random.unit().clamp(1e-12, 1.0 - 1e-12))
}

/// Distinct takes in a drawn order.
fn distinct(n: usize, count: usize, random: &mut Generator) -> Vec<usize> {
    let mut all: Vec<usize> = (0..n).collect();
    for i in 0..count {
        let j = i + random.below((n - i) as u64) as usize;
        all.swap(i, j);
    }
    all.truncate(count);
    all
}

/// A listener who goes by the sound of the takes alone, each heard with a noise of its own.
fn picked(rule: Rule, takes: &[usize], sound: &[f64], noise: f64, random: &mut Generator) -> u8 {
    let at: Vec<f64> = takes.iter().map(|t| sound[*t] + if noise > 0.0 { noise * normal(random) } else { 0.0 }).collect();
    let far = |i: usize, j: usize| (at[i] - at[j]).abs();
    match rule {
        Rule::Match => u8::from(far(0, 2) > far(1, 2)),
        Rule::Odd => [(far(1, 2), 0), (far(0, 2), 1), (far(0, 1), 2)].into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap().1,
        Rule::Prefer | Rule::More => u8::from(at[1] > at[0]),
    }
}

/// An evening: rewirings of some takes each, of which the labels are drawn last.
struct Evening {
    rule: Rule,
    /// Rewirings of the two setups.
    units: (usize, usize),
    /// Takes of each rewiring.
    per_unit: usize,
    /// Standard deviation of a rewiring, and of a take within it.
    spread: (f64, f64),
    /// Curved drift over the evening.
    drift: f64,
    noise: f64,
    trials: usize,
}

impl Evening {
    fn plain(rule: Rule, takes: usize) -> Self {
        Self { rule, units: (takes, takes), per_unit: 1, spread: (1.0, 0.0), drift: 0.0, noise: 0.0, trials: 28 }
    }

    fn answers(&self, random: &mut Generator) -> (Crossed, Vec<Heard>) {
        let units = self.units.0 + self.units.1;
        // The order of capture is drawn uniformly: which of the places in time belong to the first setup.
        let mut first = vec![false; units];
        distinct(units, self.units.0, random).into_iter().for_each(|u| first[u] = true);
        let mut sound = Vec::new();
        for u in 0..units {
            let rewired = self.spread.0 * normal(random) + self.drift * (u as f64 / units as f64).powi(2);
            sound.extend((0..self.per_unit).map(|_| rewired + self.spread.1 * normal(random)));
        }
        let heard = (0..self.trials)
            .map(|_| {
                let takes = distinct(sound.len(), self.rule.samples(), random);
                let pick = picked(self.rule, &takes, &sound, self.noise, random);
                let unit = |k: usize| (takes[k.min(takes.len() - 1)] / self.per_unit) as u16;
                Heard { units: [unit(0), unit(1), unit(2)], pick }
            })
            .collect();
        (Crossed { rule: self.rule, first }, heard)
    }

    /// Claims about the setups, and evenings in which the answers alone are significant.
    fn claims(&self, runs: u64, random: &mut Generator) -> (u64, u64) {
        let (mut setups, mut answers) = (0, 0);
        for _ in 0..runs {
            let (crossed, heard) = self.answers(random);
            let t = crossed.test(&heard, random);
            let p = match self.rule {
                Rule::Prefer => Picks { first: t.right, second: t.scored - t.right, unanswered: 0 }.p_value(),
                _ => upper_tail(t.right, t.scored, self.rule.chance()),
            };
            answers += u64::from(p <= 0.05);
            setups += u64::from(t.p <= 0.05);
        }
        (setups, answers)
    }
}

#[test]
fn takes_alone_are_no_claim_about_the_setups() {
    let (runs, mut random) = (runs(600), Generator::simulated(101));
    for rule in RULES {
        for takes in [4, 5, 6] {
            for (noise, trials) in [(0.0, 28), (0.0, 160), (1.0, 28)] {
                let evening = Evening { noise, trials, ..Evening::plain(rule, takes) };
                let (setups, answers) = evening.claims(runs, &mut random);
                // The takes test alone keeps the level: it does not lean on the other.
                holds(&format!("{rule:?}, {takes} takes, noise {noise}, {trials} trials"), setups, runs, 0.05);
                if noise == 0.0 && trials == 160 {
                    // The answers alone do not: this is what the test is for.
                    assert!(answers as f64 > 0.1 * runs as f64, "{rule:?}: {answers} of {runs}");
                }
            }
        }
    }
}

#[test]
fn rewirings_unequal_counts_and_drift_are_no_claim_either() {
    let (runs, mut random) = (runs(800), Generator::simulated(102));
    for rule in RULES {
        let plain = Evening::plain(rule, 4);
        let evenings = [
            ("unequal", Evening { units: (3, 5), ..Evening::plain(rule, 4) }),
            ("two takes of each rewiring", Evening { per_unit: 2, spread: (1.0, 0.3), trials: 160, ..Evening::plain(rule, 4) }),
            ("drift", Evening { drift: 4.0, noise: 0.3, trials: 96, ..plain }),
        ];
        for (what, evening) in evenings {
            holds(&format!("{rule:?}, {what}"), evening.claims(runs, &mut random).0, runs, 0.05);
        }
    }
    // Splitting takes where rewirings differ would claim: the unit matters.
    let mut wrong = 0;
    let evening = Evening { per_unit: 4, units: (2, 2), spread: (1.0, 0.1), trials: 96, ..Evening::plain(Rule::Match, 4) };
    let runs = runs.min(2_000);
    for _ in 0..runs {
        let (mut crossed, mut heard) = evening.answers(&mut random);
        // Trial by trial the takes are told apart again, as if each were a rewiring of its own.
        let first: Vec<bool> = crossed.first.iter().flat_map(|f| [*f; 4]).collect();
        heard.iter_mut().for_each(|h| h.units = h.units.map(|u| u * 4 + random.below(4) as u16));
        crossed.first = first;
        wrong += u64::from(crossed.test(&heard, &mut random).p <= 0.05);
    }
    assert!(wrong as f64 > 0.15 * runs as f64, "{wrong} of {runs}");
}

/// Labels dealt at random over any answers: p is at most a in at most a share a of the deals, for every a.
#[test]
fn labels_at_random_give_every_p_its_share() {
    let mut random = Generator::simulated(103);
    for rule in RULES {
        let (mut crossed, heard) = Evening { noise: 0.5, ..Evening::plain(rule, 4) }.answers(&mut random);
        let deals = runs(1_500);
        let mut all = Vec::new();
        let mut largest = Vec::new();
        let listeners: Vec<Vec<Heard>> = heard.chunks(10).map(<[Heard]>::to_vec).collect();
        for _ in 0..deals {
            crossed.first = vec![false; 8];
            distinct(8, 4, &mut random).into_iter().for_each(|u| crossed.first[u] = true);
            all.push(crossed.test(&heard, &mut random).p);
            let p = crossed.largest(&listeners, &mut random);
            largest.push(p.into_iter().fold(1.0, f64::min));
        }
        for level in [0.03, 0.05, 0.1, 0.2, 0.5] {
            let within = |ps: &[f64]| ps.iter().filter(|p| **p <= level).count() as u64;
            holds(&format!("{rule:?} pooled"), within(&all), deals, level);
            holds(&format!("{rule:?} smallest of the listeners"), within(&largest), deals, level);
        }
    }
}

#[test]
fn more_splits_than_can_be_listed_are_drawn() {
    let mut random = Generator::simulated(104);
    assert_eq!(count(9, 9, Named::No), 24_310.0);
    let evening = Evening::plain(Rule::Match, 9);
    let (crossed, heard) = evening.answers(&mut random);
    let found = crossed.test(&heard, &mut Generator::simulated(1));
    assert!(!found.every_split && found.splits == 20_000 && found.at_least_as_far >= 1);
    assert_eq!(found, crossed.test(&heard, &mut Generator::simulated(1)), "the same seed draws the same");
    // Beside every one of the 24310 splits: the drawn share is within 4.5 standard errors.
    let mut far = 0;
    for bits in (0u32..1 << 18).filter(|b| b.count_ones() == 9 && b & 1 == 1) {
        let other = Crossed { rule: Rule::Match, first: (0..18).map(|u| bits >> u & 1 == 1).collect() };
        let (mut m, mut r) = (0, 0);
        for h in &heard {
            let sides = h.units.map(|u| other.first[usize::from(u)]);
            if let Some(right) = Rule::Match.score(sides, usize::from(h.pick)) {
                (m, r) = (m + 1, r + u64::from(right));
            }
        }
        far += u64::from(Rule::Match.z(m, r) >= found.z - 1e-9);
    }
    let exact = far as f64 / 24_310.0;
    assert!((found.p - exact).abs() < 4.5 * (exact * (1.0 - exact) / 20_000.0).sqrt() + 1e-4, "{} {exact}", found.p);
}

proptest! {
    /// Both quadratic forms against scoring trial by trial, for any answers and any sides, units met twice in a trial included.
    #[test]
    fn forms_count_as_trials_do(
        rule in prop::sample::select(RULES.to_vec()),
        first in prop::collection::vec(any::<bool>(), 2..9),
        raw in prop::collection::vec((0u16..99, 0u16..99, 0u16..99, 0u8..3), 0..60),
    ) {
        let n = first.len() as u16;
        let samples = rule.samples() as u8;
        let choices = if rule == Rule::Odd { 3 } else { 2.min(samples) };
        let heard: Vec<Heard> =
            raw.iter().map(|(a, b, x, p)| Heard { units: [a % n, b % n, x % n], pick: p % choices }).collect();
        let (mut m, mut r) = (0, 0);
        for h in &heard {
            if let Some(right) = rule.score(h.units.map(|u| first[usize::from(u)]), usize::from(h.pick)) {
                (m, r) = (m + 1, r + u64::from(right));
            }
        }
        let crossed = Crossed { rule, first };
        let found = crossed.test(&heard, &mut Generator::simulated(1));
        prop_assert_eq!((found.scored, found.right), (m, r));
        prop_assert!(found.at_least_as_far >= 1 && found.p <= 1.0);
        // Groups without names may be exchanged; an attribute's may not.
        let other = Crossed { rule, first: crossed.first.iter().map(|f| !f).collect() };
        let exchanged = other.test(&heard, &mut Generator::simulated(1));
        if rule != Rule::More {
            prop_assert!((found.p - exchanged.p).abs() < 1e-12 && (found.z - exchanged.z).abs() < 1e-12);
        } else {
            prop_assert!((found.z + exchanged.z).abs() < 1e-12);
        }
    }

    #[test]
    fn exchanged_setups_mirror_a_taste(raw in prop::collection::vec((0u64..12, 0u64..12, 0u64..3), 1..8)) {
        let of = |turned: bool| -> Vec<Picks> {
            raw.iter().map(|(a, b, u)| if turned { Picks { first: *b, second: *a, unanswered: *u } } else { Picks { first: *a, second: *b, unanswered: *u } }).collect()
        };
        let (one, other) = (taste(&of(false), 0.05, 0.3, &mut Generator::simulated(1)), taste(&of(true), 0.05, 0.3, &mut Generator::simulated(1)));
        prop_assert!((one.p_value - other.p_value).abs() < 1e-12);
        prop_assert_eq!((one.scope, one.divided, one.bounded.bounded), (other.scope, other.divided, other.bounded.bounded));
    }

    #[test]
    fn a_missing_answer_helps_nobody(right in 0u64..40, wrong in 0u64..40, unanswered in 0u64..20) {
        let a = Answers { right, wrong, unanswered };
        let (hurt, full) = (worst(a, 0.5, 0.3), worst(Answers { unanswered: 0, ..a }, 0.5, 0.3));
        prop_assert!(hurt.p_value >= full.p_value - 1e-12 && hurt.p_reversed >= full.p_reversed - 1e-12);
        // Whatever the missing ones would have been, no p is smaller and no interval reaches farther.
        for more in 0..=unanswered {
            let known = worst(Answers { right: right + more, wrong: wrong + unanswered - more, unanswered: 0 }, 0.5, 0.3);
            prop_assert!(hurt.p_value >= known.p_value - 1e-12 && hurt.p_reversed >= known.p_reversed - 1e-12);
            prop_assert!(hurt.interval95[0] <= known.interval95[0] + 1e-12 && hurt.interval95[1] >= known.interval95[1] - 1e-12);
            prop_assert!(hurt.distinguishers.upper95 >= known.distinguishers.upper95 - 1e-12);
            let (_, [low, high]) = d_prime(cabjury::stats::dprime::Model::DuoTrio, a);
            let (_, [k_low, k_high]) = d_prime(cabjury::stats::dprime::Model::DuoTrio, Answers { right: right + more, wrong: wrong + unanswered - more, unanswered: 0 });
            prop_assert!(low <= k_low + 1e-9 && high >= k_high - 1e-9);
        }
    }
}

/// Listeners who split into two camps: no preference of the panel is claimed oftener than the level.
#[test]
fn split_tastes_are_no_preference_of_the_panel() {
    let (runs, mut random) = (runs(4_000), Generator::simulated(105));
    for listeners in [6, 8, 12, 24] {
        let runs = if listeners > 20 { runs.min(300) } else { runs };
        let (mut claims, mut by_picks) = (0, 0);
        for _ in 0..runs {
            let panel: Vec<Picks> = (0..listeners)
                .map(|_| {
                    if random.below(2) == 1 {
                        Picks { first: 16, ..Picks::default() }
                    } else {
                        Picks { second: 16, ..Picks::default() }
                    }
                })
                .collect();
            claims += u64::from(sign_patterns(&panel, &mut random).p <= 0.05);
            by_picks += u64::from(Picks::pooled(&panel).p_value() <= 0.05);
        }
        holds(&format!("{listeners} listeners"), claims, runs, 0.05);
        assert!(by_picks as f64 > 0.3 * runs as f64, "picks are no opinions: {by_picks} of {runs}");
    }
}

/// Who leaves when it goes badly, by their own count: no claim comes of it, neither way.
#[test]
fn leaving_makes_no_claim() {
    let (runs, mut random) = (runs(20_000), Generator::simulated(106));
    let (mut heard, mut turned, mut naive, mut preferred) = (0, 0, 0, 0);
    for _ in 0..runs {
        let (mut a, mut liked) = (Answers::default(), Vec::new());
        for _ in 0..4 {
            let (mut right, mut n) = (0, 0);
            while n < 16 {
                right += random.below(2);
                n += 1;
                // Stops at the first lead that would do.
                if n >= 5 && upper_tail(right, n, 0.5) <= 0.05 {
                    break;
                }
            }
            a = Answers { right: a.right + right, wrong: a.wrong + n - right, unanswered: a.unanswered + 16 - n };
            liked.push(Picks { first: right, second: n - right, unanswered: 16 - n });
        }
        let w = worst(a, 0.5, 0.3);
        heard += u64::from(w.p_value <= 0.05);
        turned += u64::from(w.p_reversed <= 0.05);
        naive += u64::from(upper_tail(liked[0].first, liked[0].answered(), 0.5) <= 0.05);
        preferred += u64::from(liked[0].p_value() <= 0.05);
    }
    holds("heard", heard, runs, 0.05);
    holds("reversed", turned, runs, 0.05);
    holds("preferred", preferred, runs, 0.05);
    assert!(naive as f64 > 0.07 * runs as f64, "the answered ones alone would claim: {naive} of {runs}");
}

#[test]
fn small_panels_cannot_prefer_and_camps_are_named() {
    assert_eq!([1, 5, 6].map(least_p_listeners), [1.0, 0.0625, 0.031_25]);
    let camp = |first: u64, second: u64| Picks { first, second, unanswered: 0 };
    let of = |panel: &[Picks]| taste(panel, 0.05, 0.3, &mut Generator::simulated(1));
    let split = of(&[camp(16, 0), camp(16, 0), camp(16, 0), camp(16, 0), camp(0, 16), camp(0, 16)]);
    assert!(split.divided && split.scope.is_none() && (split.p_value - 0.6875).abs() < 1e-12 && split.p_by_picks < 0.002);
    let one = of(&[camp(13, 3)]);
    assert_eq!((one.scope, one.p_listeners, one.ahead, one.divided), (Some(Scope::One), None, Some(Ahead::First), false));
    assert!(!of(&[camp(8, 8), camp(0, 16)]).divided, "one camp only");
    // Missing answers turn the lead.
    let turned = sign_patterns(&[Picks { first: 4, second: 2, unanswered: 10 }; 6], &mut Generator::simulated(1));
    assert_eq!((turned.p, turned.ahead), (1.0, Some(Ahead::First)));
    let nobody = of(&[]);
    assert!(nobody.scope.is_none() && !nobody.divided && !nobody.bounded.bounded);
    // Three pairs: .021 alone is .064 after Holm, and nobody's.
    let three = pairs(&[vec![camp(13, 3)], vec![camp(8, 8)], vec![camp(9, 7)]], 0.05, 0.3, &mut Generator::simulated(1));
    assert!(three[0].0.scope.is_none() && (three[0].1 - 3.0 * three[0].0.p_value).abs() < 1e-12);
    let strong = pairs(&[vec![camp(16, 0)], vec![camp(8, 8)]], 0.05, 0.3, &mut Generator::simulated(1));
    assert_eq!(strong[0].0.scope, Some(Scope::One));
    // Above twenty listeners signs are drawn: beside the exact p of a sum of 24 equal ones, P(|sum| >= 8), binomial.
    let panel: Vec<Picks> = (0..24).map(|i| if i < 16 { camp(8, 0) } else { camp(0, 8) }).collect();
    let (drawn, exact) = (sign_patterns(&panel, &mut Generator::simulated(2)), 2.0 * upper_tail(16, 24, 0.5));
    assert!(drawn.patterns == 20_000 && (drawn.p - exact).abs() < 0.01, "{} {exact}", drawn.p);
}

#[test]
fn ratings_count_listeners() {
    use cabjury::stats::taste::rated;
    let one = rated(&[vec![5.0, 7.0, -1.0, 9.0]]).unwrap();
    assert!(!one.by_listeners && one.units == 4);
    let panel: Vec<Vec<f64>> = (1..=6).map(|i| vec![f64::from(i), f64::from(i), -50.0]).collect();
    let six = rated(&panel).unwrap();
    assert!(six.by_listeners && six.units == 6 && (six.p - 0.031_25).abs() < 1e-12 && six.median == 3.5);
    assert!(rated(&panel[..5]).unwrap().p > 0.05, "below six listeners .05 is out of reach");
    assert_eq!(rated(&[]), None);
    assert!(graded::signed_ranks(&[]).p_two_sided >= 1.0);
}

#[test]
fn equal_listeners_are_told_by_tables_shuffles_or_chi_square() {
    let mut random = Generator::simulated(107);
    // Both ways of the same panel agree: unequal numbers of trials make its tables too many to list.
    let few = [(16, 16), (16, 9), (16, 9), (16, 10)];
    assert_eq!(unequal(&few, &mut random).how, How::Exact);
    let many: Vec<(u64, u64)> = [(61, 40), (67, 30), (71, 36), (73, 39), (79, 44), (83, 30)].to_vec();
    let drawn = unequal(&many, &mut random);
    assert_eq!(drawn.how, How::Drawn);
    let chi = cabjury::stats::panel::heterogeneity(&many).unwrap();
    assert!((drawn.p - chi.p).abs() < 0.02, "{} {}", drawn.p, chi.p);
    let large: Vec<(u64, u64)> = (0..300).map(|i| (100, 45 + i % 11)).collect();
    assert_eq!(unequal(&large, &mut random).how, How::ChiSquare);
    for nothing in [vec![], vec![(16, 8)], vec![(16, 16), (8, 8)], vec![(0, 0), (16, 3)]] {
        assert_eq!(unequal(&nothing, &mut random).p, 1.0, "{nothing:?}");
    }
    // Guessers alike: at most the level.
    let (runs, mut claims) = (runs(4_000), 0);
    for _ in 0..runs {
        let panel: Vec<(u64, u64)> = (0..4).map(|_| (16, (0..16).map(|_| random.below(2)).sum())).collect();
        claims += u64::from(unequal(&panel, &mut random).p <= 0.05);
    }
    holds("equal", claims, runs, 0.05);
}

#[test]
fn gates_stand_in_their_order() {
    let base = RightOrWrong {
        gates: Gates::default(),
        level: 0.05,
        bound: 0.3,
        p_value: 0.01,
        p_reversed: 0.99,
        trials: 60,
        upper95: 0.2,
        heard_some: true,
        small_for_all: true,
        some_listener: true,
        known_passed: Some(false),
    };
    use VerdictKind as V;
    let of = |change: &dyn Fn(&mut RightOrWrong)| {
        let mut r = base;
        change(&mut r);
        r.verdict()
    };
    assert_eq!(of(&|r| r.gates = Gates { data_void: true, player_cue: true, repeat_floor: true }), V::DataVoid);
    assert_eq!(of(&|r| r.gates = Gates { data_void: false, player_cue: true, repeat_floor: true }), V::PlayerCue);
    assert_eq!(of(&|r| r.gates.repeat_floor = true), V::RepeatFloor);
    assert_eq!(of(&|_| ()), V::HeardSome);
    assert_eq!(of(&|r| r.heard_some = false), V::HeardSmall);
    assert_eq!(of(&|r| (r.heard_some, r.small_for_all) = (false, false)), V::Heard);
    assert_eq!(of(&|r| (r.heard_some, r.upper95) = (false, 0.3)), V::Heard);
    assert_eq!(of(&|r| (r.p_value, r.p_reversed) = (0.06, 0.05)), V::Reversed);
    assert_eq!(of(&|r| r.p_value = 0.06), V::MixedPanel);
    assert_eq!(of(&|r| (r.p_value, r.some_listener) = (0.06, false)), V::Insensitive);
    assert_eq!(of(&|r| (r.p_value, r.some_listener, r.known_passed) = (0.06, false, Some(true))), V::NotShownBounded);
    assert_eq!(of(&|r| (r.p_value, r.some_listener, r.known_passed) = (0.06, false, None)), V::NotShownBounded);
    assert_eq!(of(&|r| (r.p_value, r.some_listener, r.upper95) = (0.06, false, 0.31)), V::TooFew);
    assert_eq!(of(&|r| r.trials = 0), V::TooFew);
    let like = |preferred, divided, bounded| Preferring { gates: Gates::default(), preferred, divided, bounded }.verdict();
    assert_eq!(
        [like(true, true, true), like(false, true, true), like(false, false, true), like(false, false, false)],
        [V::Preferred, V::Divided, V::NoPreferenceBounded, V::NoPreferenceShown]
    );
    assert_eq!([rated(Gates::default(), 0.05, 0.05), rated(Gates::default(), 0.051, 0.05)], [V::RatedApart, V::NotRatedApart]);
    let about = About { design: Design::Crossed, level: 0.05, p_takes: Some(0.05), known_by_name: false };
    assert_eq!(about.subject(V::Heard), Some(Subject::Setups));
    assert_eq!(about.subject(V::NotShownBounded), None);
    for other in [
        About { design: Design::Paired, ..about },
        About { p_takes: Some(0.051), ..about },
        About { p_takes: None, ..about },
        About { known_by_name: true, ..about },
    ] {
        assert_eq!(other.subject(V::Preferred), Some(Subject::Recordings));
    }
    assert_eq!(VerdictKind::ALL.len(), 17);
}

#[test]
fn small_for_all_asks_every_listener() {
    let of = |right: u64| Answers { right, wrong: 100 - right, unanswered: 0 };
    // 60 of 100: lower 95 % limit of distinguishers about 2 %; 85 of 100: about 55 %.
    assert!(small_for_all(&[of(60), of(62)], 0.5, 0.3, 0.06));
    assert!(!small_for_all(&[of(60), of(85)], 0.5, 0.3, 0.06), "one hears more than the bound");
    assert!(!small_for_all(&[of(60), of(62)], 0.5, 0.3, 0.05), "unequal");
    // 16 of 16 with 16 unanswered is not named.
    let some = heard_some(&[Answers { right: 16, wrong: 0, unanswered: 16 }, of(50)], 0.5, 0.05, 0.01, 0.01);
    assert!(some.named.is_empty() && !some.heard_some);
    let all = heard_some(&[of(90), of(90)], 0.5, 0.05, 0.0, 0.01);
    assert!(all.named.len() == 2 && !all.heard_some, "all are named: heard");
}

#[test]
fn populations_end_where_listeners_are_all_or_nothing() {
    let split: Vec<(u64, u64)> = (0..12).map(|i| (400, if i < 4 { 400 } else { 200 })).collect();
    assert_eq!(population::population(&split, 0.5), None, "the spread runs to its end");
    let right = population::population(&[(16, 16); 12], 0.5).unwrap();
    assert!(right.upper95 > 0.999 && right.mean > 0.99);
}

#[test]
fn areas_by_brute_force_and_by_drawing() {
    let (right, wrong) = ([3.0, 1.0, 2.0, 2.0, 5.0], [2.0, 1.0, 4.0, 0.0]);
    let all: Vec<f64> = right.iter().chain(&wrong).copied().collect();
    let area = |mask: u32| {
        let (mut sum, mut pairs) = (0.0, 0.0);
        for i in 0..9 {
            for j in 0..9 {
                if mask >> i & 1 == 1 && mask >> j & 1 == 0 {
                    pairs += 1.0;
                    sum += if all[i] > all[j] {
                        1.0
                    } else if all[i] < all[j] {
                        0.0
                    } else {
                        0.5
                    };
                }
            }
        }
        sum / pairs
    };
    let own = area(0b11111);
    let masks: Vec<u32> = (0u32..512).filter(|m| m.count_ones() == 5).collect();
    let far = masks.iter().filter(|m| area(**m) >= own - 1e-12).count() as f64 / masks.len() as f64;
    let found = confidence::type2(&right, &wrong, &mut Generator::simulated(1)).unwrap();
    assert!((found.area - own).abs() < 1e-12 && (found.p - far).abs() < 1e-12 && found.every, "{found:?} {far}");
    // Sixty times the same is drawn, and beyond doubt.
    let many = |of: &[f64]| of.iter().cycle().take(of.len() * 60).copied().collect::<Vec<_>>();
    let drawn = confidence::type2(&many(&right), &many(&wrong), &mut Generator::simulated(1)).unwrap();
    assert!(!drawn.every && (drawn.area - own).abs() < 1e-12 && drawn.p <= 0.001, "{drawn:?}");
    assert_eq!(confidence::type2(&right, &[], &mut Generator::simulated(1)), None);
}

#[test]
fn floors_of_noise_are_told_apart_no_oftener_than_the_level() {
    let (runs, mut random) = (runs(1_000), Generator::simulated(108));
    for takes in [4, 5] {
        let mut above = 0;
        for _ in 0..runs {
            let mut draw = || (0..takes).map(|_| (0..6).map(|_| normal(&mut random)).collect()).collect::<Vec<Vec<f64>>>();
            let (first, second) = (draw(), draw());
            above += u64::from(repeat_floor::p_floor(&first, &second, &mut random).unwrap() <= repeat_floor::FLOOR_LEVEL);
        }
        holds(&format!("{takes} takes"), above, runs, 0.05);
    }
    let take = |db: f64| vec![db, 3.0, 0.0];
    // A band that never varies is left out; takes alike to the last digit leave no doubt where setups differ.
    let apart = repeat_floor::split_test(&[take(0.0), take(0.0)], &[take(1.0), take(1.0)], &mut random).unwrap();
    assert!(apart.statistic.is_infinite() && apart.p == 1.0 / 3.0);
    assert_eq!(repeat_floor::p_floor(&vec![take(0.0); 3], &vec![take(1.0); 3], &mut random), None);
    assert_eq!(repeat_floor::split_test(&[take(0.0)], &[vec![1.0]], &mut random), None);
}

/// scipy 1.17 and numpy: the same model on 160 by 80 (the others 100 by 50) midpoints of mean and correlation, theta by its exact mixture of beta distributions.
#[test]
fn a_second_opinion_agrees_with_a_finer_grid() {
    let check = |counts: &[(u64, u64)], g: f64, panel: Option<[f64; 3]>, own: &[[f64; 3]]| {
        let found = bayes::heard(counts, g).unwrap();
        let near = |what: &str, f: bayes::Estimate, w: [f64; 3]| {
            for (a, b) in [f.median, f.low, f.high].into_iter().zip(w) {
                assert!((a - b).abs() < 0.01, "{counts:?} {what}: {f:?}, wanted {w:?}");
            }
        };
        assert_eq!(found.panel.is_some(), panel.is_some());
        if let (Some(f), Some(w)) = (found.panel, panel) {
            near("panel", f, w);
        }
        found.listeners.iter().zip(own).for_each(|(f, w)| near("listener", *f, *w));
    };
    check(
        &[(16, 16), (16, 9), (16, 9), (16, 10)],
        0.5,
        Some([0.356_13, 0.066_13, 0.736_04]),
        &[
            [0.996_34, 0.668_44, 0.999_97],
            [0.001_89, 0.000_03, 0.459_91],
            [0.001_89, 0.000_03, 0.459_91],
            [0.006_37, 0.000_03, 0.556_48],
        ],
    );
    check(
        &[(12, 5), (12, 3), (12, 9)],
        1.0 / 3.0,
        Some([0.261_34, 0.034_21, 0.638_59]),
        &[[0.056_92, 0.000_22, 0.461_45], [0.020_48, 0.000_18, 0.337_56], [0.496_89, 0.001_29, 0.854_05]],
    );
    check(&[(16, 13)], 0.5, None, &[[0.574_01, 0.002_25, 0.876_83]]);
    assert_eq!(bayes::heard(&[(0, 0)], 0.5), None);
    // The smaller the counts the more a listener is drawn to the panel.
    let alike = bayes::heard(&[(16, 16), (16, 8), (16, 8), (16, 8), (16, 8)], 0.5).unwrap();
    let alone = bayes::heard(&[(16, 16)], 0.5).unwrap();
    assert!(alike.listeners[0].median < alone.listeners[0].median);
}
