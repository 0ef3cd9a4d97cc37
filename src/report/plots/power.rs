//! The saw-tooth of power over the number of trials, with this test's place on it.

use super::canvas::{self, ACCENT, Caption, DASH, FAINT, Hang, INK, PlotError};
use super::{Plot, share_ticks, table, ticks};
use crate::model::trial::Method;
use crate::report::text::percent;
use crate::report::view::{ScoreView, TestView};
use crate::stats::verdict::power_at;

/// A listener who is right 3 times in 4 hears the difference in half of the trials and guesses in the others: common practice as a
/// yardstick, no source.
const YARDSTICK: f64 = 0.75;

/// The plot of one test with a fixed number of trials; `None` for an open-ended one and for methods without such a power.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn power(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    if test.planned.is_none() || score.result.count.trials == 0 || score.result.count.power.is_empty() {
        return Ok(None);
    }
    let here = score.result.count.trials;
    let most = (2 * here).clamp(40, 2000);
    // At most 400 points: of long tests every second, third ... number of trials.
    let step = most.div_ceil(400);
    let of = |n: u64| power_at(test.method, n, score.result.head.family.level, YARDSTICK);
    let curve: Vec<(f64, f64)> = (1..=most).step_by(step as usize).map(|n| (n as f64, of(n))).collect();
    let at = of(here);
    let title = format!("{}: what a test of this length can find", test.test);
    let (who, picks) =
        if test.method == Method::Preference { ("who prefers the same setup", "picks") } else { ("who is right", "right picks") };
    let alt = format!(
        "Chance of finding a listener {who} 3 times in 4, over the number of trials: {} with the {here} trials of this test. \
         The curve is a saw-tooth, because the number of {picks} that is needed jumps.",
        percent(at)
    );
    let caption = Caption { id: &format!("{}-power", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, 250.0, [68.0, 28.0, 26.0, 44.0], ([0.0, most as f64], [0.0, 1.0]), |c| {
        c.left(&share_ticks())?;
        let along: Vec<_> = ticks([0.0, most as f64], 8.0).into_iter().map(|t| (t, format!("{t:.0}"))).collect();
        c.bottom(&along, "scored trials")?;
        c.level(0.8, DASH, 1.2)?;
        c.word("80 %", (most as f64, 0.8), (-2.0, 11.0), Hang::Right, FAINT)?;
        c.line(&curve, INK, 1.6)?;
        c.line(&[(here as f64, 0.0), (here as f64, at)], ACCENT, 1.6)?;
        c.dot((here as f64, at), 6.5, ACCENT, true)?;
        let (hang, dx) = if 2 * here <= most { (Hang::Left, 8.0) } else { (Hang::Right, -8.0) };
        // Beside the upright and well below the curve, where nothing else is.
        let label = format!("this test: {here} trials, {}", percent(at));
        c.word(&label, (here as f64, (at * 0.5).min(0.2)), (dx, 0.0), hang, ACCENT)
    })?;
    let shown = ticks([0.0, most as f64], 8.0).into_iter().map(|t| t as u64).chain([here]).filter(|n| *n > 0);
    let mut trials: Vec<u64> = shown.collect();
    trials.sort_unstable();
    trials.dedup();
    let rows = trials.into_iter().map(|n| vec![n.to_string(), format!("{:.3}", of(n))]).collect();
    Ok(Some(Plot { title, alt, svg, table: table(&["scored trials", "chance of finding it"], rows) }))
}
