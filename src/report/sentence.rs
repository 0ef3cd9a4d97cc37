//! A verdict in words: the headline (verdict word and counts), and the sentence with its evidence and what it may not claim.
//!
//! Both are functions of the one result. Never "proved identical", "no difference", "97 % sure", "pass", "fail" or "winner".

mod rest;
mod right;
mod taste;

use super::text::{self, p_text};
use crate::model::result::{CountDoc, TestResult};
use crate::model::trial::Method;
use crate::model::verdict::{Subject, VerdictKind};
use crate::stats::verdict::power_at;

/// The longest first sentence, in characters.
pub const LONGEST: usize = 220;

/// A level that needs no mention.
const USUAL: f64 = 0.05;

/// A first sentence in pieces: what is said in any case, and what is joined to it while there is room.
struct First {
    said: String,
    more: Vec<String>,
}

impl First {
    fn new(said: String) -> Self {
        Self { said, more: Vec::new() }
    }

    fn and(mut self, more: impl Into<String>) -> Self {
        self.more.push(more.into());
        self
    }

    /// One sentence while it is short; what does not fit makes sentences of its own.
    fn told(self, before: &str, names: &[&str]) -> String {
        // A sentence may begin with a name, which keeps its letters.
        let named = names.iter().any(|name| self.said.starts_with(name));
        let mut first = format!("{before}{}", if before.is_empty() || named { self.said } else { text::lower_first(&self.said) });
        let mut after = Vec::new();
        for more in self.more {
            // One that did not fit is followed by those behind it: their order is their meaning.
            if after.is_empty() && first.chars().count() + more.chars().count() + 3 <= LONGEST {
                first.push_str("; ");
                first.push_str(&more);
            } else {
                after.push(format!(" {}.", upper_first(&more)));
            }
        }
        format!("{}.{}", cut(&first), after.concat())
    }
}

/// Names may be long: a sentence that is still too long ends in an ellipsis.
fn cut(text: &str) -> String {
    if text.chars().count() < LONGEST {
        return text.to_owned();
    }
    let kept: String = text.chars().take(LONGEST - 2).collect();
    format!("{kept}\u{2026}")
}

fn upper_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// The p that decided.
fn p_of(r: &TestResult) -> f64 {
    r.count.p_value.or(r.count.anytime_p).unwrap_or(1.0)
}

/// `; at level 1 %` where it is not the usual one.
fn level_note(level: f64) -> String {
    if (level - USUAL).abs() < 1e-12 { String::new() } else { format!("; at level {}", text::level(level)) }
}

/// What changed: the heads of the facts, joined.
#[must_use]
pub fn attribution(differs: &[String]) -> String {
    let heads: Vec<&str> = differs.iter().map(|d| d.split(':').next().unwrap_or(d).trim()).collect();
    match heads.as_slice() {
        [] => "what changed between the setups was not stated".to_owned(),
        [one] => format!("what changed was {one}"),
        several => format!("what changed was {} together", text::names(several)),
    }
}

/// `ann`, `ann and bob` of the listeners who are significant alone, after Holm.
fn named(r: &TestResult) -> Vec<&str> {
    r.listeners.iter().filter(|l| l.p_holm <= r.head.family.level).map(|l| l.listener.as_str()).collect()
}

/// What has to be said before anything else.
fn prefix(r: &TestResult) -> String {
    let mut out = String::new();
    if r.simulated_only {
        out.push_str("Simulated listeners: ");
    } else if r.practice_only {
        out.push_str("Practice without sound: ");
    }
    if r.head.exploratory {
        out.push_str(if out.is_empty() { "Exploratory: " } else { "exploratory: " });
    }
    out
}

/// The whole verdict.
#[must_use]
pub fn sentence(r: &TestResult) -> String {
    let first = match r.count.method {
        _ if r.verdict == VerdictKind::DataVoid => {
            First::new(format!("No verdict: {}", r.void_reason.as_deref().unwrap_or("the data cannot carry one")))
        }
        Method::Preference => taste::first(r),
        Method::Graded => taste::rated(r),
        _ => right::first(r),
    };
    let listeners = r.listeners.iter().map(|l| l.listener.as_str());
    let names: Vec<&str> = listeners.chain(r.head.setups.iter().map(|s| s.as_str())).collect();
    let mut out = first.told(&prefix(r), &names);
    if r.verdict != VerdictKind::DataVoid {
        rest::rest(r, &mut out);
    }
    if r.head.exploratory {
        out.push_str(" Whatever it shows is a reason for a new session, not a finding.");
    }
    out
}

