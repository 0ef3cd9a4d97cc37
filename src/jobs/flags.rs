//! What stands out in a listener's answers: flags in plain words, at a level of 1 %, never an exclusion.

use super::tally::Tally;
use crate::model::trial::Plan;
use crate::stats::checks;
use crate::stats::graded::screening;
use crate::trial::methods;

/// What stands out in a listener's picks. Shown, never a reason to leave anybody out.
pub(super) fn flags(plan: &Plan, tally: &Tally) -> Vec<String> {
    let mut out = Vec::new();
    let first = tally.scored.iter().filter(|s| s.1).count() as u64;
    let n = tally.scored.len() as u64;
    if n >= 8 && checks::position_bias_p(first, n) <= checks::FLAG_LEVEL {
        out.push(format!("picked the first choice {first} of {n} times"));
    }
    let outcomes: Vec<bool> = tally.scored.iter().map(|s| s.0).collect();
    if (8..=400).contains(&outcomes.len()) {
        let (_, improving, declining) = checks::drift(&outcomes);
        if declining <= checks::FLAG_LEVEL / 2.0 {
            out.push("became worse towards the end: tired ears?".to_owned());
        } else if improving <= checks::FLAG_LEVEL / 2.0 {
            out.push("became better towards the end".to_owned());
        }
    }
    let wrong: Vec<bool> = tally.scored.iter().filter(|s| !s.0).map(|s| s.1).collect();
    let first_wrong = wrong.iter().filter(|f| **f).count() as u64;
    if wrong.len() >= 8 && checks::position_bias_p(first_wrong, wrong.len() as u64) <= checks::FLAG_LEVEL {
        out.push(format!("{first_wrong} of {} wrong answers were the first choice", wrong.len()));
    }
    let (_, few, _) = checks::runs(&outcomes);
    if outcomes.len() >= 12 && few <= checks::FLAG_LEVEL {
        out.push("right answers came in clumps: did something change on the way?".to_owned());
    }
    out.extend(fast(plan, tally));
    out
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
pub(super) fn rating_flags(plan: &Plan, tally: &Tally) -> Vec<String> {
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
