//! Ratings by ranks. Of several listeners each is one opinion: the medians of what they gave. What is unanswered ranks against what leads.

use super::{Own, Panel, Standing, Weighed};
use crate::model::result::{CountDoc, RankTest, RanksDoc};
use crate::stats::graded::{friedman, quartiles, signed_ranks};
use crate::stats::judge;
use crate::stats::panel::holm;
use crate::stats::verdict::ControlCount;
use crate::verdict::tally::{Ranked, Tally};

/// Rows of ratings with the trials that were not answered: the very opposite of what leads in the others.
fn completed(panel: &Panel<'_>, tally: &Tally) -> Vec<Vec<f64>> {
    let mut rows: Vec<Vec<f64>> = tally.ratings.iter().map(|r| r.0.clone()).collect();
    let missing = tally.unanswered(panel.plan) as usize;
    if missing > 0 && !rows.is_empty() {
        let worst = opposite(&rows);
        rows.extend(std::iter::repeat_n(worst, missing));
    }
    rows
}

/// The row that ranks the other way round than the means, from 0 to 100.
fn opposite(rows: &[Vec<f64>]) -> Vec<f64> {
    let k = rows.first().map_or(0, Vec::len);
    let mean = |i: usize| rows.iter().map(|r| r[i]).sum::<f64>();
    let mut order: Vec<usize> = (0..k).collect();
    order.sort_by(|a, b| mean(*b).total_cmp(&mean(*a)));
    let mut row = vec![0.0; k];
    for (rank, i) in order.into_iter().enumerate() {
        row[i] = 100.0 * rank as f64 / (k.max(2) - 1) as f64;
    }
    row
}

/// The ranks of rows: signed ranks of two setups (the first's rating minus the second's), Friedman of more.
fn ranked(rows: &[Vec<f64>]) -> Ranked {
    if rows.first().is_some_and(|r| r.len() == 2) {
        return Ranked::Signed(signed_ranks(&rows.iter().map(|r| r[0] - r[1]).collect::<Vec<_>>()));
    }
    Ranked::Friedman(friedman(rows))
}

/// A listener as one row: of two setups the median difference, of more each setup's median.
fn as_one(rows: &[Vec<f64>]) -> Option<Vec<f64>> {
    let k = rows.first()?.len();
    if k == 2 {
        let differences: Vec<f64> = rows.iter().map(|r| r[0] - r[1]).collect();
        return Some(vec![quartiles(&differences)?[1], 0.0]);
    }
    (0..k).map(|i| quartiles(&rows.iter().map(|r| r[i]).collect::<Vec<_>>()).map(|q| q[1])).collect()
}

fn document(ranked: &Ranked, trials: usize, by_listeners: bool) -> RanksDoc {
    let bare = RanksDoc {
        test: RankTest::SignedRanks,
        trials,
        by_listeners,
        nonzero: None,
        w_plus: None,
        rank_sums: None,
        chi_square: None,
        concordance: None,
        exact: true,
        p_value: ranked.p(),
    };
    match ranked {
        Ranked::Signed(s) => RanksDoc { nonzero: Some(s.nonzero), w_plus: Some(s.w_plus), ..bare },
        Ranked::Friedman(f) => RanksDoc {
            test: RankTest::Friedman,
            rank_sums: f.as_ref().map(|f| f.rank_sums.clone()),
            chi_square: f.as_ref().map(|f| f.chi_square),
            concordance: f.as_ref().map(|f| f.w),
            exact: f.as_ref().is_none_or(|f| f.p_exact.is_some()),
            ..bare
        },
    }
}

pub(super) fn weigh(panel: &Panel<'_>) -> Weighed {
    let each: Vec<Vec<Vec<f64>>> = panel.tallies.iter().map(|t| completed(panel, t)).collect();
    let several = each.len() > 1;
    let rows: Vec<Vec<f64>> = if several { each.iter().filter_map(|r| as_one(r)).collect() } else { each.concat() };
    let found = ranked(&rows);
    let trials: usize = panel.tallies.iter().map(|t| t.ratings.len()).sum();
    let unanswered: u64 = panel.tallies.iter().map(|t| t.unanswered(panel.plan)).sum();
    let standing = Standing::of(panel, ControlCount::default());
    let kind = judge::rated(standing.gates, found.p(), panel.level());
    let p: Vec<f64> = each.iter().map(|rows| ranked(rows).p()).collect();
    let listeners = p.iter().zip(holm(&p)).map(|(p, p_holm)| Own { p: *p, p_holm, p_takes: None }).collect();
    Weighed {
        count: CountDoc::of_ratings(trials as u64 + unanswered, found.p()),
        unanswered,
        p_value_answered: None,
        p_reversed: None,
        p_listeners: several.then(|| found.p()),
        p_by_picks: None,
        scope: None,
        takes: None,
        critical_by_scored: None,
        listeners,
        p_unequal: None,
        pairs: None,
        ranks: Some(document(&found, trials, several)),
        controls: standing.controls,
        floor_caution: false,
        own_file: standing.own_file,
        kind,
        subject: panel.about(kind, found.p(), None),
    }
}