/// Verdict word and counts in one line: `Heard - the setups - 61 of 96, p = 0.005`.
#[must_use]
pub fn headline(r: &TestResult) -> String {
    let mut notes: Vec<String> = Vec::new();
    if r.simulated_only {
        notes.push("simulated listeners".to_owned());
    } else if r.practice_only {
        notes.push("practice without sound".to_owned());
    }
    match (r.head.exploratory, r.head.family.number) {
        (true, _) => notes.push("exploratory".to_owned()),
        (false, Some(n)) if r.head.family.planned > 1 => notes.push(format!("test {n} of {}", r.head.family.planned)),
        _ => {}
    }
    let notes = if notes.is_empty() { String::new() } else { format!(" ({})", notes.join("; ")) };
    let mut parts = vec![word(r).to_owned()];
    parts.extend(r.subject.map(|s| match s {
        Subject::Setups => "the setups".to_owned(),
        Subject::Recordings => "in these recordings".to_owned(),
    }));
    parts.extend(match r.verdict {
        VerdictKind::DataVoid => r.void_reason.clone(),
        _ => counted(r),
    });
    format!("{}{notes}", cut(&parts.join(" - ")))
}

fn word(r: &TestResult) -> &'static str {
    match r.verdict {
        VerdictKind::DataVoid => "No verdict",
        VerdictKind::PlayerCue => "No verdict - the player gives a cue",
        VerdictKind::RepeatFloor => "No verdict - repeat takes were told apart as well",
        VerdictKind::Heard => "Heard",
        VerdictKind::HeardSome => "Heard by some",
        VerdictKind::HeardSmall => "Heard, but rarely",
        VerdictKind::Reversed => "The wrong way round",
        VerdictKind::MixedPanel => "No claim for the panel",
        VerdictKind::Insensitive => "No verdict - a known difference was not told apart",
        VerdictKind::NotShownBounded => "Not shown to be heard",
        VerdictKind::TooFew => "Too few trials to tell",
        VerdictKind::Preferred => "Preferred",
        VerdictKind::Divided => "Opinions differ",
        VerdictKind::NoPreferenceBounded => "No preference, within the bound",
        VerdictKind::NoPreferenceShown => "No preference shown",
        VerdictKind::RatedApart => "Rated apart",
        VerdictKind::NotRatedApart => "Not rated apart",
    }
}

/// The counts of a headline.
fn counted(r: &TestResult) -> Option<String> {
    let p = p_text(if r.verdict == VerdictKind::Reversed { r.p_reversed.unwrap_or(1.0) } else { p_of(r) });
    match r.count.method {
        Method::Preference => Some(taste::headline(r, &p)),
        Method::Graded => Some(format!("{}, {p}", text::count(r.head.done as usize, "trial", "trials"))),
        _ => Some(match r.unanswered {
            0 => format!("{} of {}, {p}", r.count.correct.unwrap_or(0), r.count.trials),
            missing => format!(
                "{} of {} answered, {missing} unanswered, {p}",
                r.count.correct.unwrap_or(0),
                r.count.trials.saturating_sub(missing)
            ),
        }),
    }
}

/// A bare count, outside a session.
#[derive(Debug, Clone, Copy)]
pub struct Bare<'a> {
    /// The verdict.
    pub kind: VerdictKind,
    /// What the count says.
    pub count: &'a CountDoc,
    /// P of so few right.
    pub p_reversed: f64,
    /// Level.
    pub alpha: f64,
    /// Smallest share worth finding.
    pub bound: f64,
}

/// The sentence of a bare count.
#[must_use]
pub fn bare(b: &Bare<'_>) -> String {
    let c = b.count;
    let (x, n, chance) = (c.correct.unwrap_or(0), c.trials, c.chance.unwrap_or(0.5));
    let p = c.p_value.or(c.anytime_p).unwrap_or(1.0);
    let counts = |p: f64| {
        let by_chance = text::expected(chance * n as f64);
        format!("{x} of {n} right (chance {by_chance}; {}{})", p_text(p), level_note(b.alpha))
    };
    let upper = c.distinguishers.map_or(1.0, |d| d.upper95);
    let said = match b.kind {
        VerdictKind::Preferred | VerdictKind::NoPreferenceBounded | VerdictKind::NoPreferenceShown => {
            let other = n.saturating_sub(x);
            let word = match b.kind {
                VerdictKind::Preferred if 2 * x > n => "The first is preferred",
                VerdictKind::Preferred => "The second is preferred",
                _ => "No preference shown",
            };
            let level = level_note(b.alpha);
            format!("{word}: the first in {x} of {n} picks, the second in {other} ({}, two-sided{level})", p_text(p))
        }
        VerdictKind::HeardSmall => format!(
            "Heard, but rarely: {}; at most {} of trials were truly heard, less than the {} worth finding",
            counts(p),
            text::percent(upper),
            text::percent(b.bound)
        ),
        VerdictKind::Reversed => {
            format!("The wrong way round: {}, fewer than chance allows; check labels and instructions", counts(b.p_reversed))
        }
        VerdictKind::NotShownBounded => format!(
            "Not shown to be heard: {}; if anything was heard, then in at most {} of trials, within the {} set beforehand",
            counts(p),
            text::percent(upper),
            text::percent(b.bound)
        ),
        VerdictKind::TooFew => format!(
            "Too few trials to tell: {}; a listener who is right 3 times in 4 would have been found with a chance of {}",
            counts(p),
            text::percent(power_at(c.method, n, b.alpha, 0.75))
        ),
        _ => format!("Heard: {}", counts(p)),
    };
    format!("{said}.")
}
