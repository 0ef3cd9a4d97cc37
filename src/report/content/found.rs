//! Was there anything to hear: measured differences beside the repeat floor and the prediction.

use super::{Block, Section, section};
use crate::report::plots::{PlotError, bands};
use crate::report::text::signed;
use crate::report::view::{DifferenceView, Report};

/// The section, with a plot per pair and mic.
///
/// # Errors
/// [`PlotError`] when a plot cannot be drawn.
pub fn found(report: &Report) -> Result<Section, PlotError> {
    let mut blocks = Vec::new();
    for (i, difference) in report.differences.iter().enumerate() {
        blocks.push(Block::Text(words(difference)));
        if let Some(plot) = bands(difference, &format!("bands-{}", i + 1))? {
            blocks.push(Block::Plot(Box::new(plot)));
        }
    }
    if !blocks.is_empty() {
        blocks.push(Block::Text(
            "Measured is not heard: a difference above the floor says that there is something, not that anybody notices it. 1 dB over several \
             bands may be heard, 0.2 dB hardly (common practice, no source)."
                .to_owned(),
        ));
    }
    Ok(section("found", "Was there anything to hear?", blocks))
}

fn words(d: &DifferenceView) -> String {
    let level = d
        .level_lu
        .map_or_else(String::new, |l| format!(" As recorded, {} was {} LU against {}.", d.second, signed(l, 2), d.first));
    let floor = match d.above_floor {
        Some(true) => "the two setups differ by more than repeat takes of either do",
        Some(false) => "the two setups differ by no more than repeat takes of one setup do",
        None => "one of them has fewer than four takes, so nothing can be said about the floor",
    };
    let predicted = d.predicted_for.as_ref().map_or_else(String::new, |w| format!(" Predicted: {w}."));
    let estimate = d.estimate.as_ref().map_or_else(String::new, |e| format!(" Before the test: {e}."));
    format!("{} against {} at {}: {floor}.{level}{predicted}{estimate}", d.second, d.first, d.mic)
}
