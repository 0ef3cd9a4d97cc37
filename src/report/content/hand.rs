//! How to recompute a verdict by hand: the binomial sum, written out with its numbers.

use super::sealed::scored;
use super::{Block, Section, section};
use crate::model::trial::Method;
use crate::report::view::{Report, ScoreView, TestView};

/// Terms that are written out before the rest is only named.
const SHOWN: u64 = 8;

/// The section.
pub fn hand(report: &Report) -> Section {
    let mut blocks = Vec::new();
    for (test, score) in scored(report) {
        if score.trials == 0 || test.planned.is_none() || test.method == Method::Graded {
            continue;
        }
        blocks.extend(sum(test, score));
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
        blocks.push(Block::Text(
            "All trials as a table: cabjury score FOLDER --csv FILE. Everything again from the recordings up: cabjury audit FOLDER.".to_owned(),
        ));
    }
    section("hand", "Recompute it by hand", blocks)
}

fn sum(test: &TestView, score: &ScoreView) -> Vec<Block> {
    let (n, two_sided) = (score.trials, test.method == Method::Preference);
    let (right, whole) = test.method.chance().unwrap_or((1, 2));
    let x = if two_sided { score.correct.max(n - score.correct) } else { score.correct };
    let weight = u128::from(whole - right);
    let what = if two_sided {
        format!(
            "{}: one side is the chance of {x} or more of {n} for the same setup; both sides are twice that, at most 1",
            test.test
        )
    } else {
        format!("{}: the chance of {x} or more right of {n} when guessing", test.test)
    };
    let mut text = String::new();
    let names: Vec<String> = (x..=n).take(SHOWN as usize).map(|k| term(n, k, weight)).collect();
    let more = if n - x + 1 > SHOWN { format!(" + ... + {}", term(n, n, weight)) } else { String::new() };
    text.push_str(&format!("p = [{}{more}] / {whole}^{n}\n", names.join(" + ")));
    if let Some((total, all)) = exact(n, x, weight, u128::from(whole)) {
        let numbers: Option<Vec<String>> =
            (x..=n).take(SHOWN as usize).map(|k| weighted(n, k, weight).map(|v| v.to_string())).collect();
        if let Some(numbers) = numbers {
            let more = if n - x + 1 > SHOWN { " + ..." } else { "" };
            text.push_str(&format!("  = [{}{more}] / {all}\n", numbers.join(" + ")));
        }
        let value = total as f64 / all as f64;
        let shown = if two_sided { (2.0 * value).min(1.0) } else { value };
        let twice = if two_sided { " x 2" } else { "" };
        text.push_str(&format!("  = {total} / {all}{twice} = {shown:.6}\n"));
    } else if let Some(p) = score.p_value {
        text.push_str(&format!("  = {p:.6}\n"));
    }
    let sheet = format!("in a spreadsheet: =1-BINOM.DIST({}; {n}; {right}/{whole}; TRUE)", x.saturating_sub(1));
    if x > 0 {
        text.push_str(&sheet);
    }
    vec![Block::Text(format!("{what}.")), Block::Typed(text.trim_end().to_owned())]
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
