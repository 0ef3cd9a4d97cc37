//! Level over the capture order: warm-up and drift would show as a slope that runs through all setups.

use super::canvas::{self, ACCENT, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, table, ticks};
use crate::report::text;
use crate::report::view::TakeView;

/// The plot of one mic's takes in their order; `None` when fewer than two have a level.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn levels(takes: &[TakeView], mic: &str, id: &str) -> Result<Option<Plot>, PlotError> {
    let mut shown: Vec<(&TakeView, f64)> = takes
        .iter()
        .filter(|t| t.mic == mic && t.setup != "DI" && t.withdrawn.is_none())
        .filter_map(|t| t.level_lufs.map(|l| (t, l)))
        .collect();
    shown.sort_by_key(|(t, _)| t.pass);
    if shown.len() < 2 {
        return Ok(None);
    }
    let mut setups: Vec<&str> = Vec::new();
    for (take, _) in &shown {
        if !setups.contains(&take.setup.as_str()) {
            setups.push(&take.setup);
        }
    }
    let low = shown.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
    let high = shown.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max);
    let pad = ((high - low) * 0.2).max(0.3);
    let y = [low - pad, high + pad];
    let passes = [shown.first().map_or(1, |s| s.0.pass), shown.last().map_or(1, |s| s.0.pass)];
    let x = [f64::from(passes[0]) - 0.6, f64::from(passes[1]) + 0.6];
    let title = format!("Level of the takes in the order of capture, {mic}");
    let alt = format!(
        "Integrated loudness of {} takes as recorded, pass {} to {}: from {} to {} LUFS.",
        shown.len(),
        passes[0],
        passes[1],
        text::plain(low, 1),
        text::plain(high, 1)
    );
    let svg = canvas::draw(Caption { id, title: &title, alt: &alt }, 230.0, [64.0, 20.0, 40.0, 44.0], (x, y), |c| {
        c.left(&ticks(y, 5.0).into_iter().map(|t| (t, text::plain(t, usize::from(y[1] - y[0] < 4.0)))).collect::<Vec<_>>())?;
        let every = ((passes[1] - passes[0]) / 16 + 1) as usize;
        let along: Vec<_> = (passes[0]..=passes[1]).step_by(every).map(|p| (f64::from(p), p.to_string())).collect();
        c.bottom(&along, "pass")?;
        c.word("LUFS", (x[0], y[1]), (-8.0, -14.0), Hang::Right, FAINT)?;
        c.line(&shown.iter().map(|(t, l)| (f64::from(t.pass), *l)).collect::<Vec<_>>(), WASH, 1.2)?;
        for (take, level) in &shown {
            mark(c, (f64::from(take.pass), *level), setups.iter().position(|s| *s == take.setup).unwrap_or(0))?;
        }
        let width = x[1] - x[0];
        for (i, setup) in setups.iter().take(4).enumerate() {
            let at = (x[0] + width * (0.03 + 0.24 * i as f64), y[1] + (y[1] - y[0]) * 0.13);
            mark(c, at, i)?;
            c.word(setup, at, (11.0, 0.0), Hang::Left, INK)?;
        }
        Ok(())
    })?;
    let rows = shown.iter().map(|(t, l)| vec![t.pass.to_string(), t.take.clone(), t.setup.clone(), text::plain(*l, 2)]).collect();
    Ok(Some(Plot { title, alt, svg, table: table(&["pass", "take", "setup", "LUFS"], rows) }))
}

/// One shape per setup, so that the plot reads without colour: filled dot, open dot, square, triangle, and again.
fn mark(c: &canvas::Canvas<'_>, at: (f64, f64), setup: usize) -> Result<(), PlotError> {
    let (w, h) = ((c.x[1] - c.x[0]) * 0.011, (c.y[1] - c.y[0]) * 0.032);
    let (x, y) = at;
    match setup % 4 {
        0 => c.dot(at, 5.5, INK, true),
        1 => c.dot(at, 5.5, ACCENT, false),
        2 => c.fill(&[(x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)], FAINT),
        _ => c.fill(&[(x - w, y - h), (x + w, y - h), (x, y + h)], ACCENT),
    }
}
