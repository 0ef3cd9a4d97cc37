//! The measured difference between two setups per one-third octave, the repeat floor behind it, and what the driver model predicts.

use super::canvas::{self, ACCENT, Caption, DASH, FAINT, Hang, INK, PlotError, WASH};
use super::{Plot, table, ticks};
use crate::report::text;
use crate::report::view::{BandView, DifferenceView};

/// The guitar-cab range that a verdict may show: one-third octaves of 80 Hz to 6.3 kHz.
const RANGE: [f64; 2] = [75.0, 6700.0];

fn inside(band: &&BandView) -> bool {
    (RANGE[0]..=RANGE[1]).contains(&band.hz)
}

/// The plot of one pair of setups at one mic; `None` when no band could be measured.
///
/// # Errors
/// [`PlotError`] when the drawing library fails.
pub fn bands(difference: &DifferenceView, id: &str) -> Result<Option<Plot>, PlotError> {
    let shown: Vec<&BandView> = difference.bands.iter().filter(inside).collect();
    let measured: Vec<(f64, f64)> = shown.iter().filter_map(|b| b.between_db.map(|d| (b.hz.log10(), d))).collect();
    if measured.is_empty() {
        return Ok(None);
    }
    let predicted: Vec<(f64, f64)> = shown.iter().filter_map(|b| b.predicted_db.map(|d| (b.hz.log10(), d))).collect();
    let floor: Vec<(f64, f64)> = shown.iter().filter_map(|b| b.repeat_db.map(|d| (b.hz.log10(), d))).collect();
    let most = measured.iter().chain(&predicted).chain(&floor).fold(1.0f64, |m, (_, d)| m.max(d.abs())) * 1.12;
    let DifferenceView { first, second, mic, .. } = difference;
    let title = format!("{second} minus {first}, {mic}, loudness difference removed");
    let alt = words(difference, &shown);
    let x = [RANGE[0].log10(), RANGE[1].log10()];
    let svg = canvas::draw(Caption { id, title: &title, alt: &alt }, 290.0, [62.0, 24.0, 46.0, 46.0], (x, [-most, most]), |c| {
        if floor.len() > 1 {
            let up = floor.iter().copied();
            let down = floor.iter().rev().map(|(x, d)| (*x, -d));
            c.fill(&up.chain(down).collect::<Vec<_>>(), WASH)?;
        }
        c.left(
            &ticks([-most, most], 8.0).into_iter().map(|t| (t, text::signed(t, usize::from(most < 2.0)))).collect::<Vec<_>>(),
        )?;
        let octaves = [100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0f64];
        let names = ["100", "200", "500", "1k", "2k", "5k"];
        let along: Vec<_> = octaves.iter().zip(names).map(|(hz, n)| (hz.log10(), n.to_owned())).collect();
        c.bottom(&along, "Hz")?;
        c.level(0.0, FAINT, 1.2)?;
        if predicted.len() > 1 {
            c.line(&predicted, DASH, 1.8)?;
        }
        c.line(&measured, ACCENT, 2.4)?;
        for at in &measured {
            c.dot(*at, 3.6, ACCENT, true)?;
        }
        c.word("dB", (x[0], most), (-8.0, -14.0), Hang::Right, FAINT)?;
        legend(c, predicted.len() > 1, floor.len() > 1)
    })?;
    let rows = shown
        .iter()
        .map(|b| {
            let cell = |v: Option<f64>| text::or_dash(v.map(|v| text::signed(v, 2)));
            let floor = text::or_dash(b.repeat_db.map(|v| format!("{v:.2}")));
            vec![text::band(b.hz), cell(b.between_db), floor, cell(b.predicted_db)]
        })
        .collect();
    let head = ["Hz", "measured, dB", "repeat floor, \u{b1} dB", "predicted, dB"];
    Ok(Some(Plot { title, alt, svg, table: table(&head, rows) }))
}

/// What each mark means, above the frame.
fn legend(c: &canvas::Canvas<'_>, predicted: bool, floor: bool) -> Result<(), PlotError> {
    let width = c.x[1] - c.x[0];
    let mut x = c.x[0] + 0.02 * width;
    let y = c.y[1] + (c.y[1] - c.y[0]) * 0.085;
    let sample = 0.055 * width;
    c.line(&[(x, y), (x + sample, y)], ACCENT, 2.4)?;
    c.dot((x + sample / 2.0, y), 3.6, ACCENT, true)?;
    c.word("measured", (x + sample, y), (6.0, 0.0), Hang::Left, INK)?;
    x += 0.29 * width;
    if floor {
        let h = (c.y[1] - c.y[0]) * 0.02;
        c.fill(&[(x, y - h), (x + sample, y - h), (x + sample, y + h), (x, y + h)], WASH)?;
        c.word("repeat takes", (x + sample, y), (6.0, 0.0), Hang::Left, INK)?;
        x += 0.33 * width;
    }
    if predicted {
        c.line(&[(x, y), (x + sample, y)], DASH, 1.8)?;
        c.word("predicted", (x + sample, y), (6.0, 0.0), Hang::Left, INK)?;
    }
    Ok(())
}

fn words(difference: &DifferenceView, shown: &[&BandView]) -> String {
    let largest = shown.iter().filter_map(|b| b.between_db.map(|d| (b.hz, d))).max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let judged: Vec<bool> =
        shown.iter().filter_map(|b| b.between_db.zip(b.repeat_db)).map(|(d, floor)| d.abs() > floor).collect();
    let floor = if judged.is_empty() {
        "There are no repeat takes to compare with.".to_owned()
    } else {
        let above = judged.iter().filter(|above| **above).count();
        format!("{above} of {} bands lie above what repeat takes of one setup differ by.", judged.len())
    };
    let largest = largest.map_or_else(String::new, |(hz, d)| {
        format!("The largest difference is {} dB at {} Hz. ", text::signed(d, 1), text::band(hz))
    });
    format!(
        "Difference per one-third octave, {} minus {}, at {}. {largest}{floor}",
        difference.second, difference.first, difference.mic
    )
}
