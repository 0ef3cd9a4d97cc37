//! How to recompute a verdict by hand: the binomial sum, written out with its numbers; of ratings the count of signs or orders.

use super::sealed::scored;
use super::{Block, Section, section};
use crate::model::result::{PreferenceDoc, RanksDoc, TestResult};
use crate::model::trial::Method;
use crate::report::text;
use crate::report::view::{Report, ScoreView, TestView};

/// Terms that are written out before the rest is only named.
const SHOWN: u64 = 8;

/// The section.
pub fn hand(report: &Report) -> Section {
    let (mut blocks, mut ranks) = (Vec::new(), Vec::new());
    for (test, score) in scored(report) {
        let r = &score.result;
        if r.count.trials == 0 || test.planned.is_none() {
            continue;
        }
        match (test.method, &r.preference) {
            (Method::Graded, _) => ranks.extend(r.ranks.iter().flat_map(|view| by_ranks(test, score, view))),
            (_, Some(pairs)) if r.listeners.len() > 1 => {
                ranks.push(over_listeners(test, r));
                if pairs.len() > 1 {
                    ranks.push(Block::Text(format!("{}: over the pairs Holm's correction.", test.test)));
                }
            }
            (_, Some(pairs)) => {
                let several = pairs.len() > 1;
                blocks.extend(pairs.iter().filter(|p| p.picks > 0).flat_map(|p| of_pair(test, p, r.unanswered, several)));
                if several {
                    blocks.push(Block::Text(format!("{}: over the pairs Holm's correction.", test.test)));
                }
            }
            (_, None) => blocks.extend(sum(&Sum::of(test, score))),
        }
    }
    if !blocks.is_empty() {
        blocks.insert(
            0,
            Block::Text(
                "The key of each trial is an independent fair draw. So, if nothing can be heard, the number of right picks follows the \
                 binomial law exactly, whatever the listener does. C(n, k) is the number of ways to choose k of n."
                    .to_owned(),
            ),
        );
    }
    blocks.extend(ranks);
    if !blocks.is_empty() {
        blocks.push(Block::Text(
            "All trials as a table: cabjury score FOLDER --csv FILE. Everything again from the recordings up: cabjury audit FOLDER.".to_owned(),
        ));
    }
    section("hand", "Recompute it by hand", blocks)
}

/// What is added up: the chance of `x` or more of `n`.
struct Sum {
    said: String,
    n: u64,
    x: u64,
    /// Guessing right: `right` in `whole`.
    right: u32,
    whole: u32,
    two_sided: bool,
    /// What the program says, where the whole numbers do not fit.
    p_value: Option<f64>,
}

impl Sum {
    fn of(test: &TestView, score: &ScoreView) -> Self {
        let (right, whole) = test.method.chance().unwrap_or((1, 2));
        let (n, x) = (score.result.count.trials, score.result.count.correct.unwrap_or(0));
        let said = format!("{}: the chance of {x} or more right of {n} when guessing.", test.test);
        Self { said, n, x, right, whole, two_sided: false, p_value: score.result.count.p_value }
    }
}

/// A pair of setups: the larger of both counts, on both sides.
fn of_pair(test: &TestView, pair: &PreferenceDoc, unanswered: u64, several: bool) -> Vec<Block> {
    // What was not answered counts for the setup that is behind.
    let n = pair.picks + unanswered;
    let x = pair.first_preferred.max(pair.picks - pair.first_preferred);
    let which = if several { format!("{}, {} against {}", test.test, pair.first, pair.second) } else { test.test.clone() };
    let said = format!(
        "{which}: one side is the chance of {x} or more of {n} for the same setup; both sides are twice that, at most 1."
    );
    sum(&Sum { said, n, x, right: 1, whole: 2, two_sided: true, p_value: None })
}

/// Several listeners: the pattern of their signs.
fn over_listeners(test: &TestView, r: &TestResult) -> Block {
    let k = r.listeners.len();
    Block::Text(format!(
        "{}: preference by listeners. For each listener d = (picks of the setup that leads over the panel - picks of the other - unanswered) / \
         planned. If nobody prefers anything, every d could as well have the other sign: p is the share of the 2^{k} patterns of signs whose \
         sum is as far from 0 as the one that came.",
        test.test
    ))
}

