//! `tests/reference/statistics.json`: computed with exact rational arithmetic, scipy 1.17.1, statsmodels 0.15.0 and mpmath 1.4.1 (40
//! digits); each case names its own source.

use super::{number, whole};
use cabjury::model::random::RandomWords;
use cabjury::stats::preference::{self, Extras, Row};
use cabjury::stats::sequential::{self, Spending};
use cabjury::stats::{beta_binomial, binomial, checks, dprime, evidence, graded, intervals, panel, power, special};
use serde_json::Value;

fn all() -> Vec<Value> {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/statistics.json")).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    file["cases"].as_array().unwrap().clone()
}

/// Every case is checked by a test of this file: whose method begins as no `each(...)` here does would be passed over in silence.
#[test]
fn every_case_has_a_test() {
    let source = include_str!("cases.rs");
    let named: Vec<String> =
        source.split("each(\"").skip(1).filter_map(|rest| Some(rest.split("\", ").next()?.replace("\\\"", "\""))).collect();
    let left: Vec<Value> = all();
    assert_eq!(left.len(), 209);
    for case in left {
        let method = case["method"].as_str().unwrap();
        assert!(named.iter().any(|n| method.starts_with(n)), "{}: {method}", case["id"]);
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

fn flags(value: &Value) -> Vec<bool> {
    match value {
        Value::String(s) => s.chars().map(|c| c == '1').collect(),
        list => list.as_array().unwrap().iter().map(|v| whole(v) == 1).collect(),
    }
}

#[track_caller]
fn near(case: &Value, what: &str, found: f64, wanted: f64) {
    let tolerance = case["tolerance"].as_f64().unwrap_or(0.0).max(1e-15);
    let scale = if case["tolerance_kind"] == "rel" { wanted.abs().max(1e-300) } else { 1.0 };
    let same = found == wanted || (found - wanted).abs() <= tolerance * scale;
    assert!(same, "{} {what}: found {found}, wanted {wanted} +- {}", case["id"], tolerance * scale);
}

/// Runs the cases whose method begins with `method`; at least `least` of them.
fn each(method: &str, least: usize, check: impl Fn(&Value, &Value, &Value)) {
    let cases: Vec<Value> = all().into_iter().filter(|c| c["method"].as_str().unwrap().starts_with(method)).collect();
    assert!(cases.len() >= least, "{} cases of {method:?}, wanted {least}", cases.len());
    for case in &cases {
        check(case, &case["inputs"], &case["expected"]);
    }
}

#[test]
fn exact_binomial_tests() {
    each("exact binomial test", 14, |case, i, e| {
        let (x, n, p) = (whole(&i["correct"]), whole(&i["n"]), number(&i["p0"]));
        near(case, "greater", binomial::upper_tail(x, n, p), number(&e["p_one_sided_greater"]));
        near(case, "less", binomial::lower_tail(x, n, p), number(&e["p_one_sided_less"]));
        near(case, "mid-p", binomial::mid_p(x, n, p), number(&e["midp_one_sided_greater"]));
        if !e["p_two_sided_minlike"].is_null() {
            near(case, "two-sided", binomial::two_sided(x, n, p), number(&e["p_two_sided_minlike"]));
            near(case, "two-sided mid-p", binomial::mid_p_two_sided(x, n, p), number(&e["midp_two_sided"]));
        }
    });
}

#[test]
fn critical_counts() {
    each("minimum number correct", 26, |case, i, e| {
        for (alpha, wanted) in numbers(&i["alphas"]).iter().zip(e["min_correct"].as_array().unwrap()) {
            let found = binomial::critical(whole(&i["n"]), number(&i["p0"]), *alpha);
            assert_eq!(found, wanted.as_u64(), "{} alpha {alpha}", case["id"]);
        }
    });
    each("minimum number of agreeing", 3, |case, i, e| {
        for (alpha, wanted) in numbers(&i["alphas"]).iter().zip(e["min_agree"].as_array().unwrap()) {
            assert_eq!(binomial::critical_two_sided(whole(&i["n"]), *alpha), wanted.as_u64(), "{} alpha {alpha}", case["id"]);
        }
    });
}

#[test]
fn intervals_of_a_proportion() {
    each("binomial intervals", 7, |case, i, e| {
        let (x, n, a) = (whole(&i["x"]), whole(&i["n"]), 1.0 - number(&i["conf"]));
        let pairs = [("clopper_pearson", intervals::clopper_pearson(x, n, a)), ("wilson", intervals::wilson(x, n, a))];
        for (name, found) in pairs {
            let wanted = numbers(&e[name]);
            near(case, name, found[0], wanted[0]);
            near(case, name, found[1], wanted[1]);
        }
        near(case, "lower", intervals::clopper_pearson_lower(x, n, a), number(&e["cp_one_sided_lower"]));
        near(case, "upper", intervals::clopper_pearson_upper(x, n, a), number(&e["cp_one_sided_upper"]));
    });
    each("proportion of distinguishers", 3, |case, i, e| {
        let (x, n, g) = (whole(&i["x"]), whole(&i["n"]), number(&i["guess"]));
        let p = x as f64 / n as f64;
        near(case, "raw", intervals::distinguishers_raw(p, g), number(&e["pd_raw"]));
        near(case, "clipped", intervals::distinguishers(p, g), number(&e["pd_clipped"]));
        let found = intervals::clopper_pearson(x, n, 1.0 - number(&i["conf"])).map(|p| intervals::distinguishers(p, g));
        let wanted = numbers(&e["ci_clipped"]);
        near(case, "low", found[0], wanted[0]);
        near(case, "high", found[1], wanted[1]);
    });
}

fn model(name: &str) -> dprime::Model {
    use dprime::Model::{AbxDifferencing, DuoTrio, Triangle, TwoAfc};
    match name {
        "2afc" => TwoAfc,
        "triangle" => Triangle,
        "duo_trio" => DuoTrio,
        "abx_differencing" => AbxDifferencing,
        other => panic!("the cases name the model {other:?}, which this test does not know"),
    }
}

#[test]
fn d_prime() {
    each("psychometric function", 4, |case, i, e| {
        let model = model(i["model"].as_str().unwrap());
        for (d, wanted) in numbers(&i["d"]).iter().zip(numbers(&e["pc"])) {
            near(case, &format!("d {d}"), model.p_correct(*d), wanted);
        }
    });
    each("d' estimate", 6, |case, i, e| {
        let (x, n, a) = (whole(&i["correct"]), whole(&i["n"]), 1.0 - number(&i["conf"]));
        let model = model(i["model"].as_str().unwrap());
        let (d, interval) = dprime::estimate(model, x, n, a);
        near(case, "d", d, number(&e["d"]));
        let wanted = numbers(&e["d_ci_likelihood_ratio"]);
        near(case, "low", interval[0], wanted[0]);
        near(case, "high", interval[1], wanted[1]);
    });
}

#[test]
fn power_and_planning() {
    each("exact power", 6, |case, i, e| {
        let (n, g, alpha) = (whole(&i["n"]), number(&i["p0"]), number(&i["alpha"]));
        // The cases write "impossible" as n + 1.
        assert_eq!(binomial::critical(n, g, alpha).unwrap_or(n + 1), whole(&e["critical"]), "{}", case["id"]);
        near(case, "power", power::one_sided(n, g, alpha, number(&i["p_alt"])), number(&e["power"]));
    });
    each("sample size: n_first", 7, |case, i, e| {
        let (g, alpha, p) = (number(&i["p0"]), number(&i["alpha"]), number(&i["p_alt"]));
        let found = power::trials_for(number(&i["target"]), 2000, |n| power::one_sided(n, g, alpha, p));
        assert_eq!((found.first, found.stable), (e["n_first"].as_u64(), e["n_stable"].as_u64()), "{}", case["id"]);
    });
    each("sample size from an assumed d'", 3, |case, i, e| {
        let model = model(i["model"].as_str().unwrap());
        let p = model.p_correct(number(&i["d"]));
        near(case, "p", p, number(&e["p_alt"]));
        let alpha = number(&i["alpha"]);
        let found = power::trials_for(number(&i["target"]), 2000, |n| power::one_sided(n, model.chance(), alpha, p));
        assert_eq!((found.first, found.stable), (e["n_first"].as_u64(), e["n_stable"].as_u64()), "{}", case["id"]);
    });
    each("fixed-N plan stopped early", 3, |case, i, e| {
        let p = binomial::upper_tail(whole(&i["correct"]), whole(&i["planned"]), number(&i["p0"]));
        near(case, "p", p, number(&e["p"]));
    });
}

#[test]
fn not_heard_claims() {
    each("\"not heard\" claim", 5, |case, i, e| {
        let (x, n, g, bound) = (whole(&i["x"]), whole(&i["n"]), number(&i["guess"]), number(&i["pd0"]));
        near(case, "p", intervals::similarity_p(x, n, g, bound), number(&e["p_similarity"]));
        let upper = intervals::clopper_pearson_upper(x, n, number(&i["beta"]));
        near(case, "upper", intervals::distinguishers(upper, g), number(&e["pd_upper"]).max(0.0));
    });
    each("maximum number correct", 3, |case, i, e| {
        for (pd, wanted) in numbers(&i["pd"]).iter().zip(e["max_correct"].as_array().unwrap()) {
            let found = power::most_correct_for_similarity(whole(&i["n"]), number(&i["guess"]), *pd, number(&i["beta"]));
            assert_eq!(found, wanted.as_u64(), "{} {pd}", case["id"]);
        }
    });
}

#[test]
fn evidence_that_allows_stopping() {
    each("beta-binomial mixture e-value", 11, |case, i, e| {
        let (x, n, p0, alpha) = (whole(&i["correct"]), whole(&i["n"]), number(&i["p0"]), number(&i["alpha"]));
        near(case, "two-sided", evidence::ln_two_sided(x, n, p0).exp(), number(&e["E_two_sided_uniform"]));
        near(case, "one-sided", evidence::ln_one_sided(x, n, p0).exp(), number(&e["E_one_sided_uniform"]));
        let wanted = numbers(&e["cs_two_sided_uniform_95"]);
        let found = evidence::sequence_two_sided(x, n, alpha);
        near(case, "low", found[0], wanted[0]);
        near(case, "high", found[1], wanted[1]);
        near(case, "lower", evidence::sequence_lower(x, n, alpha), number(&e["lower_confidence_sequence_one_sided_95"]));
    });
    each("anytime p path", 3, |case, i, e| {
        let outcomes = flags(&i["outcomes"]);
        for (k, wanted) in numbers(&e["p_anytime"]).iter().enumerate() {
            let found = evidence::anytime_p(outcomes[..=k].iter().copied(), number(&i["p0"]), false);
            near(case, &format!("look {k}"), found, *wanted);
        }
    });
}

#[test]
fn open_ended_tests_keep_their_level_and_find_what_they_say() {
    each("one-sided uniform-mixture e-process", 5, |case, i, e| {
        let (p0, alpha, n) = (number(&i["p0"]), number(&i["alpha"]), whole(&i["N"]));
        for (k, wanted) in numbers(&e["thresholds"]).iter().enumerate() {
            let found = evidence::least_to_reach(k as u64 + 1, p0, alpha);
            assert_eq!(found, *wanted as u64, "{}: at {}", case["id"], k + 1);
        }
        near(case, "ever", evidence::reaching(p0, p0, alpha, n).0, number(&e["prob_ever_cross"]));
    });
    each("power of the open-ended e-process", 2, |case, i, e| {
        let (reached, mean) = evidence::reaching(number(&i["p0"]), number(&i["p_alt"]), number(&i["alpha"]), whole(&i["N"]));
        near(case, "reached", reached, number(&e["prob_cross"]));
        near(case, "trials", mean, number(&e["expected_trials"]));
    });
    // What the fixed test would do if it were looked at after every trial: why a peek is refused.
    each("what NOT to do", 4, |case, i, e| {
        let (p0, alpha) = (number(&i["p0"]), number(&i["alpha"]));
        let (mut still, mut reached) = (vec![1.0f64], 0.0);
        for n in 1..=whole(&i["N"]) {
            let least = binomial::critical(n, p0, alpha).map_or(usize::MAX, |c| c as usize);
            let mut next = vec![0.0; still.len() + 1];
            for (s, share) in still.iter().enumerate() {
                next[s] += share * (1.0 - p0);
                next[s + 1] += share * p0;
            }
            reached += next.iter().skip(least).sum::<f64>();
            next.truncate(least.min(next.len()));
            still = next;
        }
        near(case, "false positive", reached, number(&e["prob_false_positive"]));
    });
}

/// Balanced keys leak to a counting listener; ours are independent draws. The critical count is ours, the recursion the test's own.
#[test]
fn why_keys_are_not_balanced() {
    each("balanced key (N/2 each) with trial", 5, |case, i, e| {
        let n = whole(&i["N"]);
        let critical = binomial::critical(n, 0.5, 0.05).unwrap_or(n + 1);
        assert_eq!(critical, whole(&e["critical"]), "{}", case["id"]);
        // ways[right]: probability, by keys left of each kind; the listener says the kind that is left more often.
        let mut ways = std::collections::BTreeMap::from([((n / 2, n / 2), vec![1.0f64])]);
        for _ in 0..n {
            let mut next: std::collections::BTreeMap<(u64, u64), Vec<f64>> = std::collections::BTreeMap::new();
            for ((a, b), by_right) in ways {
                for (key, left, share) in [((a.wrapping_sub(1), b), a, a >= b), ((a, b.wrapping_sub(1)), b, b > a)] {
                    if left == 0 {
                        continue;
                    }
                    let p = left as f64 / (a + b) as f64;
                    let into = next.entry(key).or_insert_with(|| vec![0.0; n as usize + 1]);
                    for (right, q) in by_right.iter().enumerate().filter(|(_, q)| **q > 0.0) {
                        into[right + usize::from(share)] += q * p;
                    }
                }
            }
            ways = next;
        }
        let by_right = ways.remove(&(0, 0)).unwrap();
        let mean: f64 = by_right.iter().enumerate().map(|(r, p)| r as f64 * p).sum::<f64>() / n as f64;
        near(case, "share", mean, number(&e["expected_share"]));
        let false_positive: f64 = by_right.iter().skip(critical as usize).sum();
        near(case, "false positive", false_positive, number(&e["prob_false_positive"]));
    });
}

/// Where published tables are misprinted: exact counts against the public texts of the standards.
#[test]
fn misprints_of_published_tables() {
    each("documented disagreement: the public text", 1, |case, i, e| {
        let n = whole(&i["n"]);
        for (alpha, wanted) in numbers(&i["alphas"]).iter().zip(numbers(&e["min_correct"])) {
            assert_eq!(binomial::critical(n, number(&i["p0"]), *alpha), Some(wanted as u64), "{}", case["id"]);
        }
        near(case, "p at 15", binomial::upper_tail(15, n, 0.5), number(&e["p_at_15"]));
    });
    each("documented disagreement: public text", 1, |case, i, e| {
        let g = number(&i["guess"]);
        for (row, wanted) in i["rows"].as_array().unwrap().iter().zip(numbers(&e["max_correct"])) {
            let (n, beta, pd) = (whole(&row[0]), number(&row[1]), number(&row[2]));
            let p = g + (1.0 - g) * pd;
            let most = (0..=n).take_while(|s| binomial::lower_tail(*s, n, p) <= beta).last().unwrap();
            assert_eq!(most, wanted as u64, "{} {row}", case["id"]);
        }
    });
}

#[test]
fn chi_square_and_beta_binomial() {
    each("chi-square uniformity threshold", 6, |case, i, e| {
        let df = number(&i["categories"]) - 1.0;
        let tail = panel::chi_square_tail(number(&e["threshold"]), df);
        assert!((tail / number(&i["alpha"]) - 1.0).abs() < 1e-7, "{}: {tail}", case["id"]);
    });
    each("chi-square goodness of fit", 1, |case, i, e| {
        near(case, "p", panel::chi_square_tail(number(&e["stat"]), numbers(&i["counts"]).len() as f64 - 1.0), number(&e["p"]));
    });
    each("beta-binomial MLE", 2, |case, i, e| {
        let Some(found) = beta_binomial::fit(&counts(i)) else {
            // Less scatter than one chance explains: the cases say rho 0.
            assert!(e["rho"].as_f64().is_none_or(|r| r < 1e-6), "{case}");
            return;
        };
        for (what, found) in [
            ("mu", found.mean),
            ("alpha", found.a),
            ("beta", found.b),
            ("rho", found.rho),
            ("loglik", found.log_likelihood),
            ("lr", found.ratio),
            ("p_mixture", found.p),
        ] {
            let wanted = number(&e[what]);
            assert!((found - wanted).abs() <= 1e-6 * wanted.abs(), "{}: {what} {found} {wanted}", case["id"]);
        }
    });
    each("chance-corrected beta-binomial", 1, |case, i, e| {
        let found = pmf_above_chance(whole(&i["x"]), whole(&i["n"]), number(&i["guess"]), number(&i["a"]), number(&i["b"]));
        near(case, "pmf", found, number(&e["pmf"]));
    });
}

/// How unequal listeners scatter, for tests that draw them.
///
/// P(`x` right of `n`) when each listener truly hears a share theta of the trials, drawn from a beta distribution with shapes `a` and `b`, and
/// guesses the others with chance `g`: p = g + (1 - g) theta (Brockhoff 2003; form from memory). Those truly heard are beta-binomial, the
/// guesses among the rest binomial.
pub(crate) fn pmf_above_chance(x: u64, n: u64, g: f64, a: f64, b: f64) -> f64 {
    use statrs::function::factorial::ln_factorial;
    use statrs::function::gamma::ln_gamma;
    let ln_choose = |n: u64, k: u64| ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k);
    let ln_beta = |p: f64, q: f64| ln_gamma(p) + ln_gamma(q) - ln_gamma(p + q);
    let heard = |h: u64| (ln_choose(n, h) + ln_beta(h as f64 + a, (n - h) as f64 + b) - ln_beta(a, b)).exp();
    (0..=x.min(n)).map(|h| heard(h) * binomial::pmf(x - h, n - h, g)).sum()
}

fn counts(i: &Value) -> Vec<panel::Count> {
    numbers(&i["n"]).iter().zip(numbers(&i["x"])).map(|(n, x)| (*n as u64, x as u64)).collect()
}

#[test]
fn panels() {
    each("Tarone Z", 2, |case, i, e| {
        let found = panel::heterogeneity(&counts(i)).unwrap();
        near(case, "z", found.tarone_z, number(&e["z"]));
        near(case, "p", found.tarone_p, number(&e["p_one_sided"]));
    });
    each("Pearson chi-square test", 2, |case, i, e| {
        let found = panel::heterogeneity(&counts(i)).unwrap();
        near(case, "chi2", found.chi_square, number(&e["chi2"]));
        near(case, "p", found.p, number(&e["p"]));
    });
    each("pooled proportion", 2, |case, i, e| {
        near(case, "cluster", panel::cluster_error(&counts(i)).unwrap(), number(&e["se_cluster_K_over_Kminus1"]));
    });
    each("pooled one-sided exact binomial", 2, |case, i, e| {
        near(case, "p", binomial::upper_tail(whole(&i["correct"]), whole(&i["n"]), number(&i["p0"])), number(&e["p"]));
    });
    each("adjusted p values", 3, |case, i, e| {
        let p = numbers(&i["p"]);
        all_near(case, "holm", panel::holm(&p), &e["holm"]);
    });
}

#[test]
fn listener_checks() {
    each("accuracy against trial index", 3, |case, i, e| {
        let (sum, improving, declining) = checks::drift(&flags(&i["outcomes"]));
        assert_eq!(sum, whole(&e["index_sum"]), "{}", case["id"]);
        near(case, "improving", improving, number(&e["p_improving"]));
        near(case, "declining", declining, number(&e["p_declining"]));
    });
    each("Wald-Wolfowitz runs test", 3, |case, i, e| {
        let (runs, few, many) = checks::runs(&flags(&i["sequence"]));
        assert_eq!(runs, whole(&e["runs"]), "{}", case["id"]);
        near(case, "few", few, number(&e["p_few"]));
        near(case, "many", many, number(&e["p_many"]));
    });
}

#[test]
fn bias_and_drift_in_numbers() {
    each("position bias", 3, |case, i, e| {
        let places = checks::Places {
            first_first: whole(&i["key_first_said_first"]),
            first_second: whole(&i["key_first_said_second"]),
            second_first: whole(&i["key_second_said_first"]),
            second_second: whole(&i["key_second_said_second"]),
        };
        assert_eq!(places.first_first + places.second_first, whole(&e["said_first"]));
        assert_eq!(
            (places.second_first, places.second_first + places.first_second),
            (whole(&e["errors_said_first"]), whole(&e["errors"]))
        );
        let bias = places.bias();
        near(case, "share", bias.p, number(&e["p_share_of_first"]));
        near(case, "wrong", bias.p_wrong, number(&e["p_errors"]));
        near(case, "criterion", bias.criterion, number(&e["criterion_yes_no"]));
        near(case, "criterion of two", bias.criterion_2afc, number(&e["criterion_2afc"]));
    });
    each("logistic slope", 3, |case, i, e| {
        let found = checks::slope(&flags(&i["outcomes"])).unwrap();
        near(case, "slope", found.per_trial, number(&e["slope"]));
        near(case, "se", found.error, number(&e["se"]));
        near(case, "lr", found.ratio, number(&e["lr"]));
        near(case, "p", found.p, number(&e["p_lr"]));
    });
    // Right and wrong that do not overlap in time have no finite slope.
    assert_eq!(checks::slope(&[false, false, true, true]), None);
    each("Cochran-Armitage", 1, |case, i, e| {
        let blocks: Vec<(f64, u64, u64)> = table(&i["blocks"]).iter().map(|b| (b[0], b[1] as u64, b[2] as u64)).collect();
        let (z, p) = checks::trend(&blocks).unwrap();
        near(case, "z", z, number(&e["z"]));
        near(case, "chi-square", z * z, number(&e["chi2"]));
        near(case, "p", p, number(&e["p_two_sided"]));
    });
}

#[test]
fn looks_before_the_end() {
    each("Lan-DeMets", 1, |case, i, e| {
        let (t, alpha) = (numbers(&i["t"]), number(&i["alpha"]));
        all_near(case, "spent", t.iter().map(|t| Spending::Late.spent(*t, alpha)), &e["cumulative_spend"]);
    });
    each("exact binomial group-sequential", 3, |case, i, e| {
        let spending = if i["spending"] == "obf" { Spending::Late } else { Spending::Even };
        let at: Vec<u64> = i["looks"].as_array().unwrap().iter().map(whole).collect();
        let found = sequential::looks(&at, number(&i["p0"]), number(&i["alpha"]), spending);
        assert_eq!(
            found.iter().map(|f| f.0).collect::<Vec<_>>(),
            e["critical"].as_array().unwrap().iter().map(whole).collect::<Vec<_>>()
        );
        all_near(case, "used", found.iter().map(|f| f.1), &e["cumulative_alpha"]);
    });
    each("capped sequential p", 5, |case, i, e| {
        let (most, p) = sequential::capped_p(&flags(&i["outcomes"]), whole(&i["cap"]), number(&i["p0"]));
        near(case, "most", most, number(&e["observed_max_E"]));
        near(case, "p", p, number(&e["p"]));
    });
}

/// A balanced key without feedback, for one who gives a set number of one answer: the count of right answers is hypergeometric. The critical
/// count is ours.
#[test]
fn a_balanced_key_breaks_the_test_without_feedback_too() {
    let choose = |n: u64, k: u64| (0..k).map(|i| (n - i) as f64 / (i + 1) as f64).product::<f64>();
    each("balanced key WITHOUT feedback", 5, |case, i, e| {
        let (n, said) = (whole(&i["N"]), whole(&i["answers_A"]));
        let critical = binomial::critical(n, 0.5, 0.05).unwrap();
        assert_eq!(critical, whole(&e["critical"]));
        // Of the N/2 keys A, `a` fall on the answers A: right are these, and the B keys among the answers B.
        let of = |a: u64| choose(said, a) * choose(n - said, n / 2 - a) / choose(n, n / 2);
        let right = |a: u64| a + (n - said) - (n / 2 - a);
        let found: f64 = (said.saturating_sub(n / 2)..=said.min(n / 2)).filter(|a| right(*a) >= critical).map(of).sum();
        near(case, "balanced", found, number(&e["prob"]));
        near(case, "fair", binomial::upper_tail(critical, n, 0.5), number(&e["binomial"]));
    });
}

/// Hands out given words, then counts how many were used.
struct Words(Vec<u64>, usize);

impl RandomWords for Words {
    fn next_word(&mut self) -> u64 {
        self.1 += 1;
        self.0[self.1 - 1]
    }
}

#[test]
fn uniform_integers_by_rejection() {
    each("uniform integer in [0,n)", 4, |case, i, e| {
        let mut words = Words(i["words"].as_array().unwrap().iter().map(whole).collect(), 0);
        if e["value"].is_null() {
            // One bit for n = 1, and the word was rejected. Ours needs no word at all for n = 1.
            assert_eq!((whole(&i["n"]), words.below(1)), (1, 0));
            return;
        }
        assert_eq!(words.below(whole(&i["n"])), whole(&e["value"]), "{}", case["id"]);
        assert_eq!(words.1 as u64, whole(&e["words_used"]), "{}", case["id"]);
    });
}

#[test]
fn permutations() {
    each("Fisher-Yates", 2, |case, i, e| {
        let draws: Vec<u64> = i["draws"].as_array().unwrap().iter().map(whole).collect();
        let mut words = Words(draws, 0);
        let mut found: Vec<u64> = (0..whole(&i["n"])).collect();
        words.shuffle(&mut found);
        assert_eq!(found, e["result"].as_array().unwrap().iter().map(whole).collect::<Vec<_>>(), "{}", case["id"]);
    });
}

#[test]
fn hashes() {
    use cabjury::model::audio::Sha256Hex;
    each("commitment =", 2, |case, i, e| {
        let hex = i["seed_hex"].as_str().unwrap();
        let mut bytes = i["tag"].as_str().unwrap().as_bytes().to_vec();
        bytes.extend((0..hex.len()).step_by(2).map(|k| u8::from_str_radix(&hex[k..k + 2], 16).unwrap()));
        bytes.extend(i["plan"].as_str().unwrap().as_bytes());
        assert_eq!(Sha256Hex::of(&bytes).as_str(), e["sha256"].as_str().unwrap(), "{}", case["id"]);
    });
    each("SHA-256 known answer", 1, |_, i, e| {
        assert_eq!(Sha256Hex::of(i["message"].as_str().unwrap().as_bytes()).as_str(), e["sha256"].as_str().unwrap());
    });
}

#[test]
fn the_quadrature_rule_integrates_powers() {
    // Exact for polynomials up to degree 31: the textbook property of a 16-point Gauss rule.
    for k in 0..=31 {
        let found = special::integrate(0.0, 1.0, 1, |x| x.powi(k));
        assert!((found - 1.0 / f64::from(k + 1)).abs() < 1e-14, "x^{k}: {found}");
    }
}

fn table(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().unwrap().iter().map(numbers).collect()
}

fn all_near(case: &Value, what: &str, found: impl IntoIterator<Item = f64>, wanted: &Value) {
    let wanted = numbers(wanted);
    let found: Vec<f64> = found.into_iter().collect();
    assert_eq!(found.len(), wanted.len(), "{} {what}", case["id"]);
    found.iter().zip(&wanted).for_each(|(f, w)| near(case, what, *f, *w));
}

#[test]
fn preference_scales() {
    // bt-baseball: Agresti, Categorical Data Analysis 2002, tables 10.10 and 10.11.
    each("Bradley-Terry MLE", 2, |case, i, e| {
        let wins = table(&i["wins"]);
        let fit = preference::fit(&preference::rows_of(&wins), wins.len(), Extras::default()).unwrap();
        all_near(case, "theta", fit.theta.iter().copied(), &e["theta_ref_last"]);
        all_near(case, "se", (0..wins.len()).map(|k| fit.difference(k, wins.len() - 1).1), &e["se_ref_last"]);
        all_near(case, "centred", fit.centred().iter().map(|c| c.0), &e["theta_sum_zero"]);
        all_near(case, "se centred", fit.centred().iter().map(|c| c.1), &e["se_sum_zero"]);
        near(case, "likelihood", fit.log_likelihood, number(&e["loglik_kernel"]));
    });
    each("Bradley-Terry with order", 2, |case, i, e| {
        let rows: Vec<Row> = table(&i["rows_first_second_firstwins_secondwins"])
            .iter()
            .map(|r| Row { first: r[0] as usize, second: r[1] as usize, first_wins: r[2], second_wins: r[3] })
            .collect();
        let items = whole(&i["items"]) as usize;
        let with = preference::fit(&rows, items, Extras { order: true }).unwrap();
        let without = preference::fit(&rows, items, Extras::default()).unwrap();
        all_near(case, "theta", with.theta.iter().copied(), &e["theta_ref_last"]);
        near(case, "order", with.gamma.unwrap(), number(&e["order_log_odds"]));
        near(case, "order se", with.covariance[items - 1][items - 1].sqrt(), number(&e["order_se"]));
        let (lr, p) = preference::order_effect(&with, &without);
        near(case, "lr", lr, number(&e["lr_order"]));
        near(case, "p", p, number(&e["p_order"]));
    });
}

#[test]
fn when_a_scale_exists() {
    each("Ford 1957", 3, |case, i, e| {
        let wins = table(&i["wins"]);
        let found = preference::components(&wins);
        let mut strong = found.strong.clone();
        strong.sort();
        let mut wanted: Vec<Vec<usize>> =
            e["strong_components"].as_array().unwrap().iter().map(|c| numbers(c).iter().map(|v| *v as usize).collect()).collect();
        wanted.sort();
        assert_eq!(strong, wanted, "{}", case["id"]);
        assert_eq!(found.connected, e["connected_undirected"].as_bool().unwrap());
        let exists = e["mle_exists"].as_bool().unwrap();
        assert_eq!(found.strong.len() == 1, exists);
        assert_eq!(
            preference::fit(&preference::rows_of(&wins), wins.len(), Extras::default()).is_some(),
            exists,
            "{}",
            case["id"]
        );
    });
    let phantom = |case: &Value, i: &Value, e: &Value| {
        let found = preference::shrunk(&table(&i["wins"])).unwrap();
        all_near(case, "theta", found.iter().map(|f| f.0), &e["theta_phantom_zero"]);
        all_near(case, "se", found.iter().map(|f| f.1), &e["se"]);
    };
    each("fallback when no MLE", 1, phantom);
    each("phantom item on a disconnected table", 1, phantom);
}

#[test]
fn circular_triads_and_agreement() {
    each("distribution of the number of circular triads", 4, |case, i, e| {
        let counts = preference::triad_counts(whole(&i["items"]) as usize).unwrap();
        assert_eq!(counts, e["counts"].as_array().unwrap().iter().map(whole).collect::<Vec<_>>(), "{}", case["id"]);
    });
    each("circular triads d", 3, |case, i, e| {
        let chosen: Vec<Vec<bool>> = i["pref"].as_array().unwrap().iter().map(flags).collect();
        let found = preference::circular_triads(&chosen);
        assert_eq!(found.count, whole(&e["d"]), "{}", case["id"]);
        near(case, "zeta", found.zeta, number(&e["zeta"]));
        near(case, "p", found.p.unwrap(), number(&e["p_consistent"]));
    });
    each("Kendall coefficient of agreement", 1, |case, i, e| {
        let counts: Vec<Vec<u64>> =
            i["counts"].as_array().unwrap().iter().map(|r| r.as_array().unwrap().iter().map(whole).collect()).collect();
        let (sum, u) = preference::agreement(&counts, whole(&i["judges"]));
        assert_eq!(sum, whole(&e["Sigma"]));
        near(case, "u", u, number(&e["u"]));
    });
}

#[test]
fn ratings() {
    // friedman-rounding: Hollander and Wolfe, rounding first base, 22 x 3.
    each("Friedman", 2, |case, i, e| {
        let found = graded::friedman(&table(&i["rows_by_listener"])).unwrap();
        near(case, "chi", found.chi_square, number(&e["chi2"]));
        near(case, "p", found.p, number(&e["p"]));
        near(case, "W", found.w, number(&e["kendall_w"]));
        all_near(case, "sums", found.rank_sums.iter().copied(), &e["rank_sums"]);
        if !e["p_exact"].is_null() {
            near(case, "exact", found.p_exact.unwrap(), number(&e["p_exact"]));
        }
    });
    each("Wilcoxon signed-rank exact", 3, |case, i, e| {
        let found = graded::signed_ranks(&numbers(&i["differences"]));
        assert_eq!(found.nonzero as u64, whole(&e["n_nonzero"]));
        near(case, "W", found.w_plus, number(&e["W_plus"]));
        near(case, "greater", found.p_greater, number(&e["p_greater"]));
        near(case, "less", found.p_less, number(&e["p_less"]));
        near(case, "two-sided", found.p_two_sided, number(&e["p_two_sided"]));
    });
    each("median and quartiles", 2, |case, i, e| {
        let found = graded::quartiles(&numbers(&i["x"])).unwrap();
        for (value, key) in found.iter().zip(["q1", "median", "q3"]) {
            near(case, key, *value, number(&e[key]));
        }
    });
    each("BS.1534-3-type post-screening", 3, |case, i, e| {
        let (low, high, flag) = graded::screening(&numbers(&i["hidden_reference"]), &numbers(&i["mid_anchor"]));
        near(case, "reference", low, number(&e["fraction_ref_below_90"]));
        near(case, "anchor", high, number(&e["fraction_mid_above_90"]));
        assert_eq!(flag, e["flag"].as_bool().unwrap(), "{}", case["id"]);
    });
}

#[test]
fn one_key_heard_by_many_and_answers_too_fast() {
    each("audience with ONE shared key", 2, |case, i, e| {
        let key: Vec<usize> = numbers(&i["key"]).iter().map(|k| *k as usize).collect();
        let people = table(&i["answers"]);
        let answers: Vec<Vec<u64>> = (0..key.len())
            .map(|t| (0..2).map(|c| people.iter().filter(|p| p[t] as usize == c).count() as u64).collect())
            .collect();
        let (right, p, least) = panel::shared_key(&answers, &key);
        assert_eq!(right, whole(&e["total_correct"]));
        near(case, "p", p, number(&e["p_randomisation"]));
        near(case, "least", least, 0.5f64.powi(key.len() as i32));
    });
    each("response-time flags", 1, |case, i, e| {
        let (median, deviation, below, low) = checks::too_fast(&numbers(&i["seconds"]), number(&i["floor"])).unwrap();
        near(case, "median", median, number(&e["median_log"]));
        near(case, "deviation", deviation, number(&e["mad_scaled"]));
        let places = |v: &Value| numbers(v).iter().map(|k| *k as usize).collect::<Vec<_>>();
        assert_eq!((below, low), (places(&e["below_floor"]), places(&e["robust_low"])));
    });
}
