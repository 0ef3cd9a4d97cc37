//! The verdict in one sentence: the count, what changed, what stands behind it, and what it may not claim.
//!
//! Never "proved identical", "no difference", "97 % sure", "pass", "fail" or "winner".

use crate::model::trial::Method;
use crate::model::verdict::VerdictKind;
use crate::stats::verdict::{Counted, Decision, Numbers, power_at};
use std::fmt::Write;

/// What the sentence is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// The verdict.
    pub kind: VerdictKind,
    /// The method.
    pub method: Method,
    /// Trials that count.
    pub trials: u64,
    /// Right ones.
    pub correct: u64,
    /// Answered ones; fewer than `trials` when some count as wrong.
    pub answered: u64,
    /// Probability of guessing right.
    pub chance: f64,
    /// Level of the test.
    pub alpha: f64,
    /// The p that decided.
    pub p: f64,
    /// The same after Holm, when several tests ask one question.
    pub p_holm: Option<f64>,
    /// Probability of so few right by chance: what decides about the wrong way round.
    pub reversed_p: f64,
    /// Smallest share of distinguishers worth finding.
    pub bound: f64,
    /// One-sided upper 95 % limit of the share of distinguishers.
    pub upper95: Option<f64>,
    /// Power against a listener who is right 3 times in 4.
    pub power_75: f64,
    /// Open-ended: scored by evidence that allows stopping.
    pub open_ended: bool,
    /// What differs between the setups, one fact each, `what: how`. Empty: not stated.
    pub differs: Vec<String>,
    /// Fewest takes of any setup; none outside a session.
    pub takes: Option<usize>,
    /// Names of the two setups, if there are two.
    pub pair: Option<(String, String)>,
    /// `graded`: every setup's ratings.
    pub ratings: Vec<RatingFact>,
    /// `preference` over more than two setups: every pair.
    pub pairs: Vec<PairFact>,
    /// `attribute`: the word.
    pub attribute: Option<String>,
    /// Listeners who began, and how many were planned.
    pub listeners: Option<(usize, u32)>,
    /// Listeners who are significant after Holm.
    pub significant: Vec<String>,
    /// True when only simulated listeners answered.
    pub simulated_only: bool,
    /// Same-file controls were enough to show a cue: yes, no, or there were none.
    pub cue_tested: Option<bool>,
    /// Repeat controls were enough to show a floor.
    pub floor_tested: Option<bool>,
    /// Takes could be told apart, but fresh takes stood behind every trial.
    pub floor_caution: bool,
    /// Why the data is void.
    pub void_reason: Option<String>,
}

/// How one setup was rated.
#[derive(Debug, Clone, PartialEq)]
pub struct RatingFact {
    /// The setup.
    pub setup: String,
    /// It is the one that was shown openly; its rating is that of the hidden one.
    pub hidden_reference: bool,
    /// Lower quartile, median, upper quartile.
    pub quartiles: [f64; 3],
}

/// What was said of one pair of setups.
#[derive(Debug, Clone, PartialEq)]
pub struct PairFact {
    /// One setup.
    pub first: String,
    /// The other.
    pub second: String,
    /// How often the first was preferred.
    pub preferred: u64,
    /// Picks of this pair.
    pub picks: u64,
    /// Two-sided p after Holm over the pairs.
    pub p_holm: f64,
}

impl Facts {
    /// A bare count, outside a session.
    #[must_use]
    pub fn bare(c: &Counted, n: &Numbers, kind: VerdictKind) -> Self {
        Self {
            kind,
            method: c.method,
            trials: c.trials,
            correct: c.correct,
            answered: c.trials,
            chance: n.chance,
            alpha: c.alpha,
            p: n.p_value.unwrap_or(n.anytime_p),
            p_holm: None,
            reversed_p: n.reversed_p,
            bound: c.bound,
            upper95: n.distinguishers.map(|d| d.upper95),
            power_75: power_at(c.method, c.trials, c.alpha, 0.75),
            open_ended: c.anytime.is_some(),
            differs: Vec::new(),
            takes: None,
            pair: None,
            pairs: Vec::new(),
            ratings: Vec::new(),
            attribute: None,
            listeners: None,
            significant: Vec::new(),
            simulated_only: false,
            cue_tested: None,
            floor_tested: None,
            floor_caution: false,
            void_reason: None,
        }
    }

