//! Tests with a right answer.

use super::{First, attribution, level_note, named, p_of};
use crate::model::result::TestResult;
use crate::model::trial::Design;
use crate::model::verdict::{Subject, VerdictKind};
use crate::report::text::{self, named_p, p_text, percent};

/// `61 of 96 right (chance 48; p = 0.005; takes p = 0.029)`.
fn counts(r: &TestResult, p: f64, takes: bool) -> String {
    let (right, all, missing) = (r.count.correct.unwrap_or(0), r.count.trials, r.unanswered);
    // "right" alone would not say about what.
    let about = r.head.attribute.as_ref().map_or_else(String::new, |word| format!(" about which is {word}"));
    let chance = text::expected(r.count.chance.unwrap_or(0.5) * all as f64);
    let takes = r.p_takes.filter(|_| takes).map_or_else(String::new, |p| format!("; {}", named_p("takes p", p)));
    let level = level_note(r.head.family.level);
    if missing == 0 {
        return format!("{right} of {all} right{about} (chance {chance}; {}{takes}{level})", p_text(p));
    }
    let answered = all.saturating_sub(missing);
    format!("{right} of {answered} answered right{about} (over all {all} planned: chance {chance}; {}{takes}{level})", p_text(p))
}

/// That takes are no wiring, for a positive verdict about the recordings.
pub(super) fn not_the_takes(r: &TestResult) -> String {
    match (r.head.design, r.p_takes, &r.known_by_name) {
        (Design::Crossed, _, Some(why)) => format!("that it was the wiring and not the takes is not shown, for {why}"),
        (Design::Crossed, Some(p), None) => {
            format!("that it was the wiring and not the takes is not shown ({})", named_p("takes p", p))
        }
        _ => "that it was the wiring and not the takes was not tested".to_owned(),
    }
}

/// A positive verdict with what it is about.
fn positive(r: &TestResult, word: &str) -> First {
    let p = p_of(r);
    if r.subject == Some(Subject::Setups) {
        First::new(format!("{word}: {}", counts(r, p, true))).and(attribution(&r.head.differs))
    } else {
        First::new(format!("{word} in these recordings: {}", counts(r, p, false)))
            .and(not_the_takes(r))
            .and(attribution(&r.head.differs))
    }
}

/// Who is named, and who is not.
fn some(r: &TestResult) -> First {
    let level = r.head.family.level;
    let of = |wanted: bool| r.listeners.iter().filter(move |l| (l.p_holm <= level) == wanted);
    let heard: Vec<String> = of(true).map(|l| format!("{} ({} of {})", l.listener, l.correct.unwrap_or(0), l.trials)).collect();
    let others: Vec<&str> = of(false).map(|l| l.listener.as_str()).collect();
    let together =
        format!("together {} of {} ({}{})", r.count.correct.unwrap_or(0), r.count.trials, p_text(p_of(r)), level_note(level));
    let first =
        First::new(format!("Heard by some: {}, not shown for {}", text::names(&heard), text::names(&others))).and(together);
    if r.subject == Some(Subject::Setups) {
        let largest = of(true).filter_map(|l| l.p_takes).reduce(f64::max).unwrap_or(1.0);
        first.and(format!("{} for each named", named_p("takes p", largest))).and(attribution(&r.head.differs))
    } else {
        first.and(not_the_takes(r)).and(attribution(&r.head.differs))
    }
}

pub(super) fn first(r: &TestResult) -> First {
    let p = p_of(r);
    let upper = r.count.distinguishers.map_or(1.0, |d| d.upper95);
    match r.verdict {
        VerdictKind::PlayerCue => First::new(format!(
            "No verdict: {} of {} same-file trials were told apart, so the player or the room gives a cue",
            r.controls.same_file.correct, r.controls.same_file.trials
        ))
        .and("find it before testing again"),
        VerdictKind::RepeatFloor => First::new(format!(
            "No verdict on the setups: repeat takes of one setup were told apart as well, {} of {}",
            r.controls.repeat.correct, r.controls.repeat.trials
        ))
        .and(counts(r, p, false)),
        VerdictKind::HeardSmall => positive(r, "Heard, but rarely").and(format!(
            "at most {} of trials were truly heard, less than the {} set beforehand as worth finding",
            percent(upper),
            percent(r.bound)
        )),
        VerdictKind::HeardSome => some(r),
        VerdictKind::Reversed => {
            First::new(format!("The wrong way round: {}", counts(r, r.p_reversed.unwrap_or(1.0), false)))
                .and("fewer than chance allows")
                .and("check labels and instructions")
        }
        VerdictKind::MixedPanel => First::new(format!("No claim for the panel: {}", counts(r, p, false)))
            .and(format!("{} did well enough alone to deserve a test of their own", text::names(&named(r)))),
        VerdictKind::Insensitive => First::new(format!(
            "No verdict: a known difference of {} dB was told apart in only {} of {} trials, so silence of the answers says nothing of \
             the setups",
            r.known_db.map_or_else(|| "some".to_owned(), |db| db.to_string()),
            r.controls.known.correct,
            r.controls.known.trials
        ))
        .and(counts(r, p, false)),
        VerdictKind::NotShownBounded => First::new(format!("Not shown to be heard in these recordings: {}", counts(r, p, false)))
            .and(format!(
                "if anything was heard, then in at most {} of trials, within the {} set beforehand",
                percent(upper),
                percent(r.bound)
            ))
            .and(attribution(&r.head.differs)),
        VerdictKind::TooFew if r.count.trials == 0 => First::new("Too few trials to tell: nobody answered".to_owned()),
        VerdictKind::TooFew => First::new(format!("Too few trials to tell: {}", counts(r, p, false))).and(attribution(&r.head.differs)),
        _ => positive(r, "Heard"),
    }
}
