//! Listeners one above the other, each with an interval, and all together.

use super::canvas::{self, ACCENT, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, share_ticks, table};
use crate::model::result::ListenerDoc;
use crate::model::trial::Method;
use crate::report::text;
use crate::report::view::{ScoreView, TestView};

/// Height of a row in design units.
const ROW: f64 = 33.0;

/// The plot of one scored test; `None` with fewer than two listeners, and where no share stands for a listener (ratings, several pairs).
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn forest(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let listeners = &score.result.listeners;
    let (Some(right), Some(chance), Some([low_all, high_all])) =
        (score.result.count.correct, score.result.count.chance, score.result.count.interval95)
    else {
        return Ok(None);
    };
    let trials = score.result.count.trials;
    let preference = test.method == Method::Preference;
    if listeners.len() < 2 || !test.method.one_count(test.setups.len()) {
        return Ok(None);
    }
    let (beyond, what, picks) = match test.setups.first().filter(|_| preference) {
        Some(first) => ("away from one half", format!("share that preferred {first}"), format!("Picks of {first} by")),
        None => ("above chance", "share right".to_owned(), "Right picks of".to_owned()),
    };
    let title = format!("{}: listener by listener (filled: {beyond} alone, after Holm)", test.test);
    let said: Vec<String> =
        listeners.iter().map(|l| format!("{} {} of {}", l.listener, l.correct.unwrap_or(0), l.trials)).collect();
    let alt = format!(
        "{picks} each listener with a 95 per cent interval, against chance {}: {}; together {} of {}.",
        text::percent(chance),
        said.join(", "),
        right,
        trials
    );
    let rows = listeners.len() + 1;
    let height = ROW * rows as f64 + 76.0;
    let caption = Caption { id: &format!("{}-listeners", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, height, [170.0, 34.0, 28.0, 48.0], ([0.0, 1.0], [0.0, rows as f64]), |c| {
        c.bottom(&share_ticks(), &what)?;
        c.upright(chance, INK, 1.6)?;
        c.word("chance", (chance, rows as f64), (0.0, -11.0), Hang::Middle, INK)?;
        for (i, l) in listeners.iter().enumerate() {
            let y = rows as f64 - 0.5 - i as f64;
            let [low, high] = ScoreView::interval_of(l);
            let share = l.correct.unwrap_or(0) as f64 / l.trials.max(1) as f64;
            c.level(y - 0.5, WASH, 0.8)?;
            let name: String = l.listener.as_str().chars().take(18).collect();
            c.word(&name, (0.0, y), (-10.0, -5.0), Hang::Right, INK)?;
            let count = format!("{} of {}{}", l.correct.unwrap_or(0), l.trials, if l.simulated { ", simulated" } else { "" });
            c.sized(&count, (0.0, y), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
            c.line(&[(low, y), (high, y)], INK, 2.0)?;
            // Filled where the listener alone is above chance after correction, open where not: shape, not colour.
            c.dot((share, y), 5.5, INK, l.p_holm <= score.result.head.family.level)?;
        }
        let [low, high] = [low_all, high_all];
        let share = right as f64 / trials.max(1) as f64;
        c.word("together", (0.0, 0.5), (-10.0, -5.0), Hang::Right, ACCENT)?;
        c.sized(&format!("{} of {}", right, trials), (0.0, 0.5), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
        c.fill(&[(low, 0.5), (share, 0.78), (high, 0.5), (share, 0.22)], ACCENT)
    })?;
    let cells = listeners.iter().map(cells).collect();
    let head = ["listener", if preference { "preferred" } else { "right" }, "95 % interval", "p alone", "p after Holm"];
    Ok(Some(Plot { title, alt, svg, table: table(&head, cells) }))
}

/// A listener's row.
fn cells(l: &ListenerDoc) -> Vec<String> {
    let [low, high] = ScoreView::interval_of(l);
    vec![
        l.listener.to_string(),
        format!("{} of {}", l.correct.unwrap_or(0), l.trials),
        format!("{low:.3} to {high:.3}"),
        text::p(l.p_value),
        text::p(l.p_holm),
    ]
}
