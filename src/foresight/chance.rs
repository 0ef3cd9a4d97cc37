//! `chance`: everything that a number of right answers says; without one, what so many trials can find.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::trial::Method;
use crate::report::count::{CountDoc, Endless, NeededDoc, PowerDoc, two_digits};
use crate::report::sentence::{self, Bare};
use crate::stats::evidence;
use crate::stats::power::trials_for;
use crate::stats::sequential;
pub use crate::stats::sequential::Spending;
use crate::stats::verdict::{Counted, Surroundings, decide, numbers, power_at, power_steps};
use serde::Serialize;

/// Most trials that `chance` and `plan` look at.
pub const MOST_TRIALS: u64 = 1_000_000;

/// The document of `chance` with `--correct`.
#[derive(Debug, Clone, Serialize)]
pub struct ChanceDoc {
    /// All numbers.
    #[serde(flatten)]
    pub count: CountDoc,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The verdict as a sentence.
    pub sentence: String,
    /// What the order of the picks says besides, where it was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sequence: Option<SequenceDoc>,
}

/// What the order of the picks says: p values that hold although one looked after every trial.
#[derive(Debug, Clone, Serialize)]
pub struct SequenceDoc {
    /// The picks in order, 1 for right (`preference`: the first named), 0 for the others.
    pub picks: String,
    /// Most evidence E after any pick.
    pub evidence_most: Endless,
    /// The trial after which E was most, from 1; nothing where it never rose above 1.
    pub at_trial: Option<u64>,
    /// 1 over the most evidence, at most 1: valid whenever one stops, for a test without an end.
    pub anytime_p: f64,
    /// For a test that ends at `cap`: the exact probability of as much evidence within so many guesses.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capped: Option<CappedDoc>,
}

/// A capped test.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct CappedDoc {
    /// Most trials.
    pub cap: u64,
    /// Valid whenever one stops.
    pub p_value: f64,
}

/// One of several looks that a plan allows.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct LookDoc {
    /// After so many trials.
    pub trials: u64,
    /// Fewest right that stop the test; nothing where none do.
    pub critical: Option<u64>,
    /// Exact probability of having stopped by then, guessing.
    pub used: f64,
}

/// The document of `chance` without `--correct`.
#[derive(Debug, Clone, Serialize)]
pub struct WhatIfDoc {
    /// The method.
    pub method: &'static str,
    /// Trials.
    pub trials: u64,
    /// Probability of guessing right.
    pub chance: f64,
    /// Fewest right that the test calls heard.
    pub critical: Option<u64>,
    /// Exact size at that count.
    pub true_size: f64,
    /// Power.
    pub power: Vec<PowerDoc>,
    /// Trials needed for a power of 80 %.
    pub trials_for_80: Vec<NeededDoc>,
    /// Where looks before the end were asked for: the number right that stops at each.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub looks: Option<Vec<LookDoc>>,
}

/// Checks what was asked for.
fn counted(method: Method, trials: u64, correct: u64, alpha: f64, bound: f64) -> Result<Counted, Failure> {
    let wrong = |message: String, next: &str| Err(Failure::plain("wrong-use", Fate::WrongUse, message, next));
    if method == Method::Graded {
        return wrong(
            "graded ratings have no number of right answers".to_owned(),
            "chance is for abx, duo-trio, triangle, preference, attribute",
        );
    }
    if !(1..=MOST_TRIALS).contains(&trials) {
        return wrong(format!("{trials} trials; 1 to {MOST_TRIALS} are wanted"), "give --trials N");
    }
    if correct > trials {
        return wrong(format!("{correct} right of {trials} cannot be"), "check the two numbers");
    }
    if !(alpha > 0.0 && alpha < 1.0) {
        return wrong(format!("a level of {alpha}; a number above 0 and below 1 is wanted"), "0.05 is usual");
    }
    if !(bound > 0.0 && bound <= 1.0) {
        return wrong(format!("a smallest share of {bound}; a number above 0, at most 1, is wanted"), "0.3 is the default");
    }
    Ok(Counted { method, trials, correct, alpha, bound, anytime: None })
}

/// Everything that `correct` of `trials` says.
///
/// # Errors
/// Numbers that cannot be.
pub fn chance(method: Method, trials: u64, correct: u64, alpha: f64, bound: f64) -> Result<ChanceDoc, Failure> {
    let c = counted(method, trials, correct, alpha, bound)?;
    let found = numbers(&c);
    let decision = decide(&c, &found, &Surroundings::bare(found.p_value.unwrap_or(1.0)));
    let count = CountDoc::new(&c, &found);
    let sentence = sentence::bare(&Bare { kind: decision.kind, count: &count, p_reversed: found.reversed_p, alpha, bound });
    Ok(ChanceDoc { count, verdict: decision.kind.name(), sentence, sequence: None })
}

