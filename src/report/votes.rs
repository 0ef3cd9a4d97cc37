//! What an audience's answers say, in one sentence.

use super::text::p_text;

/// The numbers behind the sentence.
#[derive(Debug, Clone, Copy)]
pub struct VoteFacts {
    /// People.
    pub people: u64,
    /// Numbered clips.
    pub clips: u64,
    /// Clips that somebody answered.
    pub answered_clips: u64,
    /// Answers.
    pub answers: u64,
    /// Right ones.
    pub correct: u64,
    /// Right ones to be expected by guessing.
    pub by_chance: f64,
    /// The p of the count.
    pub p: f64,
    /// The smallest p that can be reached.
    pub least_p: f64,
    /// The level.
    pub alpha: f64,
    /// Blind montages of this session: each is a chance of its own to be right.
    pub montages: u64,
    /// Fewer than 4 takes of some setup stand behind the clips.
    pub few_takes: bool,
    /// How often answers to the same montage were counted before.
    pub counted_before: usize,
    /// The key was public when this was counted.
    pub revealed: bool,
}

impl VoteFacts {
    /// A p over all montages of the session: min(1, M p).
    #[must_use]
    pub fn over_all(&self, p: f64) -> f64 {
        (self.montages.max(1) as f64 * p).min(1.0)
    }
}

fn plural(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

fn finding(f: &VoteFacts) -> &'static str {
    if f.counted_before > 0 || f.revealed {
        // A second look, or a key that could be known: the numbers stand, a claim does not.
        "For the record"
    } else if f.over_all(f.p) <= f.alpha {
        "Heard by this audience"
    } else if f.over_all(f.least_p) > f.alpha {
        "Nothing could be shown"
    } else {
        "Not shown to be heard"
    }
}

fn reservations(f: &VoteFacts, out: &mut String) {
    if f.counted_before > 0 {
        out.push_str(&format!(
            " Answers to it were counted {} before: only the first count can carry a claim.",
            times(f.counted_before)
        ));
    }
    if f.revealed {
        out.push_str(" The key was revealed before this count: answers given after that say nothing.");
    }
    if f.few_takes {
        out.push_str(" Fewer than 4 takes of a setup stand behind it: this is about these recordings, not about the wiring.");
    }
}

fn times(n: usize) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}

/// What the least p is counted over: a clip that nobody answered adds nothing.
fn answered_clips(f: &VoteFacts) -> String {
    let all = plural(f.clips, "clip", "clips");
    if f.answered_clips < f.clips { format!("answers to {} of {all}", f.answered_clips) } else { all }
}

/// Everybody heard one key: the clips are the trials, not the people.
#[must_use]
pub fn one_key(f: &VoteFacts) -> String {
    let mut out = format!(
        "{}: {} of {} right ({:.1} by chance) from {}; a key drawn anew does as well with {}; with {} the least possible is {}.",
        finding(f),
        f.correct,
        plural(f.answers, "answer", "answers"),
        f.by_chance,
        plural(f.people, "person", "people"),
        p_text(f.p),
        answered_clips(f),
        p_text(f.least_p),
    );
    if f.montages > 1 {
        out.push_str(&format!(
            " It is one of {} montages of this session: over all of them {}.",
            f.montages,
            p_text(f.over_all(f.p))
        ));
    }
    if f.over_all(f.least_p) > f.alpha {
        out.push_str(" So few clips cannot beat chance, however many people are right.");
    }
    out.push_str(" Everybody heard the same key, so people are not trials.");
    reservations(f, &mut out);
    out
}

/// What only visitors of the page have.
#[derive(Debug, Clone, Default)]
pub struct VisitFacts {
    /// Visits that were not the visitor's first.
    pub later: u64,
    /// Lines that stood there more than once.
    pub repeated: u64,
    /// Each pair of setups.
    pub pairs: Vec<PairFacts>,
}

/// A pair of setups that visitors compared.
#[derive(Debug, Clone)]
pub struct PairFacts {
    /// `mild against dark`.
    pub setups: String,
    /// Answers.
    pub answers: u64,
    /// Right ones.
    pub correct: u64,
    /// p over all pairs.
    pub p: f64,
}

/// Everybody had draws of their own, on an unguarded page.
#[must_use]
pub fn own_keys(f: &VoteFacts, came: &VisitFacts) -> String {
    let mut out = format!(
        "Unguarded audience: {} of {} right ({:.1} by chance) from {}, {}, everybody by draws of their own.",
        f.correct,
        plural(f.answers, "answer", "answers"),
        f.by_chance,
        plural(f.people, "person", "people"),
        p_text(f.p),
    );
    if came.pairs.len() > 1 {
        let each = came.pairs.iter().map(|p| format!("{}: {} of {}, {}", p.setups, p.correct, p.answers, p_text(p.p)));
        out.push_str(&format!(" By pairs, each p over all of them: {}.", each.collect::<Vec<_>>().join("; ")));
    }
    if came.later > 0 {
        out.push_str(&format!(
            " {}: more tries are more luck.",
            plural(came.later, "visit was not the visitor's first", "visits were not their visitor's first")
        ));
    }
    if came.repeated > 0 {
        out.push_str(&format!(
            " {} more than once and counted once.",
            plural(came.repeated, "line stood there", "lines stood there")
        ));
    }
    out.push_str(" Visitors can cheat and choose whether to send their answers, so this is not a verdict and is never added to a sealed test.");
    if f.counted_before > 0 {
        out.push_str(&format!(" Answers from the page were counted {} before.", times(f.counted_before)));
    }
    if f.few_takes {
        out.push_str(" Fewer than 4 takes of a setup stand behind it: this is about these recordings, not about the wiring.");
    }
    out
}
