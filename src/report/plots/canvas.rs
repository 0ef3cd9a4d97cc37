//! Paper to draw on: plotters' SVG backend with our few inks, wrapped so that the drawing is readable by machines and by people who do not
//! see it, and takes its colours from the page.
//!
//! One unit of a drawing's design is ten units of the SVG, since the backend rounds to whole units. Colours are written as plain
//! attributes (so that the drawing stands alone) and overridden by the page's style for dark and print.

use crate::model::explain::{Explain, Fate};
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::fmt::Write;

/// SVG units per unit of the design.
pub(super) const FINE: f64 = 10.0;
/// Width of every plot in design units. A phone shows it at about two thirds.
pub(super) const WIDTH: f64 = 560.0;

/// Lines and words.
pub(super) const INK: RGBColor = RGBColor(0x22, 0x20, 0x1c);
/// Rules, ticks, secondary words.
pub(super) const FAINT: RGBColor = RGBColor(0x8a, 0x7f, 0x6c);
/// The one accent.
pub(super) const ACCENT: RGBColor = RGBColor(0xa6, 0x3d, 0x1f);
/// Filled areas.
pub(super) const WASH: RGBColor = RGBColor(0xe0, 0xd4, 0xba);
/// Ink, dashed by the page's style and by the attribute that [`finish`] puts in.
pub(super) const DASH: RGBColor = RGBColor(0x22, 0x20, 0x1d);
/// The paper.
pub(super) const PAPER: RGBColor = RGBColor(0xfb, 0xf7, 0xec);

/// The colours as they are written, in the order of the constants above: what a picture with colours of its own puts others in place of.
pub const SHEET: [&str; 6] = ["#22201C", "#22201D", "#8A7F6C", "#A63D1F", "#E0D4BA", "#FBF7EC"];

/// Width and height of a finished plot, in units of its own.
#[must_use]
pub fn sheet_of(svg: &str) -> (f64, f64) {
    let inside = svg.split("viewBox=\"0 0 ").nth(1).and_then(|rest| rest.split('"').next()).unwrap_or_default();
    let mut numbers = inside.split(' ').filter_map(|n| n.parse().ok());
    (numbers.next().unwrap_or(WIDTH * FINE), numbers.next().unwrap_or(WIDTH * FINE))
}

/// A drawing that could not be made. The backend writes into memory, so this is a defect and not something a user did.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a plot could not be drawn: {what}")]
pub struct PlotError {
    /// What the drawing library said.
    pub what: String,
}

impl Explain for PlotError {
    fn kind(&self) -> &'static str {
        "plot"
    }
    fn next(&self) -> String {
        "this is a defect of the program; the numbers themselves are in: cabjury score FOLDER --json".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Failed
    }
}

/// Any error of the drawing library.
pub(super) fn failed(error: impl std::fmt::Display) -> PlotError {
    PlotError { what: error.to_string() }
}

/// Where a word hangs on its point.
#[derive(Debug, Clone, Copy)]
pub(super) enum Hang {
    Left,
    Middle,
    Right,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// A plot in the making: a frame of x and y inside margins.
pub(super) struct Canvas<'a> {
    area: Area<'a>,
    /// x range.
    pub(super) x: [f64; 2],
    /// y range.
    pub(super) y: [f64; 2],
}

/// Margins in design units: left, right, top, bottom.
pub(super) type Margins = [f64; 4];

fn fine(v: f64) -> i32 {
    (v * FINE).round() as i32
}

impl<'a> Canvas<'a> {
    fn new(root: &DrawingArea<SVGBackend<'a>, Shift>, height: f64, margins: Margins, x: [f64; 2], y: [f64; 2]) -> Self {
        let [left, right, top, bottom] = margins;
        let across = fine(left)..fine(WIDTH - right);
        let down = fine(height - bottom)..fine(top);
        let spec = Cartesian2d::<RangedCoordf64, RangedCoordf64>::new(x[0]..x[1], y[0]..y[1], (across, down));
        Self { area: root.apply_coord_spec(spec), x, y }
    }

    pub(super) fn line(&self, points: &[(f64, f64)], colour: RGBColor, width: f64) -> Result<(), PlotError> {
        let style = colour.stroke_width(fine(width).unsigned_abs());
        self.area.draw(&PathElement::new(points.to_vec(), style)).map_err(failed)
    }

    pub(super) fn fill(&self, points: &[(f64, f64)], colour: RGBColor) -> Result<(), PlotError> {
        self.area.draw(&Polygon::new(points.to_vec(), colour.filled())).map_err(failed)
    }

    /// A round mark, filled or open.
    pub(super) fn dot(&self, at: (f64, f64), radius: f64, colour: RGBColor, filled: bool) -> Result<(), PlotError> {
        let r = fine(radius);
        if filled {
            return self.area.draw(&Circle::new(at, r, colour.filled())).map_err(failed);
        }
        self.area.draw(&Circle::new(at, r, PAPER.filled())).map_err(failed)?;
        self.area.draw(&Circle::new(at, r, colour.stroke_width(16))).map_err(failed)
    }