/// Most picks that a capped test may have: its recursion takes the square of it.
const MOST_CAPPED: u64 = 5000;

/// Everything that picks in their order say: `1` for right, `0` for wrong (`preference`: the first or the second named).
///
/// # Errors
/// Other signs, numbers that cannot be, a cap below the picks, a cap for `preference`.
pub fn chance_of_picks(method: Method, picks: &str, cap: Option<u64>, alpha: f64, bound: f64) -> Result<ChanceDoc, Failure> {
    let wrong = |message: String, next: &str| Failure::plain("wrong-use", Fate::WrongUse, message, next);
    let outcomes: Vec<bool> = picks
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| match c {
            '1' => Ok(true),
            '0' => Ok(false),
            other => Err(wrong(format!("{other:?} among the picks"), "write 1 for right and 0 for wrong, as in --picks 1101")),
        })
        .collect::<Result<_, _>>()?;
    let n = outcomes.len() as u64;
    let mut doc = chance(method, n, outcomes.iter().filter(|o| **o).count() as u64, alpha, bound)?;
    let (two_sided, g) = (method == Method::Preference, doc.count.chance.unwrap_or(0.5));
    let (most, at_trial) = evidence::ln_most(outcomes.iter().copied(), g, two_sided);
    let capped = match cap {
        None => None,
        Some(_) if two_sided => {
            return Err(wrong("a cap goes with right answers, and a preference has none".to_owned(), "leave --cap out"));
        }
        Some(cap) if cap < n || cap > MOST_CAPPED => {
            return Err(wrong(format!("a cap of {cap} with {n} picks"), "give the most trials that were planned, at most 5000"));
        }
        Some(cap) => Some(CappedDoc { cap, p_value: sequential::capped_p(&outcomes, cap, g).1 }),
    };
    let picks = outcomes.iter().map(|o| if *o { '1' } else { '0' }).collect();
    let anytime_p = (-most).exp();
    doc.count.anytime_p = Some(anytime_p);
    doc.sequence = Some(SequenceDoc { picks, evidence_most: Endless(most.exp()), at_trial, anytime_p, capped });
    Ok(doc)
}

/// The number right that stops a test at each of several looks, the last being its end.
///
/// # Errors
/// Looks that do not rise, too many trials, a method without right answers.
pub fn looks(method: Method, at: &[u64], alpha: f64, spending: Spending) -> Result<WhatIfDoc, Failure> {
    let wrong = |message: String, next: &str| Err(Failure::plain("wrong-use", Fate::WrongUse, message, next));
    if method == Method::Preference {
        return wrong("looks count right answers, and a preference has none".to_owned(), "name a method with right answers");
    }
    if at.first().is_none_or(|n| *n == 0) || at.windows(2).any(|w| w[0] >= w[1]) || at.last().is_some_and(|n| *n > MOST_CAPPED) {
        let text = at.iter().map(ToString::to_string).collect::<Vec<_>>().join(",");
        return wrong(format!("looks at {text}"), "numbers of trials that rise, at most 5000, as in --looks 8,16,24");
    }
    let mut doc = what_if(method, at[at.len() - 1], alpha)?;
    let found = sequential::looks(at, doc.chance, alpha, spending);
    let each =
        at.iter().zip(found).map(|(n, (least, used))| LookDoc { trials: *n, critical: Some(least).filter(|c| c <= n), used });
    doc.looks = Some(each.collect());
    Ok(doc)
}

/// What `trials` can find.
///
/// # Errors
/// Numbers that cannot be.
pub fn what_if(method: Method, trials: u64, alpha: f64) -> Result<WhatIfDoc, Failure> {
    let c = counted(method, trials, 0, alpha, 0.3)?;
    let found = numbers(&c);
    let trials_for_80 = power_steps(method)
        .into_iter()
        .map(|p| {
            // The farthest that anybody would plan; beyond it the answer is "too many".
            let needed = trials_for(0.8, 2000, |n| power_at(method, n, alpha, p));
            NeededDoc { p_correct: two_digits(p), first: needed.first, stable: needed.stable }
        })
        .collect();
    Ok(WhatIfDoc {
        method: method.name(),
        trials,
        chance: found.chance,
        critical: found.critical,
        true_size: found.true_size.unwrap_or(0.0),
        power: CountDoc::new(&c, &found).power,
        trials_for_80,
        looks: None,
    })
}
