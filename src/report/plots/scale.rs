//! A preference test's setups on one scale, each with an interval.

use super::canvas::{self, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, table, ticks};
use crate::report::text::signed;
use crate::report::view::{ScoreView, TestView};

const ROW: f64 = 33.0;

/// The plot; `None` when there is no scale.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn scale(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let Some(found) = score.result.scale.as_ref().filter(|s| s.items.len() > 1) else { return Ok(None) };
    let mut items: Vec<(String, f64, f64)> =
        found.items.iter().map(|i| (i.setup.to_string(), i.ability, i.standard_error)).collect();
    items.sort_by(|a, b| b.1.total_cmp(&a.1));
    let kind = if found.shrunk { "shrunk, for the order alone" } else { "Bradley-Terry, with 95 % intervals" };
    let title = format!("{}: preference on a scale ({kind})", test.test);
    let said: Vec<String> = items.iter().map(|(s, a, _)| format!("{s} {}", signed(*a, 2))).collect();
    let alt =
        format!("Log odds of being preferred, mean zero, best first: {}. Only differences can be compared.", said.join(", "));
    let low = items.iter().map(|(_, a, e)| a - 1.96 * e).fold(-0.5, f64::min);
    let high = items.iter().map(|(_, a, e)| a + 1.96 * e).fold(0.5, f64::max);
    let rows = items.len() as f64;
    let caption = Caption { id: &format!("{}-scale", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, ROW * rows + 70.0, [150.0, 34.0, 22.0, 48.0], ([low, high], [0.0, rows]), |c| {
        let marks: Vec<(f64, String)> = ticks([low, high], 5.0).into_iter().map(|t| (t, signed(t, 1))).collect();
        c.bottom(&marks, "log odds of being preferred")?;
        c.upright(0.0, INK, 1.2)?;
        for (i, (setup, ability, error)) in items.iter().enumerate() {
            let y = rows - 0.5 - i as f64;
            c.level(y - 0.5, WASH, 0.8)?;
            let name: String = setup.chars().take(18).collect();
            c.word(&name, (low, y), (-10.0, -5.0), Hang::Right, INK)?;
            c.sized(&signed(*ability, 2), (low, y), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
            c.line(&[(ability - 1.96 * error, y), (ability + 1.96 * error, y)], INK, 2.0)?;
            c.dot((*ability, y), 5.5, INK, !found.shrunk)?;
        }
        Ok(())
    })?;
    let cells = items.iter().map(|(s, a, e)| vec![s.clone(), signed(*a, 3), format!("{e:.3}")]).collect();
    Ok(Some(Plot { title, alt, svg, table: table(&["setup", "log odds", "standard error"], cells) }))
}
