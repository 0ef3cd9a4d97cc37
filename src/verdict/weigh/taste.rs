//! Preference: picks of one listener are not independent opinions, so the listener is the unit.

use super::{Own, Panel, Standing, Weighed};
use crate::model::result::{CountDoc, PreferenceDoc};
use crate::model::verdict::Scope;
use crate::stats::binomial::{critical_two_sided, upper_tail};
use crate::stats::evidence;
use crate::stats::intervals::clopper_pearson;
use crate::stats::judge::Preferring;
use crate::stats::listeners::unequal;
use crate::stats::panel::holm;
use crate::stats::taste::{self, Ahead, Bounded, Picks, Taste};
use crate::stats::verdict::{ControlCount, Counted, numbers};
use crate::verdict::tally::Tally;

/// Picks of one pair of setups, by their places in the plan. What was not answered could have been of any pair, and counts against each.
pub(super) fn picks(panel: &Panel<'_>, tally: &Tally, pair: (usize, usize)) -> Picks {
    let of = |first: bool| tally.pairs.iter().filter(|p| p.0 == pair && p.1 == first).count() as u64;
    Picks { first: of(true), second: of(false), unanswered: tally.unanswered(panel.plan) }
}

fn scope(of: taste::Scope) -> Scope {
    match of {
        taste::Scope::One => Scope::One,
        taste::Scope::Each => Scope::Each,
        taste::Scope::Listeners => Scope::Listeners,
    }
}

/// Open-ended: by evidence, valid at any stop. Evidence over picks of several listeners would make them one opinion each time, so several
/// are judged one by one: each prefers it, or opinions differ.
fn open_ended(panel: &Panel<'_>, pair: (usize, usize), level: f64) -> Taste {
    let each: Vec<Picks> = panel.tallies.iter().map(|t| picks(panel, t, pair)).collect();
    let of = |t: &&Tally| evidence::anytime_p(t.pairs.iter().filter(|p| p.0 == pair).map(|p| p.1), 0.5, true);
    let p_own: Vec<f64> = panel.tallies.iter().map(of).collect();
    let p_own_holm = holm(&p_own);
    let own_ahead: Vec<Option<Ahead>> = each.iter().map(|p| p.ahead()).collect();
    let pooled = Picks::pooled(&each);
    let one = each.len() == 1;
    let alike = own_ahead.windows(2).all(|w| w[0] == w[1]) && own_ahead.first().is_some_and(Option::is_some);
    let all = !p_own.is_empty() && alike && p_own.iter().all(|p| *p <= level);
    let counts: Vec<(u64, u64)> = each.iter().map(|p| (p.answered(), p.first)).collect();
    let p_unequal = unequal(&counts, &mut panel.random("equal listeners")).p;
    let someone = |way| own_ahead.iter().zip(&p_own_holm).any(|(a, p)| *a == Some(way) && *p <= level);
    // The largest of all: an intersection of claims about these people.
    let p_value = p_own.iter().copied().reduce(f64::max).unwrap_or(1.0);
    Taste {
        p_value,
        p_listeners: None,
        p_by_picks: evidence::anytime_p(panel.outcomes(), 0.5, true),
        ahead: pooled.ahead(),
        scope: all.then_some(if one { taste::Scope::One } else { taste::Scope::Each }),
        divided: !all && p_unequal <= level && someone(Ahead::First) && someone(Ahead::Second),
        p_own,
        p_own_holm,
        own_ahead,
        p_unequal,
        bounded: Bounded { p_not_below: 1.0, p_not_above: 1.0, bounded: false },
    }
}

/// A pair with its judgement.
struct Judged {
    pair: (usize, usize),
    each: Vec<Picks>,
    taste: Taste,
    p_holm: f64,
}

fn judged(panel: &Panel<'_>) -> Vec<Judged> {
    let (plan, level) = (panel.plan, panel.level());
    let k = plan.setups.len();
    let places: Vec<(usize, usize)> = (0..k).flat_map(|a| (a + 1..k).map(move |b| (a, b))).collect();
    let each: Vec<Vec<Picks>> =
        places.iter().map(|pair| panel.tallies.iter().map(|t| picks(panel, t, *pair)).collect()).collect();
    let tastes: Vec<(Taste, f64)> = if panel.open_ended() {
        let strict = level / places.len().max(1) as f64;
        let found: Vec<Taste> = places.iter().map(|pair| open_ended(panel, *pair, strict)).collect();
        let adjusted = holm(&found.iter().map(|t| t.p_value).collect::<Vec<_>>());
        found.into_iter().zip(adjusted).collect()
    } else if let [one] = each.as_slice() {
        let found = taste::taste(one, level, plan.bound.value(), &mut panel.random("preference"));
        let p = found.p_value;
        vec![(found, p)]
    } else {
        taste::pairs(&each, level, plan.bound.value(), &mut panel.random("preference"))
    };
    places.into_iter().zip(each).zip(tastes).map(|((pair, each), (taste, p_holm))| Judged { pair, each, taste, p_holm }).collect()
}

