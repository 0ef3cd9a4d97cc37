//! A plot of the report as a picture of its own: title above, the session and the fingerprint below.

use super::{Ground, MARGIN, Picture};
use crate::paint::font::{FAMILY, Weight, fitted};
use crate::paint::paper::{Hang, Paper, Words};
use crate::paint::theme::{Ink, Theme};
use crate::report::plots::{Plot, SHEET, sheet_of};

/// Largest and smallest title.
const TITLE: (f64, f64) = (60.0, 44.0);

/// The plot, with a line at the foot that says where it is from.
#[must_use]
pub fn framed(plot: &Plot, foot: &str, ground: Ground) -> Picture {
    let mut paper = Paper::new(ground.size.room(), ground.theme);
    let room = paper.width - 2.0 * MARGIN;
    let size = fitted(&plot.title, Weight::Bold, room, 2, TITLE);
    let top = paper.paragraph((MARGIN, MARGIN - 10.0), room, Words::bold(size, Ink::Ink), &plot.title) + 20.0;
    let small = fitted(foot, Weight::Regular, room, 1, (24.0, 14.0));
    let base = paper.height - MARGIN + 10.0;
    paper.line_of_words((MARGIN, base), Words::plain(small, Ink::Soft), Hang::Left, foot);
    let (wide, high) = sheet_of(&plot.svg);
    let left = (paper.width - 2.0 * MARGIN * 0.5, base - 50.0 - top);
    let k = (left.0 / wide).min(left.1 / high);
    let (w, h) = (wide * k, high * k);
    let corner = ((paper.width - w) / 2.0, top + (left.1 - h) / 2.0);
    paper.raw(&inside(&plot.svg, corner, (w, h), ground.theme));
    Picture { svg: paper.finish(&plot.title, &plot.alt), title: plot.title.clone(), alt: plot.alt.clone() }
}

/// The plot's own element with a place, the picture's colours and its typeface.
fn inside(svg: &str, at: (f64, f64), size: (f64, f64), theme: Theme) -> String {
    let mut out = svg.replacen(
        "<svg ",
        &format!("<svg x=\"{:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{:.2}\" ", at.0, at.1, size.0, size.1),
        1,
    );
    out = out.replace("font-family=\"sans-serif\"", &format!("font-family=\"{FAMILY}, Arial, Helvetica, sans-serif\""));
    for (written, ink) in SHEET.iter().zip([Ink::Ink, Ink::Ink, Ink::Soft, Ink::Accent, Ink::Wash, Ink::Paper]) {
        out = out.replace(&format!("\"{written}\""), &format!("\"{}\"", theme.colour(ink)));
    }
    out
}
