//! Evidence over the trials of an open-ended test: each step is one pick, the rule is where evidence is enough.

use super::canvas::{self, ACCENT, Caption, DASH, FAINT, Hang, INK, PlotError};
use super::{Plot, table, ticks};
use crate::model::trial::Method;
use crate::report::view::{ScoreView, TestView};
use crate::stats::evidence::{ln_one_sided, ln_two_sided};

/// The plot of one open-ended test; `None` for the others, before the first pick, and over several pairs, each of which has its own.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn evidence(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let mut given: Vec<(Option<i64>, bool)> =
        score.picks.iter().filter(|p| p.scored).filter_map(|p| Some((p.seq, p.counted?))).collect();
    // Evidence goes by the order in which answers were given, all listeners together.
    given.sort_by_key(|g| g.0);
    let outcomes: Vec<bool> = given.into_iter().map(|g| g.1).collect();
    let chance = score.result.count.chance.unwrap_or(0.5);
    let level = score.result.head.family.level;
    let two_sided = test.method == Method::Preference;
    // Picks of several listeners are not one row of opinions: no curve stands for them.
    if two_sided && score.result.listeners.len() > 1 {
        return Ok(None);
    }
    if test.planned.is_some() || outcomes.is_empty() || !test.method.one_count(test.setups.len()) {
        return Ok(None);
    }
    let (mut right, mut curve) = (0, vec![(0.0, 0.0)]);
    for (n, hit) in (1u64..).zip(&outcomes) {
        right += u64::from(*hit);
        let ln = if two_sided { ln_two_sided(right, n, chance) } else { ln_one_sided(right, n, chance) };
        curve.push((n as f64, ln / std::f64::consts::LN_10));
    }
    let enough = -level.log10();
    let top = curve.iter().map(|c| c.1).fold(enough, f64::max) + 0.35;
    let bottom = curve.iter().map(|c| c.1).fold(-1.0, f64::min) - 0.15;
    let last = outcomes.len() as f64;
    let title = format!("{}: evidence over the trials", test.test);
    let reached = curve.iter().find(|c| c.1 >= enough);
    let alt = format!(
        "Evidence against guessing after each of {} picks; {}.",
        outcomes.len(),
        reached.map_or_else(
            || format!("it has not reached the {:.0} that is needed", 1.0 / level),
            |c| format!("it first reached {:.0}, which is enough, at pick {:.0}", 1.0 / level, c.0)
        )
    );
    let caption = Caption { id: &format!("{}-evidence", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, 250.0, [64.0, 24.0, 26.0, 44.0], ([0.0, last], [bottom, top]), |c| {
        let up: Vec<_> = (bottom.ceil() as i32..=top.floor() as i32).map(|e| (f64::from(e), power_of_ten(e))).collect();
        c.left(&up)?;
        c.bottom(&ticks([0.0, last], 8.0).into_iter().map(|t| (t, format!("{t:.0}"))).collect::<Vec<_>>(), "picks")?;
        c.level(0.0, FAINT, 1.0)?;
        c.level(enough, DASH, 1.4)?;
        c.word("enough", (0.0, enough), (6.0, -10.0), Hang::Left, INK)?;
        c.line(&curve, ACCENT, 2.2)
    })?;
    let rows = curve.iter().skip(1).map(|(n, e)| vec![format!("{n:.0}"), format!("{:.3}", 10f64.powf(*e))]).collect();
    Ok(Some(Plot { title, alt, svg, table: table(&["picks", "evidence"], rows) }))
}

fn power_of_ten(e: i32) -> String {
    match e {
        0..=4 => format!("{:.0}", 10f64.powi(e)),
        -3..0 => format!("{:.*}", e.unsigned_abs() as usize, 10f64.powi(e)),
        _ => format!("1e{e}"),
    }
}
