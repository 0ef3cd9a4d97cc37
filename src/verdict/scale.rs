//! A preference test on a scale: Bradley-Terry with the order effect, differences with their errors, tiers where no scale exists, and
//! whether listeners agree with themselves and with each other.

use crate::model::ids::SetupName;
use crate::model::result::{ItemDoc, OrderDoc, ScaleDifferenceDoc, ScaleDoc, TriadsDoc};
use crate::model::trial::Plan;
use crate::stats::panel::holm;
use crate::stats::preference::{Extras, Row, agreement, circular_triads, components, fit, order_effect, rows_of, shrunk};
use crate::stats::special::phi;
use crate::verdict::tally::Tally;

/// One pick as the fit needs it: which item sounded first, and whether it was chosen.
fn picks<'a>(tallies: &'a [&'a Tally]) -> impl Iterator<Item = (usize, usize, bool)> + 'a {
    tallies.iter().flat_map(|t| t.pairs.iter().zip(&t.scored)).map(|((pair, lower), (_, first_chosen))| {
        let winner = if *lower { pair.0 } else { pair.1 };
        let loser = if *lower { pair.1 } else { pair.0 };
        if *first_chosen { (winner, loser, true) } else { (loser, winner, false) }
    })
}

fn rows(tallies: &[&Tally]) -> Vec<Row> {
    let mut out: Vec<Row> = Vec::new();
    for (first, second, chosen) in picks(tallies) {
        let place = out.iter().position(|r| r.first == first && r.second == second).unwrap_or_else(|| {
            out.push(Row { first, second, first_wins: 0.0, second_wins: 0.0 });
            out.len() - 1
        });
        let row = &mut out[place];
        *(if chosen { &mut row.first_wins } else { &mut row.second_wins }) += 1.0;
    }
    out
}

fn wins(tallies: &[&Tally], k: usize) -> Vec<Vec<f64>> {
    let mut out = vec![vec![0.0; k]; k];
    for (first, second, chosen) in picks(tallies) {
        let (winner, loser) = if chosen { (first, second) } else { (second, first) };
        out[winner][loser] += 1.0;
    }
    out
}

/// The scale of a preference test; `None` before the first pick.
#[must_use]
pub(crate) fn scale(plan: &Plan, tallies: &[&Tally]) -> Option<ScaleDoc> {
    let names: Vec<SetupName> = plan.setups.clone();
    let k = names.len();
    let wins = wins(tallies, k);
    if wins.iter().flatten().sum::<f64>() <= 0.0 {
        return None;
    }
    let found = components(&wins);
    let exists = found.strong.len() == 1;
    let plain = if exists { fit(&rows_of(&wins), k, Extras::default()) } else { None };
    let ordered = plain.as_ref().and_then(|_| fit(&rows(tallies), k, Extras { order: true }));
    let abilities = match &plain {
        Some(fit) => fit.centred(),
        None => shrunk(&wins)?,
    };
    let items = names.iter().zip(&abilities).map(|(setup, (ability, error))| ItemDoc {
        setup: setup.clone(),
        ability: *ability,
        standard_error: *error,
    });
    let order = ordered.as_ref().zip(plain.as_ref()).and_then(|(with, without)| {
        let (chi_square, p_value) = order_effect(with, without);
        Some(OrderDoc { gamma: with.gamma?, chi_square, p_value })
    });
    Some(ScaleDoc {
        items: items.collect(),
        shrunk: plain.is_none(),
        tiers: (!exists).then(|| found.strong.iter().map(|g| g.iter().map(|i| names[*i].clone()).collect()).collect()),
        connected: found.connected,
        order_effect: order,
        differences: plain.as_ref().map_or_else(Vec::new, |fit| differences(fit, &names)),
        circular_triads: triads(tallies, k),
        agreement: agreed(tallies, k),
    })
}

fn differences(fit: &crate::stats::preference::Fit, names: &[SetupName]) -> Vec<ScaleDifferenceDoc> {
    let mut out = Vec::new();
    for a in 0..names.len() {
        for b in a + 1..names.len() {
            let (difference, standard_error) = fit.difference(a, b);
            let p_value = 2.0 * phi(-(difference / standard_error).abs());
            out.push(ScaleDifferenceDoc {
                first: names[a].clone(),
                second: names[b].clone(),
                difference,
                standard_error,
                p_value,
                p_holm: 1.0,
            });
        }
    }
    let adjusted = holm(&out.iter().map(|d| d.p_value).collect::<Vec<_>>());
    out.iter_mut().zip(adjusted).for_each(|(d, p)| d.p_holm = p);
    out
}

/// What a listener chose of each pair, if they compared every pair exactly once.
fn once(tally: &Tally, k: usize) -> Option<Vec<Vec<bool>>> {
    let mut chosen = vec![vec![false; k]; k];
    let mut seen = vec![vec![false; k]; k];
    for (pair, lower) in &tally.pairs {
        if std::mem::replace(&mut seen[pair.0][pair.1], true) {
            return None;
        }
        let (winner, loser) = if *lower { (pair.0, pair.1) } else { (pair.1, pair.0) };
        chosen[winner][loser] = true;
    }
    (tally.pairs.len() == k * (k - 1) / 2).then_some(chosen)
}

fn triads(tallies: &[&Tally], k: usize) -> Vec<TriadsDoc> {
    if k < 3 {
        return Vec::new();
    }
    let of = |(i, tally): (usize, &&Tally)| {
        let found = circular_triads(&once(tally, k)?);
        Some(TriadsDoc { listener: i + 1, count: found.count, zeta: found.zeta, p_value: found.p })
    };
    tallies.iter().enumerate().filter_map(of).collect()
}

fn agreed(tallies: &[&Tally], k: usize) -> Option<f64> {
    let judges: Option<Vec<Vec<Vec<bool>>>> = tallies.iter().map(|t| once(t, k)).collect();
    let judges = judges.filter(|j| j.len() >= 2)?;
    let mut counts = vec![vec![0u64; k]; k];
    for chosen in &judges {
        for (row, from) in counts.iter_mut().zip(chosen) {
            row.iter_mut().zip(from).for_each(|(n, c)| *n += u64::from(*c));
        }
    }
    Some(agreement(&counts, judges.len() as u64).1)
}
