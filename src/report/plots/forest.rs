//! Listeners one above the other, each with an interval, and all together.

use super::canvas::{self, ACCENT, Canvas, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, share_ticks, table};
use crate::model::result::ListenerDoc;
use crate::model::trial::Method;
use crate::report::text;
use crate::report::view::{ScoreView, TestView};

/// Height of a row in design units.
const ROW: f64 = 33.0;

/// Listeners of one drawing: what fits on a printed page.
const PAGE: usize = 24;

/// The plot of one scored test, in as many drawings as printed pages need; empty with fewer than two listeners, and where no share stands for
/// a listener (ratings, several pairs).
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn forest(test: &TestView, score: &ScoreView) -> Result<Vec<Plot>, PlotError> {
    let count = &score.result.count;
    let (Some(right), Some(chance), Some(interval)) = (count.correct, count.chance, count.interval95) else {
        return Ok(Vec::new());
    };
    let listeners = &score.result.listeners;
    if listeners.len() < 2 || !test.method.one_count(test.setups.len()) {
        return Ok(Vec::new());
    }
    let all = Together { right, trials: count.trials, chance, interval };
    let parts: Vec<&[ListenerDoc]> = listeners.chunks(PAGE).collect();
    parts
        .iter()
        .enumerate()
        .map(|(i, part)| drawing(test, score, &all, Part { listeners: part, number: i + 1, of: parts.len() }))
        .collect()
}

/// All listeners as one.
struct Together {
    right: u64,
    trials: u64,
    chance: f64,
    interval: [f64; 2],
}

/// The listeners of one drawing.
#[derive(Clone, Copy)]
struct Part<'a> {
    listeners: &'a [ListenerDoc],
    number: usize,
    of: usize,
}

fn drawing(test: &TestView, score: &ScoreView, all: &Together, part: Part<'_>) -> Result<Plot, PlotError> {
    let first = test.setups.first().filter(|_| test.method == Method::Preference);
    let (beyond, what, picks) = match first {
        Some(first) => ("away from one half", format!("share that preferred {first}"), format!("Picks of {first} by")),
        None => ("above chance", "share right".to_owned(), "Right picks of".to_owned()),
    };
    let whole = if part.of > 1 { format!(", {} of {}", part.number, part.of) } else { String::new() };
    let title = format!("{}: listener by listener{whole} (filled: {beyond} alone, after Holm)", test.test);
    let said: Vec<String> =
        part.listeners.iter().map(|l| format!("{} {} of {}", l.listener, l.correct.unwrap_or(0), l.trials)).collect();
    let alt = format!(
        "{picks} each listener with a 95 per cent interval, against chance {}: {}; {} {} of {}.",
        text::percent(all.chance),
        said.join(", "),
        if part.of > 1 { "all listeners together" } else { "together" },
        all.right,
        all.trials
    );
    let rows = part.listeners.len() + 1;
    let id =
        if part.number == 1 { format!("{}-listeners", test.test) } else { format!("{}-listeners-{}", test.test, part.number) };
    let caption = Caption { id: &id, title: &title, alt: &alt };
    let level = score.result.head.family.level;
    let svg =
        canvas::draw(caption, ROW * rows as f64 + 76.0, [170.0, 34.0, 28.0, 48.0], ([0.0, 1.0], [0.0, rows as f64]), |c| {
            c.bottom(&share_ticks(), &what)?;
            c.upright(all.chance, INK, 1.6)?;
            c.word("chance", (all.chance, rows as f64), (0.0, -11.0), Hang::Middle, INK)?;
            for (i, l) in part.listeners.iter().enumerate() {
                row(c, l, rows as f64 - 0.5 - i as f64, level)?;
            }
            let [low, high] = all.interval;
            let share = all.right as f64 / all.trials.max(1) as f64;
            c.word("together", (0.0, 0.5), (-10.0, -5.0), Hang::Right, ACCENT)?;
            c.sized(&format!("{} of {}", all.right, all.trials), (0.0, 0.5), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
            c.fill(&[(low, 0.5), (share, 0.78), (high, 0.5), (share, 0.22)], ACCENT)
        })?;
    let head = ["listener", if first.is_some() { "preferred" } else { "right" }, "95 % interval", "p alone", "p after Holm"];
    Ok(Plot { title, alt, svg, table: table(&head, part.listeners.iter().map(cells).collect()) })
}

fn row(c: &Canvas<'_>, l: &ListenerDoc, y: f64, level: f64) -> Result<(), PlotError> {
    let [low, high] = ScoreView::interval_of(l);
    let share = l.correct.unwrap_or(0) as f64 / l.trials.max(1) as f64;
    c.level(y - 0.5, WASH, 0.8)?;
    let name: String = l.listener.as_str().chars().take(18).collect();
    c.word(&name, (0.0, y), (-10.0, -5.0), Hang::Right, INK)?;
    let count = format!("{} of {}{}", l.correct.unwrap_or(0), l.trials, if l.simulated { ", simulated" } else { "" });
    c.sized(&count, (0.0, y), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
    c.line(&[(low, y), (high, y)], INK, 2.0)?;
    // Filled where the listener alone is above chance after correction, open where not: shape, not colour.
    c.dot((share, y), 5.5, INK, l.p_holm <= level)
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
