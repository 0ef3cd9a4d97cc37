//! What stands out in a listener's answers: flags in plain words, at a level of 1 %, never an exclusion.

use crate::model::trial::{Method, Plan};
use crate::stats::binomial::two_sided;
use crate::stats::checks::{self, Places};
use crate::stats::graded::screening;
use crate::trial::methods;
use crate::verdict::tally::Tally;

/// What stands out in a listener's picks. Shown, never a reason to leave anybody out.
pub(crate) fn flags(plan: &Plan, tally: &Tally) -> Vec<String> {
    let mut out = Vec::new();
    let outcomes: Vec<bool> = tally.scored.iter().map(|s| s.0).collect();
    out.extend(place(plan, tally));
    // A preference is neither right nor wrong: a taste that changes is not an ear that tires.
    if plan.method != Method::Preference {
        out.extend(drift(&outcomes));
        let (_, few, _) = checks::runs(&outcomes);
        if outcomes.len() >= 12 && few <= checks::FLAG_LEVEL {
            out.push("right answers came in clumps: did something change on the way?".to_owned());
        }
    }
    out.extend(fast(plan, tally));
    out
}

/// A lean towards the first choice: in all answers, or in the wrong ones only, which no ear explains.
fn place(plan: &Plan, tally: &Tally) -> Option<String> {
    let n = tally.scored.len() as u64;
    let count = |right: bool, first: bool| tally.scored.iter().filter(|s| **s == (right, first)).count() as u64;
    let first = count(true, true) + count(false, true);
    // Of three choices the first is right one time in three, and a wrong answer has two ways.
    if plan.method == Method::Triangle {
        let far = n >= 8 && two_sided(first, n, 1.0 / 3.0) <= checks::FLAG_LEVEL;
        return far.then(|| format!("picked the first choice {first} of {n} times"));
    }
    let places = if plan.method == Method::Preference {
        // Nothing is right: only the share of first choices can be looked at.
        Places { first_first: first, second_second: n - first, ..Places::default() }
    } else {
        Places {
            first_first: count(true, true),
            first_second: count(false, false),
            second_first: count(false, true),
            second_second: count(true, false),
        }
    };
    let (bias, wrong) = (places.bias(), places.first_second + places.second_first);
    if n >= 8 && bias.p <= checks::FLAG_LEVEL {
        return Some(format!("picked the first choice {first} of {n} times"));
    }
    let only_wrong = wrong >= 8 && bias.p_wrong <= checks::FLAG_LEVEL;
    only_wrong.then(|| format!("{} of {wrong} wrong answers were the first choice", places.second_first))
}

/// Most trials whose drift is computed exactly: the sums to be counted grow with the fourth power. Above, tenths of the evening serve.
const EXACT_DRIFT: usize = 64;

/// Becoming better or worse: exact while that can be computed soon, else by blocks of a tenth.
fn drift(outcomes: &[bool]) -> Option<String> {
    let n = outcomes.len();
    let (improving, declining) = match n {
        ..8 => return None,
        8..=EXACT_DRIFT => {
            let (_, improving, declining) = checks::drift(outcomes);
            (improving, declining)
        }
        _ => {
            let blocks: Vec<(f64, u64, u64)> = outcomes
                .chunks(n.div_ceil(10))
                .enumerate()
                .map(|(i, block)| (i as f64, block.len() as u64, block.iter().filter(|r| **r).count() as u64))
                .collect();
            let (z, p) = checks::trend(&blocks)?;
            if z > 0.0 { (p / 2.0, 1.0) } else { (1.0, p / 2.0) }
        }
    };
    let worse = declining <= checks::FLAG_LEVEL / 2.0;
    if !worse && improving > checks::FLAG_LEVEL / 2.0 {
        return None;
    }
    let text = if worse { "became worse towards the end: tired ears?" } else { "became better towards the end" };
    // Where right and wrong do not overlap in time there is no finite slope to name.
    Some(checks::slope(outcomes).map_or_else(
        || text.to_owned(),
        |s| {
            format!(
                "{text} (odds of a right answer {} by {:.0} % per trial)",
                if worse { "fell" } else { "rose" },
                100.0 * (s.per_trial.exp() - 1.0).abs()
            )
        },
    ))
}

/// Answers that came before every sample can have sounded, or far below the listener's own pace. Simulated listeners have no pace.
fn fast(plan: &Plan, tally: &Tally) -> Option<String> {
    let slots = methods::labels(plan.method, plan.setups.len() + 1).len();
    let floor = 0.3 * slots as f64;
    let (_, _, below, low) = checks::too_fast(&tally.seconds, floor)?;
    let n = tally.seconds.len();
    if !below.is_empty() {
        return Some(format!(
            "answered {} of {n} trials in less than {floor:.1} s, before every sample can have sounded",
            below.len()
        ));
    }
    (n >= 8 && !low.is_empty()).then(|| format!("answered {} of {n} trials far quicker than the others", low.len()))
}

/// What stands out in a listener's ratings.
pub(crate) fn rating_flags(plan: &Plan, tally: &Tally) -> Vec<String> {
    let reference = plan.reference.as_ref().map_or(0, |r| plan.setups.iter().position(|s| s == r).unwrap_or(0));
    let hidden: Vec<f64> = tally.ratings.iter().filter_map(|r| r.0.get(reference).copied()).collect();
    let anchor: Vec<f64> = tally.ratings.iter().map(|r| r.1).collect();
    let (low, high, _) = screening(&hidden, &anchor);
    let mut out = Vec::new();
    if low > 0.15 {
        out.push(format!("rated the hidden reference below 90 in {:.0} % of trials", 100.0 * low));
    }
    if high > 0.15 {
        out.push(format!("rated the dulled anchor above 90 in {:.0} % of trials", 100.0 * high));
    }
    out
}
