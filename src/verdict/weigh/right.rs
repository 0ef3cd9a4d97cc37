//! Tests with a right answer: abx, duo-trio, triangle, attribute. What is unanswered counts against each claim.

use super::looks::looked;
use super::{Own, Panel, Standing, Weighed};
use crate::model::result::{CountDoc, CriticalDoc, Endless, SimilarityDoc};
use crate::model::trial::Design;
use crate::model::verdict::VerdictKind;
use crate::report::count::distinguishers;
use crate::stats::binomial::critical;
use crate::stats::evidence;
use crate::stats::intervals;
use crate::stats::judge::RightOrWrong;
use crate::stats::listeners::{UNEQUAL_LEVEL, small_for_all, unequal};
use crate::stats::missing::{Answers, worst};
use crate::stats::panel::holm;
use crate::stats::verdict::{ControlCount, Counted, numbers};
use crate::verdict::tally::Tally;

/// The counts of one listener.
pub(super) fn answers(panel: &Panel<'_>, tally: &Tally) -> Answers {
    let right = tally.correct();
    Answers { right, wrong: tally.scored.len() as u64 - right, unanswered: tally.unanswered(panel.plan) }
}

/// All numbers of the count but power and d'.
struct Numbers {
    count: CountDoc,
    p: f64,
    p_reversed: f64,
    p_value_answered: Option<f64>,
    upper95: f64,
}

fn fixed(panel: &Panel<'_>, all: Answers) -> Numbers {
    let (g, level, bound) = (panel.chance(), panel.level(), panel.plan.bound.value());
    let counted =
        Counted { method: panel.plan.method, trials: all.trials(), correct: all.right, alpha: level, bound, anytime: None };
    let plain = numbers(&counted);
    let hurt = worst(all, g, bound);
    let mut count = CountDoc::new(&counted, &plain);
    count.p_value = Some(hurt.p_value);
    count.interval95 = Some(hurt.interval95);
    count.lower95 = Some(hurt.lower95);
    count.distinguishers = Some(distinguishers(hurt.distinguishers));
    count.similarity = Some(SimilarityDoc { bound, p_value: hurt.similarity });
    if all.unanswered > 0 {
        // Wilson's interval is for plots and knows no missing answers.
        count.wilson95 = None;
    }
    if panel.plan.design == Design::Crossed {
        (count.critical, count.true_size) = (None, None);
    }
    Numbers {
        count,
        p: hurt.p_value,
        p_reversed: hurt.p_reversed,
        p_value_answered: Some(hurt.p_value_answered),
        upper95: hurt.distinguishers.upper95,
    }
}

fn open_ended(panel: &Panel<'_>, all: Answers) -> Numbers {
    let (g, level, bound) = (panel.chance(), panel.level(), panel.plan.bound.value());
    let p = evidence::anytime_p(panel.outcomes(), g, false);
    let counted =
        Counted { method: panel.plan.method, trials: all.trials(), correct: all.right, alpha: level, bound, anytime: Some(p) };
    let found = numbers(&counted);
    let mut count = CountDoc::new(&counted, &found);
    count.evidence = Some(Endless(found.evidence));
    let upper95 = found.distinguishers.map_or(1.0, |d| d.upper95);
    Numbers { count, p, p_reversed: found.reversed_p, p_value_answered: None, upper95 }
}

/// No listener stands out above the bound, and all are alike.
fn small(panel: &Panel<'_>, each: &[Answers], p_unequal: f64) -> bool {
    let (g, bound) = (panel.chance(), panel.plan.bound.value());
    if !panel.open_ended() {
        return small_for_all(each, g, bound, p_unequal);
    }
    let lower = |a: &Answers| intervals::distinguishers(evidence::sequence_lower(a.right, a.trials(), 0.05), g);
    p_unequal > UNEQUAL_LEVEL && each.iter().all(|a| lower(a) <= bound)
}

