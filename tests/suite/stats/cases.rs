//! `tests/reference/statistics.json`: computed with exact rational arithmetic, scipy 1.17.1, statsmodels 0.15.0 and mpmath 1.4.1 (40
//! digits); each case names its own source. Here are the methods that the program uses; the count at the end keeps the list honest.

use cabjury::model::random::RandomWords;
use cabjury::stats::{binomial, checks, dprime, evidence, intervals, panel, power, special};
use serde_json::Value;

fn all() -> Vec<Value> {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/statistics.json")).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    file["cases"].as_array().unwrap().clone()
}

/// A number, or an exact ratio such as "1/3", or "inf".
fn number(value: &Value) -> f64 {
    match value {
        Value::String(s) if s == "inf" => f64::INFINITY,
        Value::String(s) => match s.split_once('/') {
            Some((a, b)) => a.parse::<f64>().unwrap() / b.parse::<f64>().unwrap(),
            None => s.parse().unwrap(),
        },
        other => other.as_f64().unwrap_or_else(|| panic!("no number: {other}")),
    }
}

fn whole(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("no whole number: {value}"))
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
        let pairs = [
            ("clopper_pearson", intervals::clopper_pearson(x, n, a)),
            ("wilson", intervals::wilson(x, n, a)),
            ("jeffreys", intervals::jeffreys(x, n, a)),
        ];
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
    use dprime::Model::{AbxDifferencing, AbxIndependent, DuoTrio, OneInterval, SameDifferent, ThreeAfc, Triangle, TwoAfc};
    match name {
        "2afc" => TwoAfc,
        "3afc" => ThreeAfc,
        "triangle" => Triangle,
        "duo_trio" => DuoTrio,
        "abx_differencing" => AbxDifferencing,
        "abx_independent_observation" => AbxIndependent,
        "same_different_io_unbiased" => SameDifferent,
        "one_interval_unbiased" => OneInterval,
        other => panic!("the cases name the model {other:?}, which this test does not know"),
    }
}

#[test]
fn d_prime() {
    each("psychometric function", 8, |case, i, e| {
        let model = model(i["model"].as_str().unwrap());
        for (d, wanted) in numbers(&i["d"]).iter().zip(numbers(&e["pc"])) {
            near(case, &format!("d {d}"), model.p_correct(*d), wanted);
        }
    });
    each("d' estimate", 9, |case, i, e| {
        let (x, n, a) = (whole(&i["correct"]), whole(&i["n"]), 1.0 - number(&i["conf"]));
        let model = model(i["model"].as_str().unwrap());
        let (d, interval) = dprime::estimate(model, x, n, a);
        near(case, "d", d, number(&e["d"]));
        let wanted = numbers(&e["d_ci_likelihood_ratio"]);
        near(case, "low", interval[0], wanted[0]);
        near(case, "high", interval[1], wanted[1]);
        let found = dprime::delta_error(model, x, n);
        match e["se_delta"].as_f64() {
            Some(wanted) => near(case, "se", found.unwrap(), wanted),
            None => assert_eq!(found, None, "{}", case["id"]),
        }
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
    each("sample size from an assumed d'", 4, |case, i, e| {
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
        for (name, found) in [("holm", panel::holm(&p)), ("fdr_bh", panel::benjamini_hochberg(&p))] {
            for (f, w) in found.iter().zip(numbers(&e[name])) {
                near(case, name, *f, w);
            }
        }
    });
    each("combined p values", 3, |case, i, e| {
        let p = numbers(&i["p"]);
        for (name, (statistic, found)) in [("fisher", panel::fisher_combined(&p)), ("stouffer", panel::stouffer(&p))] {
            near(case, name, statistic, number(&e[name]["statistic"]));
            near(case, name, found, number(&e[name]["p"]));
        }
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
