//! What an audience that visited the hall showed, in a sentence: counts and p, and what nobody guards.

use super::text::{expected, p_text, percent};
use crate::model::ids::SetupName;
use crate::model::verdict::VerdictKind;

/// The numbers behind the sentence.
#[derive(Debug, Clone, Copy)]
pub struct VisitorFacts<'a> {
    /// Why nothing is counted.
    pub void_reason: Option<&'a str>,
    /// What the count would be called in a panel: for its gates alone.
    pub kind: VerdictKind,
    /// The setups, where they were preferred and not told apart.
    pub preference: Option<&'a [SetupName]>,
    /// Visitors who answered.
    pub visitors: u64,
    /// Visitors who answered everything.
    pub through: u64,
    /// Scored trials, unanswered ones included.
    pub trials: u64,
    /// Right ones; of a preference, picks of the first setup.
    pub correct: u64,
    /// Not answered.
    pub unanswered: u64,
    /// Chance of a right guess.
    pub chance: f64,
    /// The p that decides.
    pub p: Option<f64>,
    /// The takes test.
    pub p_takes: Option<f64>,
    /// The level.
    pub level: f64,
    /// Upper limit of the mean share heard.
    pub upper: Option<f64>,
}

/// What nobody guards where an audience listens by itself.
#[must_use]
pub fn not_guarded() -> Vec<String> {
    [
        "visitors chose to come: they stand for nobody but themselves",
        "somebody who comes again without the cookie is counted as another visitor",
        "what they listened with, how loud, and what else was done to the sound is not known",
        "a visitor may record and compare the sounds instead of listening",
        "that a sample was heard is what the visitor's own browser says",
        "whoever runs the hall has its key and could open orders while they are answered",
    ]
    .map(str::to_owned)
    .to_vec()
}

fn found(f: &VisitorFacts<'_>) -> &'static str {
    let shown = f.p.is_some_and(|p| p <= f.level);
    match f.kind {
        VerdictKind::PlayerCue => "no count: the player itself gave answers away",
        VerdictKind::RepeatFloor => "no count: repeat takes were told apart just as well",
        _ if f.visitors == 0 => "nobody answered",
        _ if shown && f.preference.is_some() => "one setup was preferred",
        _ if shown => "right oftener than guessing",
        _ if f.preference.is_some() => "no preference is shown",
        _ => "not shown to be heard",
    }
}

/// The sentence.
#[must_use]
pub fn sentence(f: &VisitorFacts<'_>) -> String {
    if let Some(why) = f.void_reason {
        return format!("Audience: nothing is counted: {why}.");
    }
    let p = f.p.map_or_else(|| "no p".to_owned(), p_text);
    let count = match f.preference {
        Some([first, ..]) => format!("{first} was picked in {} of {} trials; by visitors {p}", f.correct, f.trials),
        _ => format!("{} of {} right ({} by chance; {p})", f.correct, f.trials, expected(f.trials as f64 * f.chance)),
    };
    let people = if f.visitors == 1 { "1 visitor".to_owned() } else { format!("{} visitors", f.visitors) };
    let mut out = format!("Audience: {}: {count}, from {people}, {} of them through.", found(f), f.through);
    if f.unanswered > 0 {
        out.push_str(&format!(" {} planned trials were not answered and count against it.", f.unanswered));
    }
    match f.p_takes {
        Some(p_takes) if p_takes <= f.level => out.push_str(&format!(" Takes {}.", p_text(p_takes))),
        Some(p_takes) => {
            out.push_str(&format!(" That it was the wiring and not the takes is not shown (takes {}).", p_text(p_takes)));
        }
        None => out.push_str(" It is about these recordings."),
    }
    if let Some(upper) = f.upper {
        out.push_str(&format!(" Visitors like these truly hear about {} of trials at most, on average.", percent(upper)));
    }
    out.push_str(
        " Visitors came by themselves and nobody watched them: this is not a panel's verdict and is never added to one.",
    );
    out
}
