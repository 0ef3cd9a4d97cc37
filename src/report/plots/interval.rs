//! The share right with its interval, against chance and the smallest effect set beforehand.

use super::canvas::{self, ACCENT, Caption, DASH, FAINT, Hang, INK, PlotError};
use super::{Plot, share_ticks, table};
use crate::report::text::percent;
use crate::report::view::{ScoreView, TestView};

/// The plot of one scored test; `None` where no share stands for it.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn interval(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let numbers = &score.result.count;
    let trials = numbers.trials;
    let (Some(correct), Some(chance), Some([low, high])) = (numbers.correct, numbers.chance, numbers.interval95) else {
        return Ok(None);
    };
    let share = correct as f64 / trials.max(1) as f64;
    let at_bound = chance + (1.0 - chance) * test.bound;
    let two_sided = score.result.preference.is_some();
    let title = if two_sided {
        format!("{}: how often {} was preferred", test.test, test.setups.first().map_or("the first", String::as_str))
    } else {
        format!("{}: share of right picks", test.test)
    };
    let smallest = if two_sided {
        String::new()
    } else {
        format!("; the smallest effect set beforehand would show as {}", percent(at_bound))
    };
    let alt = format!(
        "{correct} of {trials} picks, {}; 95 per cent interval from {} to {}; chance is {}{smallest}.",
        percent(share),
        percent(low),
        percent(high),
        percent(chance)
    );
    let caption = Caption { id: &format!("{}-interval", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, 150.0, [30.0, 34.0, 44.0, 44.0], ([0.0, 1.0], [0.0, 1.0]), |c| {
        c.bottom(&share_ticks(), if two_sided { "share preferring the first named" } else { "share right" })?;
        c.upright(chance, INK, 1.6)?;
        c.word("chance", (chance, 1.0), (0.0, -11.0), Hang::Middle, INK)?;
        if !two_sided {
            c.upright(at_bound, DASH, 1.4)?;
            // Two words above each other where they would run into one.
            let lift = if at_bound - chance < 0.2 { -30.0 } else { -11.0 };
            c.word("smallest effect", (at_bound, 1.0), (0.0, lift), Hang::Middle, INK)?;
        }
        c.line(&[(low, 0.45), (high, 0.45)], ACCENT, 4.0)?;
        for end in [low, high] {
            c.line(&[(end, 0.3), (end, 0.6)], ACCENT, 2.0)?;
        }
        c.dot((share, 0.45), 6.5, ACCENT, true)?;
        if let Some(lower) = numbers.lower95 {
            c.fill(&[(lower, 0.45), (lower - 0.012, 0.2), (lower + 0.012, 0.2)], FAINT)?;
        }
        Ok(())
    })?;
    let how = if test.planned.is_some() { "Clopper-Pearson" } else { "confidence sequence, valid at any stop" };
    let mut rows = vec![
        vec![if two_sided { "preferred" } else { "right" }.to_owned(), format!("{} of {} ({share:.4})", correct, trials)],
        vec!["chance".to_owned(), format!("{:.4}", chance)],
        vec![format!("95 % interval, two-sided ({how})"), format!("{low:.4} to {high:.4}")],
    ];
    if let Some(lower) = numbers.lower95 {
        rows.push(vec!["95 % lower limit, one-sided (the small triangle)".to_owned(), format!("{lower:.4}")]);
    }
    if !two_sided {
        rows.push(vec!["share right at the smallest effect set beforehand".to_owned(), format!("{at_bound:.4}")]);
    }
    Ok(Some(Plot { title, alt, svg, table: table(&["", "share"], rows) }))
}