fn document(panel: &Panel<'_>, j: &Judged) -> PreferenceDoc {
    let pooled = Picks::pooled(&j.each);
    let leaning = |way| j.taste.own_ahead.iter().filter(|a| **a == Some(way)).count() as u64;
    PreferenceDoc {
        first: panel.plan.setups[j.pair.0].clone(),
        second: panel.plan.setups[j.pair.1].clone(),
        first_preferred: pooled.first,
        picks: pooled.answered(),
        leaning: [leaning(Ahead::First), leaning(Ahead::Second)],
        p_value: j.taste.p_value,
        p_holm: j.p_holm,
        scope: j.taste.scope.map(scope),
        divided: j.taste.divided,
        bounded: j.taste.bounded.bounded,
    }
}

/// Each listener's p: of one pair their own, of several the smallest after Holm over the pairs.
fn own(judged: &[Judged], listeners: usize) -> Vec<Own> {
    let p: Vec<f64> = (0..listeners)
        .map(|i| {
            let of_pairs: Vec<f64> = judged.iter().map(|j| j.taste.p_own[i]).collect();
            holm(&of_pairs).into_iter().fold(1.0, f64::min)
        })
        .collect();
    let adjusted = holm(&p);
    p.into_iter().zip(adjusted).map(|(p, p_holm)| Own { p, p_holm, p_takes: None }).collect()
}

/// What a count says of two setups. Of several listeners it decides nothing, so what follows from a deciding count is left out.
fn count(panel: &Panel<'_>, pooled: Picks, p: f64) -> CountDoc {
    let n = pooled.trials();
    let anytime = panel.open_ended().then_some(p);
    let counted = Counted {
        method: panel.plan.method,
        trials: n,
        correct: pooled.first,
        alpha: panel.level(),
        bound: panel.plan.bound.value(),
        anytime,
    };
    let mut doc = CountDoc::new(&counted, &numbers(&counted));
    doc.power.clear();
    let one = panel.tallies.len() == 1;
    let decides = one && !panel.open_ended() && panel.plan.design == crate::model::trial::Design::Paired;
    if !panel.open_ended() {
        doc.p_value = Some(p);
        let low = clopper_pearson(pooled.first, n, 0.05)[0];
        doc.interval95 = Some([low, clopper_pearson(pooled.first + pooled.unanswered, n, 0.05)[1]]);
    }
    doc.critical = if decides { critical_two_sided(n, panel.level()) } else { None };
    if !decides {
        doc.true_size = None;
    }
    if !one || pooled.unanswered > 0 {
        (doc.mid_p, doc.wilson95) = (None, None);
    }
    if !one {
        doc.evidence = None;
        if !panel.open_ended() {
            doc.anytime_p = None;
        }
    }
    doc
}

/// Over several pairs no count of all picks together means anything.
fn of_pairs(panel: &Panel<'_>, trials: u64, p: f64) -> CountDoc {
    let mut doc = CountDoc { method: panel.plan.method, ..CountDoc::of_ratings(trials, p) };
    doc.chance = Some(0.5);
    if panel.open_ended() {
        (doc.p_value, doc.anytime_p) = (None, Some(p));
    }
    doc
}

pub(super) fn weigh(panel: &Panel<'_>) -> Weighed {
    let judged = judged(panel);
    let scored: u64 = panel.tallies.iter().map(|t| t.scored.len() as u64).sum();
    let unanswered: u64 = panel.tallies.iter().map(|t| t.unanswered(panel.plan)).sum();
    let hits: u64 = panel.tallies.iter().map(|t| t.correct()).sum();
    let standing = Standing::of(panel, ControlCount { trials: scored, correct: hits });
    let kind = Preferring {
        gates: standing.gates,
        preferred: judged.iter().any(|j| j.taste.scope.is_some()),
        divided: judged.iter().any(|j| j.taste.divided),
        bounded: !judged.is_empty() && judged.iter().all(|j| j.taste.bounded.bounded),
    }
    .verdict();
    let takes = panel.crossed().map(|(question, heard)| question.test(&heard.concat(), &mut panel.random("takes")));
    let p = judged.iter().map(|j| j.p_holm).fold(1.0, f64::min);
    let only = judged.first().filter(|_| judged.len() == 1);
    let pooled = only.map(|j| Picks::pooled(&j.each));
    let ahead = pooled.map(|p| (p.first.max(p.second), p.answered()));
    Weighed {
        count: pooled.map_or_else(|| of_pairs(panel, scored + unanswered, p), |pooled| count(panel, pooled, p)),
        unanswered,
        p_value_answered: ahead
            .filter(|_| !panel.open_ended() && panel.tallies.len() == 1)
            .map(|(x, n)| (2.0 * upper_tail(x, n, 0.5)).min(1.0)),
        p_reversed: None,
        p_listeners: only.and_then(|j| j.taste.p_listeners),
        p_by_picks: only.map(|j| j.taste.p_by_picks),
        scope: only.and_then(|j| j.taste.scope).map(scope),
        takes,
        critical_by_scored: None,
        listeners: own(&judged, panel.tallies.len()),
        p_unequal: only.filter(|_| panel.tallies.len() > 1).map(|j| j.taste.p_unequal),
        pairs: Some(judged.iter().map(|j| document(panel, j)).collect()),
        ranks: None,
        controls: standing.controls,
        floor_caution: standing.floor_caution,
        own_file: standing.own_file,
        kind,
        subject: panel.about(kind, p, takes.map(|t| t.p)),
    }
}
