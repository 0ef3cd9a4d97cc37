//! Takes one above the other, and where the truth lies among all ways to split them.

use super::canvas::{self, ACCENT, Caption, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, share_ticks, table, ticks};
use crate::model::trial::Method;
use crate::report::text::{p_text, signed};
use crate::report::view::{ScoreView, TestView};
use std::collections::BTreeMap;

/// Height of a row in design units.
const ROW: f64 = 33.0;

/// Each take's share; `None` in the paired design.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn takes(test: &TestView, score: &ScoreView) -> Result<Option<Plot>, PlotError> {
    let (Some(heard), Some(chance)) = (&test.takes_heard, score.result.count.chance) else { return Ok(None) };
    let rows = heard.takes.len();
    if rows == 0 {
        return Ok(None);
    }
    let preference = test.method == Method::Preference;
    let what =
        if preference { "share of its trials in which it was picked" } else { "share right of the trials in which it sounded" };
    let title = format!("{}: take by take", test.test);
    let said: Vec<String> = heard.takes.iter().map(|t| format!("{} {} {} of {}", t.setup, t.take, t.right, t.trials)).collect();
    let alt = format!("For each take the {what}: {}. A trial counts for each take that sounded in it.", said.join(", "));
    let caption = Caption { id: &format!("{}-takes", test.test), title: &title, alt: &alt };
    let svg =
        canvas::draw(caption, ROW * rows as f64 + 76.0, [170.0, 34.0, 28.0, 48.0], ([0.0, 1.0], [0.0, rows as f64]), |c| {
            c.bottom(&share_ticks(), what)?;
            c.upright(chance, INK, 1.6)?;
            c.word("chance", (chance, rows as f64), (0.0, -11.0), Hang::Middle, INK)?;
            for (i, take) in heard.takes.iter().enumerate() {
                let y = rows as f64 - 0.5 - i as f64;
                c.level(y - 0.5, WASH, 0.8)?;
                let name: String = format!("{} {}", take.setup, take.take).chars().take(20).collect();
                c.word(&name, (0.0, y), (-10.0, -5.0), Hang::Right, INK)?;
                c.sized(&format!("{} of {}", take.right, take.trials), (0.0, y), (-10.0, 8.0), Hang::Right, FAINT, 11.5)?;
                if take.trials > 0 {
                    c.dot((take.right as f64 / take.trials as f64, y), 5.5, ACCENT, true)?;
                }
            }
            Ok(())
        })?;
    let rows = heard.takes.iter().map(|t| vec![t.take.clone(), t.setup.clone(), format!("{} of {}", t.right, t.trials)]);
    Ok(Some(Plot {
        title,
        alt,
        svg,
        table: table(&["take", "setup", if preference { "picked" } else { "right" }], rows.collect()),
    }))
}

/// How often each z came up among the splits, a stick each, and the truth among them; `None` in the paired design.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn splits(test: &TestView) -> Result<Option<Plot>, PlotError> {
    let Some(heard) = test.takes_heard.as_ref().filter(|h| !h.splits.is_empty()) else { return Ok(None) };
    // z of whole counts: what differs in the sixth digit is one value.
    let key = |z: f64| (z * 1e6).round() as i64;
    let mut sticks: BTreeMap<i64, u64> = BTreeMap::new();
    for z in &heard.splits {
        *sticks.entry(key(*z)).or_default() += 1;
    }
    let all = heard.splits.len() + usize::from(!heard.every_split);
    let far = heard.splits.iter().filter(|z| key(**z) >= key(heard.truth)).count() + usize::from(!heard.every_split);
    let p = far as f64 / all as f64;
    let value = |k: i64| k as f64 / 1e6;
    let ends = sticks.keys().map(|k| value(*k)).chain([heard.truth, 0.0]);
    let (low, high) = ends.fold((f64::MAX, f64::MIN), |(l, h), z| (l.min(z), h.max(z)));
    let (low, high) = (low - 0.3, high + 0.3);
    let most = sticks.values().copied().max().unwrap_or(1) as f64 * 1.08;
    let title = format!("{}: where the truth lies among {all} ways to split the takes", test.test);
    let alt = format!(
        "The true split into setups has z = {}; {far} of {all} splits have as much or more: {}, all listeners together.",
        signed(heard.truth, 2),
        p_text(p)
    );
    let caption = Caption { id: &format!("{}-splits", test.test), title: &title, alt: &alt };
    let svg = canvas::draw(caption, 210.0, [62.0, 34.0, 34.0, 48.0], ([low, high], [0.0, most]), |c| {
        let marks: Vec<(f64, String)> = ticks([low, high], 6.0).into_iter().map(|z| (z, signed(z, 1))).collect();
        c.bottom(&marks, "z of a split: right picks beyond guessing, in standard errors")?;
        let up: Vec<(f64, String)> =
            ticks([0.0, most], 3.0).into_iter().filter(|n| n.fract() == 0.0).map(|n| (n, format!("{n:.0}"))).collect();
        c.left(&up)?;
        c.sized("splits", (low, most), (-8.0, -12.0), Hang::Right, FAINT, 12.0)?;
        for (k, n) in &sticks {
            c.line(&[(value(*k), 0.0), (value(*k), *n as f64)], INK, 2.0)?;
        }
        c.upright(heard.truth, ACCENT, 3.0)?;
        c.word(
            "the true split",
            (heard.truth, most),
            (0.0, -11.0),
            if heard.truth > (low + high) / 2.0 { Hang::Right } else { Hang::Left },
            ACCENT,
        )
    })?;
    let rows = sticks.iter().rev().take(20).map(|(k, n)| vec![format!("{:.3}", value(*k)), n.to_string()]).collect();
    Ok(Some(Plot { title, alt, svg, table: table(&["z, the largest first", "splits"], rows) }))
}
