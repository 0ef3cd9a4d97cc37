//! Preference, pair by pair, and ratings.

use super::right::not_the_takes;
use super::{First, attribution, level_note, p_of};
use crate::model::result::{PreferenceDoc, RankTest, TestResult};
use crate::model::verdict::{Scope, Subject, VerdictKind};
use crate::report::text::{self, named_p, p_text, percent};

/// Of a pair: who leads, who follows, picks of the leader, listeners who lean to the leader and to the other.
struct Lead<'a> {
    ahead: &'a str,
    behind: &'a str,
    picks: u64,
    leaning: [u64; 2],
}

fn lead(pair: &PreferenceDoc) -> Lead<'_> {
    let (first, second) = (pair.first.as_str(), pair.second.as_str());
    let of_second = pair.picks.saturating_sub(pair.first_preferred);
    // Of several listeners the lead is that of their shares; with equal plans it is that of the picks.
    if pair.first_preferred >= of_second {
        Lead { ahead: first, behind: second, picks: pair.first_preferred, leaning: pair.leaning }
    } else {
        Lead { ahead: second, behind: first, picks: of_second, leaning: [pair.leaning[1], pair.leaning[0]] }
    }
}

/// Where a bound keeps the share of picks.
fn between(bound: f64) -> String {
    format!("between {} and {}", percent(0.5 - bound / 2.0), percent(0.5 + bound / 2.0))
}

/// The counts of a headline.
pub(super) fn headline(r: &TestResult, p: &str) -> String {
    match r.preference.as_deref().unwrap_or_default() {
        [pair] => {
            let l = lead(pair);
            if r.verdict == VerdictKind::Divided {
                return format!(
                    "{} of {} listeners for {}, {} for {}, {p}",
                    l.leaning[0],
                    r.listeners.len(),
                    l.ahead,
                    l.leaning[1],
                    l.behind
                );
            }
            // Where each was tested alone, the p over all says nothing of the claim.
            let p = if pair.scope == Some(Scope::Each) { format!("each p <= {}", r.head.family.level) } else { p.to_owned() };
            format!("{} in {} of {}, {p}", l.ahead, l.picks, pair.picks)
        }
        pairs => {
            let found = pairs.iter().filter(|q| q.scope.is_some()).count();
            format!("{found} of {} pairs, {p}", pairs.len())
        }
    }
}

fn preferred(r: &TestResult, pair: &PreferenceDoc, p: f64) -> String {
    let l = lead(pair);
    let counts = format!("{} of {}", l.picks, pair.picks);
    let level = level_note(r.head.family.level);
    match (pair.scope, r.listeners.as_slice()) {
        (Some(Scope::One), [only]) => {
            format!("{} prefers {} to {}: {counts} ({}{level})", only.listener, l.ahead, l.behind, p_text(p))
        }
        (Some(Scope::Each), all) => {
            format!(
                "Each of the {} listeners prefers {} to {}: {counts} (each p <= {})",
                all.len(),
                l.ahead,
                l.behind,
                r.head.family.level
            )
        }
        (_, all) => format!(
            "{} is preferred to {}: {} of {} listeners lean to it, {counts} picks ({}{level})",
            l.ahead,
            l.behind,
            l.leaning[0],
            all.len(),
            named_p("p over listeners", p)
        ),
    }
}

fn divided(r: &TestResult, pair: &PreferenceDoc) -> String {
    let l = lead(pair);
    format!(
        "{} of {} listeners prefer {}, {} prefer {}; those named have p <= {} after Holm",
        l.leaning[0],
        r.listeners.len(),
        l.ahead,
        l.leaning[1],
        l.behind,
        r.head.family.level
    )
}

/// One pair, in the words of its own verdict.
fn of_one(r: &TestResult, pair: &PreferenceDoc) -> First {
    let l = lead(pair);
    let counts = || format!("{} was picked in {} of {}, {} in {}", l.ahead, l.picks, pair.picks, l.behind, pair.picks - l.picks);
    let p = format!(
        "{}{}",
        if r.p_listeners.is_some() { named_p("p over listeners", p_of(r)) } else { p_text(p_of(r)) },
        level_note(r.head.family.level)
    );
    match r.verdict {
        VerdictKind::Preferred => {
            let first = First::new(preferred(r, pair, p_of(r)));
            if r.subject == Some(Subject::Setups) {
                let takes = r.p_takes.map_or_else(String::new, |p| named_p("takes p", p));
                first.and(takes).and(attribution(&r.head.differs))
            } else {
                first.and(format!("in these recordings: {}", not_the_takes(r))).and(attribution(&r.head.differs))
            }
        }
        VerdictKind::Divided => First::new(format!(
            "Opinions differ: {} of {} listeners prefer {}, {} prefer {} (someone each way with p <= {} after Holm)",
            l.leaning[0],
            r.listeners.len(),
            l.ahead,
            l.leaning[1],
            l.behind,
            r.head.family.level
        ))
        .and(format!("no common preference ({p})")),
        VerdictKind::NoPreferenceBounded => First::new(format!("No preference in these recordings: {} ({p})", counts()))
            .and(format!("the mean share of picks lies {}", between(r.bound))),
        VerdictKind::PlayerCue => cue(r),
        _ if pair.picks == 0 => First::new("No preference shown: nobody answered".to_owned()),
        _ => First::new(format!("No preference shown: {} ({p})", counts())),
    }
}

