//! What a report says, in the order in which a sceptic asks. Built once, then written as a page or as Markdown.
//!
//! * [`verdicts`]: the sentence of each test, what follows from it, and the two questions everybody asks
//! * [`compared`]: what was compared, wirings, takes, matching
//! * [`found`]: was there anything to hear
//! * [`sealed`]: plans, fates, picks, listeners, controls
//! * [`hand`]: the sum behind the p value, written out

pub mod compared;
pub mod found;
pub mod hand;
mod listened;
mod reviewed;
pub mod sealed;
pub mod verdicts;

use super::plots::{Plot, PlotError, Table};
use super::view::Report;
use verdicts::Verdict;

/// A piece of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A paragraph.
    Text(String),
    /// A paragraph that must be seen: a warning.
    Warning(String),
    /// A heading inside the section.
    Heading(String),
    /// Points.
    List(Vec<String>),
    /// Ruled fields: name and value.
    Facts(Vec<(String, String)>),
    /// A ruled table.
    Table(Table),
    /// A plot with its table.
    Plot(Box<Plot>),
    /// Plots that are one: many of them scroll on screen and break over pages in print.
    Plots(Vec<Plot>),
    /// A drawing: SVG element and what it shows in words.
    Drawing(String, String),
    /// Figures set as typed.
    Typed(String),
    /// Something long, folded on the screen, open in print.
    Folded(String, Vec<Block>),
}

/// A section.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Its place in the page's addresses.
    pub id: &'static str,
    /// Its title.
    pub title: &'static str,
    /// What it holds.
    pub blocks: Vec<Block>,
}

/// The whole report in words, tables and drawings.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// Title.
    pub title: String,
    /// The engineer's question.
    pub question: Option<String>,
    /// A sentence when scenario and listeners are invented.
    pub invented: Option<String>,
    /// Fields of the head.
    pub head: Vec<(String, String)>,
    /// One per sealed test, oldest first.
    pub verdicts: Vec<Verdict>,
    /// The evidence.
    pub sections: Vec<Section>,
}

/// Builds the document.
///
/// # Errors
/// [`PlotError`] when a plot cannot be drawn.
pub fn document(report: &Report) -> Result<Document, PlotError> {
    let sections = vec![
        compared::compared(report),
        compared::wirings(report),
        compared::takes(report)?,
        compared::matching(report),
        found::found(report)?,
        reviewed::conditions(report),
        sealed::plans(report),
        sealed::picks(report),
        sealed::listeners(report)?,
        sealed::controls(report),
        audience(report),
        verdicts::limits(report),
        reviewed::audience(report),
        reviewed::methods(report),
        reviewed::standard(report),
        hand::hand(report),
        compared::cautions(report),
        compared::versions(report),
    ];
    Ok(Document {
        title: report.title.clone(),
        question: report.question.clone(),
        invented: report.invented.clone(),
        head: head(report),
        verdicts: report.tests.iter().map(verdicts::verdict).collect::<Result<_, _>>()?,
        sections: sections.into_iter().filter(|s| !s.blocks.is_empty()).collect(),
    })
}

/// What an audience answered stands by itself: a class of its own beside the sealed tests.
fn audience(report: &Report) -> Section {
    let mut blocks = Vec::new();
    for (sentence, not_guarded) in &report.audience {
        blocks.push(Block::Text(sentence.clone()));
        blocks.push(Block::Heading("What nobody guards where an audience listens by itself".to_owned()));
        blocks.push(Block::List(not_guarded.clone()));
    }
    Section { id: "audience", title: "An audience", blocks }
}

fn head(report: &Report) -> Vec<(String, String)> {
    let names: Vec<&str> = report.setups.iter().map(|s| s.name.as_str()).collect();
    let closed = report.tests.iter().filter(|t| t.closed_at.is_some()).count();
    let mut head = vec![
        ("setups".to_owned(), names.join(", ")),
        ("takes".to_owned(), report.takes.iter().filter(|t| t.setup != "DI" && t.withdrawn.is_none()).count().to_string()),
        ("sealed tests".to_owned(), sealed_tests(report, closed)),
        ("written".to_owned(), day(&report.made_at)),
    ];
    if let Some(amplifier) = &report.amplifier {
        head.insert(0, ("amplifier".to_owned(), amplifier.clone()));
    }
    head
}

/// How many tests were sealed, and what became of them.
fn sealed_tests(report: &Report, closed: usize) -> String {
    let (open, given_up) = (report.tests.len() - closed, report.given_up.len());
    format!("{}: {closed} closed, {open} open, {given_up} given up", report.tests.len() + given_up)
}

/// A time stamp without its seconds and letters: `2026-03-01 21:40 UTC`.
#[must_use]
pub fn day(stamp: &str) -> String {
    match (stamp.get(..10), stamp.get(11..16)) {
        (Some(date), Some(time)) => format!("{date} {time} UTC"),
        _ => stamp.to_owned(),
    }
}

fn table(head: &[&str], rows: Vec<Vec<String>>) -> Block {
    Block::Table(Table { head: head.iter().map(|h| (*h).to_owned()).collect(), rows })
}

fn section(id: &'static str, title: &'static str, blocks: Vec<Block>) -> Section {
    Section { id, title, blocks }
}