    /// Takes what the gates have to say.
    pub fn gates(&mut self, decision: &Decision, any_same_file: bool, any_repeat: bool) {
        self.kind = decision.kind;
        self.cue_tested = any_same_file.then_some(decision.cue_tested);
        self.floor_tested = any_repeat.then_some(decision.floor_tested);
        self.floor_caution = decision.floor_caution;
    }
}

/// A p value as a person reads it.
#[must_use]
pub fn p_text(p: f64) -> String {
    if p < 1e-6 {
        "p < 0.000001".to_owned()
    } else if p < 0.001 {
        // One figure is enough, and nobody has to read powers of ten.
        let places = (-p.log10()).ceil() as usize;
        format!("p = {p:.places$}")
    } else if p < 0.1 {
        format!("p = {p:.3}")
    } else {
        format!("p = {p:.2}")
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// What changed, for the sentence: the heads of the facts, joined.
#[must_use]
pub fn attribution(differs: &[String]) -> String {
    let heads: Vec<&str> = differs.iter().map(|d| d.split(':').next().unwrap_or(d).trim()).collect();
    match heads.as_slice() {
        [] => "what changed between the setups was not stated".to_owned(),
        [one] => format!("what changed was {one}"),
        [first, second] => format!("what changed was {first} and {second} together"),
        [most @ .., last] => format!("what changed was {} and {last} together", most.join(", ")),
    }
}

fn counts(f: &Facts) -> String {
    counts_with(f, f.p)
}

fn counts_with(f: &Facts, p: f64) -> String {
    let by_chance = f.trials as f64 * f.chance;
    let by_chance =
        if (by_chance - by_chance.round()).abs() < 1e-9 { format!("{by_chance:.0}") } else { format!("{by_chance:.1}") };
    // "right" alone would not say about what.
    let about = f.attribute.as_ref().map_or_else(String::new, |word| format!(" about which is {word}"));
    format!("{} of {} right{about} (chance {by_chance}; {})", f.correct, f.trials, p_text(p))
}

fn main_clause(f: &Facts) -> String {
    match f.kind {
        VerdictKind::DataVoid => format!("No verdict: {}", f.void_reason.as_deref().unwrap_or("the data cannot carry one")),
        VerdictKind::PlayerCue => {
            "No verdict: same-file trials were told apart, so the player or the room gives a cue; find it before testing again"
                .to_owned()
        }
        VerdictKind::RepeatFloor => {
            format!("No verdict on the setups: repeat takes of one setup were told apart as well ({})", counts(f))
        }
        VerdictKind::Heard => format!("Heard: {}", counts(f)),
        VerdictKind::HeardSmall => format!(
            "Heard, but rarely: {}; at most {} of trials were truly heard, less than the {} set beforehand as worth finding",
            counts(f),
            percent(f.upper95.unwrap_or(1.0)),
            percent(f.bound)
        ),
        VerdictKind::HeardSome => format!("Heard by some: {}; together {}", f.significant.join(", "), counts(f)),
        VerdictKind::Insensitive => {
            "No verdict: a known difference was not told apart, so silence of the answers says nothing of the setups".to_owned()
        }
        VerdictKind::Reversed => {
            let said = counts_with(f, f.reversed_p);
            format!("The wrong way round: {said}, fewer than chance allows; check labels and instructions")
        }
        VerdictKind::MixedPanel => format!(
            "No claim for the panel: {}; {} did well enough on their own to deserve a test of their own",
            counts(f),
            f.significant.join(", ")
        ),
        VerdictKind::NotShownBounded => format!(
            "Not shown to be heard: {}; if anything was heard, then in at most {} of trials, within the {} set beforehand",
            counts(f),
            percent(f.upper95.unwrap_or(1.0)),
            percent(f.bound)
        ),
        VerdictKind::TooFew => format!(
            "Too few trials to tell: {}; a listener who is right 3 times in 4 would have been found with a chance of {}",
            counts(f),
            percent(f.power_75)
        ),
        VerdictKind::Preferred | VerdictKind::Divided | VerdictKind::NoPreferenceBounded | VerdictKind::NoPreferenceShown => {
            preference(f)
        }
        VerdictKind::RatedApart => format!("Rated apart: {}", rated(f)),
        VerdictKind::NotRatedApart => format!("Not rated apart: {}", rated(f)),
    }
}

/// Medians with the middle half, and the test behind them.
fn rated(f: &Facts) -> String {
    let each: Vec<String> = f
        .ratings
        .iter()
        .map(|r| {
            let [low, median, high] = r.quartiles;
            let hidden = if r.hidden_reference { " (the hidden reference)" } else { "" };
            format!("{}{hidden} got {median:.0} of 100 (the middle half {low:.0} to {high:.0})", r.setup)
        })
        .collect();
    let test = if f.ratings.len() == 2 { "signed ranks, two-sided" } else { "Friedman" };
    let rows = if f.trials == 1 { "1 trial".to_owned() } else { format!("{} trials", f.trials) };
    if each.is_empty() {
        "nothing was rated".to_owned()
    } else {
        format!("{} over {rows} ({}, {test})", each.join(", "), p_text(f.p))
    }
}

/// More than two setups: no count of all picks together means anything, so the pairs speak.
fn preference_of_pairs(f: &Facts) -> String {
    let over = format!("two-sided, after Holm over {} pairs", f.pairs.len());
    if f.kind != VerdictKind::Preferred {
        let least = f.pairs.iter().map(|p| p.p_holm).fold(1.0, f64::min);
        return format!(
            "No preference shown: in none of {} picks of {} pairs was one setup preferred more often than guessing explains (smallest {}, {over})",
            f.trials,
            f.pairs.len(),
            p_text(least)
        );
    }
    let told: Vec<String> = f
        .pairs
        .iter()
        .filter(|p| p.p_holm <= f.alpha)
        .map(|p| {
            let (better, other, times) = if 2 * p.preferred > p.picks {
                (&p.first, &p.second, p.preferred)
            } else {
                (&p.second, &p.first, p.picks - p.preferred)
            };
            format!("{better} is preferred to {other} ({times} of {} picks, {})", p.picks, p_text(p.p_holm))
        })
        .collect();
    format!("{}; {over}", told.join(", "))
}

fn preference(f: &Facts) -> String {
    if !f.pairs.is_empty() {
        return preference_of_pairs(f);
    }
    let (first, second) = f.pair.clone().unwrap_or_else(|| ("the first".to_owned(), "the second".to_owned()));
    let picks = format!(
        "{first} was preferred in {} of {} picks, {second} in {} ({}, two-sided)",
        f.correct,
        f.trials,
        f.trials - f.correct.min(f.trials),
        p_text(f.p)
    );
    if f.kind == VerdictKind::Preferred {
        let which = if 2 * f.correct > f.trials { &first } else { &second };
        format!("{which} is preferred: {picks}")
    } else {
        format!("No preference shown: {picks}")
    }
}

/// The whole verdict.
#[must_use]
pub fn verdict(f: &Facts) -> String {
    let mut text = String::new();
    if f.simulated_only {
        text.push_str("Simulated listeners: ");
    }
    let main = main_clause(f);
    text.push_str(&if f.simulated_only { lower_first(&main) } else { main });
    // Writing to a String cannot fail.
    if f.kind != VerdictKind::DataVoid && f.takes.is_some() {
        let _ = write!(text, "; {}", attribution(&f.differs));
    }
    text.push('.');
    if f.kind == VerdictKind::DataVoid {
        return text;
    }
    if let Some(p) = f.p_holm.filter(|h| *h > f.p) {
        let _ = write!(text, " Several tests ask this question: after correction {}.", p_text(p));
    }
    if f.answered < f.trials {
        let _ = write!(text, " {} of the {} trials were not answered and count as wrong.", f.trials - f.answered, f.trials);
    }
    takes(f, &mut text);
    controls(f, &mut text);
    if let Some((began, planned)) = f.listeners.filter(|(b, p)| *p > 1 || *b > 1) {
        let _ = write!(text, " {began} of {planned} planned listeners took part.");
    }
    text
}

fn takes(f: &Facts, text: &mut String) {
    let Some(takes) = f.takes else { return };
    let _ = if takes < 4 {
        let word = if takes == 1 { "take" } else { "takes" };
        write!(text, " This speaks of these recordings, not of the wiring: {takes} {word} of a setup, 4 or more are advised.")
    } else if f.floor_caution {
        write!(text, " Takes could be told apart; {takes} takes per setup stand behind this.")
    } else {
        write!(text, " {takes} takes per setup stand behind this.")
    };
}

fn controls(f: &Facts, text: &mut String) {
    if f.takes.is_none() || matches!(f.kind, VerdictKind::RatedApart | VerdictKind::NotRatedApart) {
        return;
    }
    let said = match (f.cue_tested, f.floor_tested) {
        (Some(true), _) => None,
        (Some(false), _) => Some("too few same-file controls to show a cue of the player"),
        (None, _) => Some("no same-file controls, so a cue of the player was not tested for"),
    };
    if let Some(said) = said {
        let _ = write!(text, " There were {said}.");
    }
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
}