fn cue(r: &TestResult) -> First {
    First::new(format!(
        "No verdict: in {} of {} same-file trials the first was picked, so the player or the room gives a cue",
        r.controls.same_file.correct, r.controls.same_file.trials
    ))
    .and("find it before testing again")
}

/// Three setups or more: no count of all picks means anything, so the pairs speak.
fn of_pairs(r: &TestResult, pairs: &[PreferenceDoc]) -> First {
    if r.verdict == VerdictKind::PlayerCue {
        return cue(r);
    }
    let (found, split) =
        (pairs.iter().filter(|q| q.scope.is_some()).count(), pairs.iter().filter(|q| q.scope.is_none() && q.divided).count());
    let first = match r.verdict {
        VerdictKind::Preferred => {
            format!("Preferred: one setup in {found} of {} pairs, after Holm over {} pairs", pairs.len(), pairs.len())
        }
        VerdictKind::Divided => {
            format!("Opinions differ in {split} of {} pairs, after Holm over {} pairs", pairs.len(), pairs.len())
        }
        VerdictKind::NoPreferenceBounded => {
            format!(
                "No preference in these recordings: in each of {} pairs the share of picks lies {}",
                pairs.len(),
                between(r.bound)
            )
        }
        _ => format!(
            "No preference shown in any of {} pairs, after Holm over {} pairs ({})",
            pairs.len(),
            pairs.len(),
            p_text(p_of(r))
        ),
    };
    let mut out = First::new(first);
    for pair in pairs {
        let l = lead(pair);
        let told = if pair.scope.is_some() {
            preferred(r, pair, pair.p_holm)
        } else if pair.divided {
            divided(r, pair)
        } else {
            format!("no preference shown ({} of {}, {})", l.picks, pair.picks, p_text(pair.p_holm))
        };
        out = out.and(format!("of {} and {}: {told}", l.ahead, l.behind));
    }
    if r.verdict == VerdictKind::Preferred { out.and(format!("in these recordings: {}", not_the_takes(r))) } else { out }
}

pub(super) fn first(r: &TestResult) -> First {
    match r.preference.as_deref().unwrap_or_default() {
        [pair] => of_one(r, pair),
        pairs => of_pairs(r, pairs),
    }
}

/// Medians with the middle half, and the test behind them.
pub(super) fn rated(r: &TestResult) -> First {
    let each: Vec<String> = r
        .ratings
        .iter()
        .flatten()
        .filter_map(|rating| {
            let hidden = if rating.hidden_reference { " (the hidden reference)" } else { "" };
            let (setup, low, median, high) = (rating.setup.as_ref()?, rating.q1, rating.median, rating.q3);
            Some(format!("median rating of {setup}{hidden} {median:.0} of 100 (the middle half {low:.0} to {high:.0})"))
        })
        .collect();
    let apart = r.verdict == VerdictKind::RatedApart;
    let word = if apart { "Rated apart in these recordings" } else { "Not rated apart" };
    let Some(ranks) = r.ranks.as_ref().filter(|_| !each.is_empty()) else {
        return First::new(format!("{word}: nothing was rated"));
    };
    let test = if ranks.test == RankTest::Friedman { "Friedman" } else { "signed ranks, two-sided" };
    let over = if ranks.by_listeners {
        format!("medians of {} listeners", r.listeners.len())
    } else {
        text::count(ranks.trials, "trial", "trials")
    };
    let said = format!("{word}: over {over} {} ({test}{})", p_text(ranks.p_value), level_note(r.head.family.level));
    let first = each.into_iter().fold(First::new(said), |first, one| first.and(one));
    let first = if apart { first.and(not_the_takes(r)) } else { first };
    first.and(attribution(&r.head.differs))
}
