//! Ratings of a graded test: quartiles as boxes, the median as a line.

use super::canvas::{self, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, table};
use crate::report::view::{ScoreView, TestView};

const ROW: f64 = 36.0;

/// The plot; `None` without ratings.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn boxes(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let ratings = score.ratings();
    if ratings.is_empty() {
        return Ok(None);
    }
    let title = format!("{}: ratings (boxes from the lower to the upper quartile, a line at the median)", test.test);
    let said: Vec<String> = ratings.iter().map(|(s, [a, m, b])| format!("{s} {m:.0} ({a:.0} to {b:.0})")).collect();
    let alt = format!("Ratings from 0 (far from the reference) to 100 (the same): {}.", said.join(", "));
    let rows = ratings.len() as f64;
    let caption = Caption { id: &format!("{}-ratings", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, ROW * rows + 70.0, [190.0, 30.0, 20.0, 48.0], ([0.0, 100.0], [0.0, rows]), |c| {
        let marks: Vec<(f64, String)> = [0.0, 25.0, 50.0, 75.0, 100.0].into_iter().map(|t| (t, format!("{t:.0}"))).collect();
        c.bottom(&marks, "rating")?;
        for (i, (name, [low, median, high])) in ratings.iter().enumerate() {
            let y = rows - 0.5 - i as f64;
            c.level(y - 0.5, WASH, 0.8)?;
            let short: String = name.chars().take(26).collect();
            c.word(&short, (0.0, y), (-10.0, -5.0), Hang::Right, INK)?;
            c.sized(&format!("{median:.0} ({low:.0} to {high:.0})"), (0.0, y), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
            let corners = [(*low, y - 0.26), (*high, y - 0.26), (*high, y + 0.26), (*low, y + 0.26)];
            c.fill(&corners, WASH)?;
            c.line(&[corners[0], corners[1], corners[2], corners[3], corners[0]], INK, 1.4)?;
            c.line(&[(*median, y - 0.34), (*median, y + 0.34)], INK, 3.0)?;
        }
        Ok(())
    })?;
    let cells =
        ratings.iter().map(|(s, q)| vec![s.clone(), format!("{:.1}", q[0]), format!("{:.1}", q[1]), format!("{:.1}", q[2])]);
    let head = ["sample", "lower quartile", "median", "upper quartile"];
    Ok(Some(Plot { title, alt, svg, table: table(&head, cells.collect()) }))
}