/// Each listener's p: exact from S of N, or by the evidence of their own answers.
fn own(panel: &Panel<'_>, each: &[Answers]) -> Vec<Own> {
    let g = panel.chance();
    let p: Vec<f64> = panel
        .tallies
        .iter()
        .zip(each)
        .map(|(tally, a)| {
            if panel.open_ended() {
                evidence::anytime_p(tally.scored.iter().map(|s| s.0), g, false)
            } else {
                crate::stats::binomial::upper_tail(a.right, a.trials(), g)
            }
        })
        .collect();
    let adjusted = holm(&p);
    p.into_iter().zip(adjusted).map(|(p, p_holm)| Own { p, p_holm, p_takes: None }).collect()
}

/// The numbers, and the counts that they are of.
fn numbered(panel: &Panel<'_>, all: Answers) -> (Answers, Numbers) {
    if panel.open_ended() {
        return (all, open_ended(panel, all));
    }
    let Some(looked) = looked(panel, all.right) else { return (all, fixed(panel, all)) };
    // A test that ended at a look has no trials that are missing.
    let all = if looked.ended { Answers { unanswered: 0, ..all } } else { all };
    let mut numbers = fixed(panel, all);
    numbers.p = looked.p;
    (numbers.count.p_value, numbers.count.critical, numbers.count.true_size) = (Some(looked.p), None, None);
    (numbers.count.mid_p, numbers.p_value_answered) = (None, None);
    (all, numbers)
}

fn summed(each: &[Answers]) -> Answers {
    each.iter().fold(Answers::default(), |sum, a| Answers {
        right: sum.right + a.right,
        wrong: sum.wrong + a.wrong,
        unanswered: sum.unanswered + a.unanswered,
    })
}

pub(super) fn weigh(panel: &Panel<'_>) -> Weighed {
    let (plan, level) = (panel.plan, panel.level());
    let each: Vec<Answers> = panel.tallies.iter().map(|t| answers(panel, t)).collect();
    let (all, numbers) = numbered(panel, summed(&each));
    let standing = Standing::of(panel, ControlCount { trials: all.trials(), correct: all.right });
    let counts: Vec<(u64, u64)> = each.iter().map(|a| (a.answered(), a.right)).collect();
    let p_unequal = (each.len() > 1).then(|| unequal(&counts, &mut panel.random("equal listeners")).p);
    let mut listeners = own(panel, &each);
    let named = listeners.iter().filter(|l| l.p_holm <= level).count();
    let some = named > 0 && named < listeners.len() && p_unequal.is_some_and(|p| p <= UNEQUAL_LEVEL);
    let kind = RightOrWrong {
        gates: standing.gates,
        level,
        bound: plan.bound.value(),
        p_value: numbers.p,
        p_reversed: numbers.p_reversed,
        trials: all.trials(),
        upper95: numbers.upper95,
        heard_some: numbers.p <= level && some,
        small_for_all: small(panel, &each, p_unequal.unwrap_or(1.0)),
        some_listener: listeners.len() > 1 && named > 0,
        known_passed: standing.controls.known_passed,
    }
    .verdict();
    let crossed = panel.crossed();
    let takes = crossed.as_ref().map(|(question, heard)| question.test(&heard.concat(), &mut panel.random("takes")));
    let mut p_takes = takes.map(|t| t.p);
    if let (VerdictKind::HeardSome, Some((question, heard))) = (kind, &crossed) {
        let largest = question.largest(heard, &mut panel.random("takes of each listener"));
        listeners.iter_mut().zip(largest).for_each(|(l, p)| l.p_takes = Some(p));
        // The claim names listeners: it holds for the setups only where it does for each of them.
        p_takes = listeners.iter().filter(|l| l.p_holm <= level).filter_map(|l| l.p_takes).reduce(f64::max);
    }
    let by_scored = (plan.design == Design::Crossed)
        .then(|| vec![CriticalDoc { scored: all.trials(), critical: critical(all.trials(), panel.chance(), level) }]);
    Weighed {
        count: numbers.count,
        unanswered: all.unanswered,
        p_value_answered: numbers.p_value_answered,
        p_reversed: Some(numbers.p_reversed),
        p_listeners: None,
        p_by_picks: None,
        scope: None,
        takes,
        critical_by_scored: by_scored,
        listeners,
        p_unequal,
        pairs: None,
        ranks: None,
        controls: standing.controls,
        floor_caution: standing.floor_caution,
        own_file: standing.own_file,
        kind,
        subject: panel.about(kind, numbers.p, p_takes),
    }
}
