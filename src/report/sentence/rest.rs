//! What follows the first sentence: missing answers, listeners, takes, controls, the family of tests, and what a negative rests on.

use crate::model::result::TestResult;
use crate::model::trial::{Design, Method};
use crate::model::verdict::VerdictKind;
use crate::report::text::{level, percent};
use crate::stats::listeners::Planned;

pub(super) fn rest(r: &TestResult, out: &mut String) {
    out.push_str(&power(r));
    out.push_str(&missing(r));
    out.push_str(&listeners(r));
    out.push_str(&takes(r));
    out.push_str(&controls(r));
    out.push_str(&family(r));
    // Last, for it is what a negative rests on.
    let negative = matches!(r.verdict, VerdictKind::NotShownBounded | VerdictKind::NoPreferenceBounded);
    if negative && r.controls.known.passed.is_none() {
        out.push_str(
            " All this holds as far as they could hear: nobody checked that these listeners could hear a small difference here.",
        );
    }
}

/// What a test that was too short could have found, under what it assumes.
fn power(r: &TestResult) -> String {
    if r.verdict != VerdictKind::TooFew || r.count.trials == 0 || r.unanswered > 0 {
        return String::new();
    }
    let Some(every) = r.count.power.iter().find(|p| (p.p_correct - 0.75).abs() < 1e-9) else { return String::new() };
    let found = percent(every.power);
    let people = r.listeners.len() as u64;
    if people < 2 {
        return format!(" A listener who is right 3 times in 4 would have been found with a chance of {found}.");
    }
    let own = Planned {
        trials: r.count.trials / people,
        listeners: people,
        g: r.count.chance.unwrap_or(0.5),
        level: r.head.family.level,
    };
    format!(
        " If every listener were right 3 times in 4, that would have been found with a chance of {found}; one who is among guessers would \
         have been named with a chance of {}.",
        percent(own.one_hearer(0.75))
    )
}

fn missing(r: &TestResult) -> String {
    if r.unanswered == 0 {
        return String::new();
    }
    let planned =
        r.head.planned.map_or(r.count.trials, |all| all / u64::from(r.head.listeners_planned.max(1)) * r.head.took_part);
    let were = if r.unanswered == 1 { "was not answered and counts" } else { "were not answered and count" };
    format!(" {} of {planned} planned trials {were} against every claim.", r.unanswered)
}

fn listeners(r: &TestResult) -> String {
    let (took, planned) = (r.head.took_part, u64::from(r.head.listeners_planned));
    let mut out = String::new();
    if planned > 1 || took > 1 {
        out.push_str(&format!(" {took} of {planned} planned listeners took part."));
    }
    if let Some(upper) =
        r.population_upper95.filter(|_| matches!(r.verdict, VerdictKind::NotShownBounded | VerdictKind::HeardSmall))
    {
        out.push_str(&format!(" Listeners like these hear it in about {} of trials at most (approximate).", percent(upper)));
    }
    out
}

fn takes(r: &TestResult) -> String {
    let Some(fewest) = r.head.takes.values().copied().min() else { return String::new() };
    let takes = if fewest == 1 { "1 take".to_owned() } else { format!("{fewest} takes") };
    let stand = if fewest == 1 { "stands" } else { "stand" };
    let caution = if r.floor_caution { " Repeat takes could be told apart." } else { "" };
    match r.head.design {
        Design::Paired if fewest < 4 => {
            format!(
                "{caution} {takes} of a setup {stand} behind this: it speaks of these recordings, and 5 takes of each are advised."
            )
        }
        Design::Paired => format!("{caution} {takes} of each setup {stand} behind this."),
        Design::Crossed => format!("{caution} {takes} of each setup {stand} behind this, drawn without looking at the setup."),
    }
}

fn controls(r: &TestResult) -> String {
    if r.count.method == Method::Graded || matches!(r.verdict, VerdictKind::PlayerCue) {
        return String::new();
    }
    let same = r.controls.same_file;
    match (same.trials, same.tested, same.upper95) {
        (0, _, _) => " There were no same-file controls, so a cue of the player was not tested for.".to_owned(),
        (_, false, _) => " There were too few same-file controls to show a cue of the player.".to_owned(),
        (n, true, Some(upper)) => format!(
            " Same-file controls were right in {} of {n}: a cue of the player in up to {} of trials could have been missed.",
            same.correct,
            percent(upper)
        ),
        (_, true, None) => String::new(),
    }
}

fn family(r: &TestResult) -> String {
    let f = r.head.family;
    match f.number {
        _ if r.head.exploratory => format!(
            " It came after the {} that the first seal declared.",
            if f.planned == 1 { "one test".to_owned() } else { format!("{} tests", f.planned) }
        ),
        Some(n) if f.planned > 1 => format!(" This is test {n} of {}, each at level {}.", f.planned, level(f.level)),
        _ => String::new(),
    }
}
