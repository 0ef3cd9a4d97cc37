//! Plots: each an SVG with its text alternative, and the numbers behind it as a table. Readable in black and white: what differs in
//! meaning differs in shape, dash or place, never in colour alone.
//!
//! * [`interval()`]: the share right with its interval, against chance and the smallest effect set beforehand
//! * [`power()`]: the saw-tooth of power over the number of trials, with this test's place
//! * [`forest()`]: listeners one above the other
//! * [`bands()`]: differences per one-third octave with repeat floor and prediction
//! * [`levels()`]: level over the capture order
//! * [`scale()`]: a preference test's setups on one scale
//! * [`boxes()`]: ratings of a graded test
//! * [`takes()`], [`splits()`]: takes one above the other, and the truth among all ways to split them
//! * [`evidence()`]: evidence over the trials of an open-ended test

mod bands;
mod boxes;
mod canvas;
mod evidence;
mod forest;
mod interval;
mod levels;
mod power;
mod scale;
mod takes;

pub use bands::bands;
pub use boxes::boxes;
pub use canvas::{PlotError, SHEET, sheet_of};
pub use evidence::evidence;
pub use forest::forest;
pub use interval::interval;
pub use levels::levels;
pub use power::power;
pub use scale::scale;
pub use takes::{splits, takes};

use serde::Serialize;

/// A table: head and rows of cells.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Table {
    /// Column heads.
    pub head: Vec<String>,
    /// Rows.
    pub rows: Vec<Vec<String>>,
}

/// A plot with everything that goes with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plot {
    /// Its title.
    pub title: String,
    /// The same in words.
    pub alt: String,
    /// The SVG element.
    pub svg: String,
    /// The numbers behind it.
    pub table: Table,
}

fn table(head: &[&str], rows: Vec<Vec<String>>) -> Table {
    Table { head: head.iter().map(|h| (*h).to_owned()).collect(), rows }
}

/// Ticks of a share's axis: 0, 25, 50, 75, 100 %.
fn share_ticks() -> Vec<(f64, String)> {
    [0.0, 0.25, 0.5, 0.75, 1.0].into_iter().map(|s| (s, format!("{:.0} %", s * 100.0))).collect()
}

/// Round steps that give about `wanted` ticks between two ends.
fn ticks(ends: [f64; 2], wanted: f64) -> Vec<f64> {
    let rough = (ends[1] - ends[0]) / wanted;
    let tens = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * tens).find(|s| *s >= rough * 0.999).unwrap_or(rough);
    let first = (ends[0] / step - 1e-9).ceil() as i64;
    let last = (ends[1] / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}