    /// Words at a point, moved by so many design units right and down.
    pub(super) fn word(
        &self,
        text: &str,
        at: (f64, f64),
        shift: (f64, f64),
        hang: Hang,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        self.sized(text, at, shift, hang, colour, 13.5)
    }

    /// Words of a stated size.
    pub(super) fn sized(
        &self,
        text: &str,
        at: (f64, f64),
        shift: (f64, f64),
        hang: Hang,
        colour: RGBColor,
        size: f64,
    ) -> Result<(), PlotError> {
        let h = match hang {
            Hang::Left => HPos::Left,
            Hang::Middle => HPos::Center,
            Hang::Right => HPos::Right,
        };
        // The backend divides the size of a font by 1.24.
        let style = TextStyle::from(("sans-serif", size * FINE * 1.24).into_font()).color(&colour).pos(Pos::new(h, VPos::Center));
        let place = EmptyElement::at(at) + Text::new(text.to_owned(), (fine(shift.0), fine(shift.1)), style);
        self.area.draw(&place).map_err(failed)
    }

    /// A vertical rule over the whole height.
    pub(super) fn upright(&self, x: f64, colour: RGBColor, width: f64) -> Result<(), PlotError> {
        self.line(&[(x, self.y[0]), (x, self.y[1])], colour, width)
    }

    /// A horizontal rule over the whole width.
    pub(super) fn level(&self, y: f64, colour: RGBColor, width: f64) -> Result<(), PlotError> {
        self.line(&[(self.x[0], y), (self.x[1], y)], colour, width)
    }

    /// Ticks along the bottom with their words, and a name of the axis under them.
    pub(super) fn bottom(&self, ticks: &[(f64, String)], name: &str) -> Result<(), PlotError> {
        self.level(self.y[0], INK, 1.0)?;
        for (x, label) in ticks {
            self.line(&[(*x, self.y[0]), (*x, self.y[1])], WASH, 0.8)?;
            self.word(label, (*x, self.y[0]), (0.0, 13.0), Hang::Middle, INK)?;
        }
        let middle = f64::midpoint(self.x[0], self.x[1]);
        self.word(name, (middle, self.y[0]), (0.0, 32.0), Hang::Middle, FAINT)
    }

    /// Ticks along the left with their words and a rule each.
    pub(super) fn left(&self, ticks: &[(f64, String)]) -> Result<(), PlotError> {
        for (y, label) in ticks {
            self.level(*y, WASH, 0.8)?;
            self.word(label, (self.x[0], *y), (-8.0, 0.0), Hang::Right, INK)?;
        }
        Ok(())
    }
}

/// What goes around a drawing: its name in the page, its title and the same in words.
#[derive(Debug, Clone, Copy)]
pub(super) struct Caption<'a> {
    pub(super) id: &'a str,
    pub(super) title: &'a str,
    pub(super) alt: &'a str,
}

/// Draws a plot and returns the SVG element, ready to stand inside a page.
pub(super) fn draw(
    caption: Caption<'_>,
    height: f64,
    margins: Margins,
    ranges: ([f64; 2], [f64; 2]),
    paint: impl FnOnce(&Canvas<'_>) -> Result<(), PlotError>,
) -> Result<String, PlotError> {
    let size = (fine(WIDTH).unsigned_abs(), fine(height).unsigned_abs());
    let mut raw = String::new();
    {
        let root = SVGBackend::with_string(&mut raw, size).into_drawing_area();
        let canvas = Canvas::new(&root, height, margins, ranges.0, ranges.1);
        paint(&canvas)?;
        canvas.area.present().map_err(failed)?;
    }
    finish(&raw, caption, size)
}

/// Puts our own head in place of the backend's and tidies what it repeats in every element.
fn finish(raw: &str, caption: Caption<'_>, size: (u32, u32)) -> Result<String, PlotError> {
    let body = raw
        .find("<svg")
        .and_then(|start| raw[start..].find('>').map(|end| &raw[start + end + 1..]))
        .and_then(|rest| rest.rfind("</svg>").map(|end| &rest[..end]))
        .ok_or_else(|| failed("the drawing has no end"))?;
    let body = body
        .replace(" opacity=\"1\"", "")
        .replace(" font-family=\"sans-serif\"", "")
        .replace("stroke=\"#22201D\"", "stroke=\"#22201D\" stroke-dasharray=\"70 45\"");
    let Caption { id, title, alt } = caption;
    let mut svg = String::with_capacity(body.len() + 400);
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        "<svg class=\"plot\" id=\"{id}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" viewBox=\"0 0 {} {}\" font-family=\"sans-serif\">\
         <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>{}</svg>",
        size.0,
        size.1,
        escape(title),
        escape(alt),
        body.trim()
    );
    Ok(svg)
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