/// Ratings: a count of signs or of orders, and what it was counted from.
fn by_ranks(test: &TestView, score: &ScoreView, view: &RanksDoc) -> Vec<Block> {
    let value = score.result.count.p_value.map_or_else(String::new, |p| format!("{p:.6}"));
    let rows = if view.by_listeners {
        format!("of {} listeners' medians", score.result.listeners.len())
    } else {
        format!("of {} trials", view.trials)
    };
    let (said, typed) = match (view.nonzero.zip(view.w_plus), view.chi_square.zip(view.rank_sums.as_ref())) {
        (Some((nonzero, w_plus)), _) => {
            let all = (nonzero * (nonzero + 1)) as f64 / 2.0;
            let pair = (test.setups.first().map_or("", String::as_str), test.setups.get(1).map_or("", String::as_str));
            let said = format!(
                "{}: signed ranks. In each {rows} take the rating of {} minus that of {}; leave out what is 0, rank the rest by \
                 size (equal ones share the mean of their ranks), and add the ranks of the positive ones. If the setups are rated alike, \
                 every difference could as well have the other sign: each of the 2^{nonzero} patterns of signs is equally likely. p is \
                 twice the share of patterns with a sum so far to this side, at most 1.",
                test.test, pair.0, pair.1
            );
            (said, format!("W+ = {w_plus} of {all}, n = {nonzero}\np = {value}"))
        }
        (None, Some((chi_square, rank_sums))) => {
            let how = if view.exact {
                "p is the share of all orders whose statistic is as large or larger, every one counted."
            } else {
                "There are too many to count them all: p is that of chi-square with this statistic."
            };
            let said = format!(
                "{}: Friedman's test. In each {rows} rank the ratings of the setups, 1 for the lowest (equal ones share the mean \
                 of their ranks), and add the ranks of each setup. If the setups are rated alike, every order within a trial is equally \
                 likely. {how}",
                test.test
            );
            let sums: Vec<String> = test.setups.iter().zip(rank_sums).map(|(setup, sum)| format!("{setup} {sum}")).collect();
            let df = text::count(rank_sums.len().saturating_sub(1), "degree of freedom", "degrees of freedom");
            (said, format!("rank sums: {}\nQ = {chi_square:.4} on {df}\np = {value}", sums.join(", ")))
        }
        _ => return Vec::new(),
    };
    vec![Block::Text(said), Block::Typed(typed)]
}

fn sum(sum: &Sum) -> Vec<Block> {
    let Sum { said, n, x, right, whole, two_sided, p_value } = sum;
    let (n, x, weight) = (*n, *x, u128::from(whole - right));
    let mut text = String::new();
    let names: Vec<String> = (x..=n).take(SHOWN as usize).map(|k| term(n, k, weight)).collect();
    let more = if n - x + 1 > SHOWN { format!(" + ... + {}", term(n, n, weight)) } else { String::new() };
    text.push_str(&format!("p = [{}{more}] / {whole}^{n}\n", names.join(" + ")));
    if let Some((total, all)) = exact(n, x, weight, u128::from(*whole)) {
        let numbers: Option<Vec<String>> =
            (x..=n).take(SHOWN as usize).map(|k| weighted(n, k, weight).map(|v| v.to_string())).collect();
        if let Some(numbers) = numbers {
            let more = if n - x + 1 > SHOWN { " + ..." } else { "" };
            text.push_str(&format!("  = [{}{more}] / {all}\n", numbers.join(" + ")));
        }
        let value = total as f64 / all as f64;
        let shown = if *two_sided { (2.0 * value).min(1.0) } else { value };
        let twice = if *two_sided { " x 2" } else { "" };
        text.push_str(&format!("  = {total} / {all}{twice} = {shown:.6}\n"));
    } else if let Some(p) = p_value {
        text.push_str(&format!("  = {p:.6}\n"));
    }
    let sheet = format!("in a spreadsheet: =1-BINOM.DIST({}; {n}; {right}/{whole}; TRUE)", x.saturating_sub(1));
    if x > 0 {
        text.push_str(&sheet);
    }
    vec![Block::Text(said.clone()), Block::Typed(text.trim_end().to_owned())]
}

fn term(n: u64, k: u64, weight: u128) -> String {
    match (weight, n - k) {
        (1, _) | (_, 0) => format!("C({n},{k})"),
        (w, rest) => format!("C({n},{k}) x {w}^{rest}"),
    }
}

/// C(n, k), when it fits.
fn choose(n: u64, k: u64) -> Option<u128> {
    let k = k.min(n - k);
    (0..k).try_fold(1u128, |c, i| c.checked_mul(u128::from(n - i)).map(|c| c / u128::from(i + 1)))
}

fn weighted(n: u64, k: u64, weight: u128) -> Option<u128> {
    choose(n, k)?.checked_mul(weight.checked_pow(u32::try_from(n - k).ok()?)?)
}

/// Favourable and all keys as whole numbers, when they fit.
fn exact(n: u64, x: u64, weight: u128, whole: u128) -> Option<(u128, u128)> {
    let all = whole.checked_pow(u32::try_from(n).ok()?)?;
    let total = (x..=n).try_fold(0u128, |sum, k| sum.checked_add(weighted(n, k, weight)?))?;
    Some((total, all))
}
