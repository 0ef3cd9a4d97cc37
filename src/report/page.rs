//! The page: one self-contained HTML file without script and without any request, in the look of a track sheet.

use super::content::verdicts::Verdict;
use super::content::{Block, Document, Section};
use super::plots::{Plot, Table};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The page's style, taken in at compile time.
pub const STYLE: &str = include_str!("page.css");

/// The whole page.
#[must_use]
pub fn page(document: &Document) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (document.title) " \u{2013} listening report" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    (head(document))
                    @for verdict in &document.verdicts { (card(verdict)) }
                    @if document.verdicts.is_empty() {
                        section.verdict { p.sentence { "No test has been sealed yet, so there is no verdict." } }
                    }
                    (contents(&document.sections))
                    @for (i, section) in document.sections.iter().enumerate() { (part(section, i + 1)) }
                }
            }
        }
    }
    .into_string()
}

fn head(document: &Document) -> Markup {
    html! {
        header.sheet {
            p.kind { "Listening report" }
            h1 { (document.title) }
            @if let Some(question) = &document.question { p.question { (question) } }
            dl.fields { @for (name, value) in &document.head { div { dt { (name) } dd { (value) } } } }
            @if let Some(invented) = &document.invented { p.notice role="note" { (invented) } }
        }
    }
}

/// A verdict's card.
#[must_use]
pub fn card(verdict: &Verdict) -> Markup {
    html! {
        section.verdict id=(verdict.test) aria-label={ "Verdict of " (verdict.test) } {
            p.asked { b { (verdict.test) } " \u{2003}" (verdict.asked) }
            p.sentence { (verdict.headline.replace("p = ", "p\u{a0}=\u{a0}")) }
            p { (verdict.sentence.replace("p = ", "p\u{a0}=\u{a0}")) }
            p.witnessed { (verdict.witnessed) }
            @if !verdict.figures.is_empty() {
                dl.figures { @for (name, value) in &verdict.figures { div { dt { (name) } dd { (value) } } } }
            }
            @for (question, answer) in &verdict.questions {
                div.ask { h2 { (question) } p { (answer) } }
            }
            @if !verdict.plots.is_empty() {
                div.plots { @for plot in &verdict.plots { (figure(plot)) } }
            }
        }
    }
}

fn contents(sections: &[Section]) -> Markup {
    html! {
        nav aria-label="Evidence" {
            ol { @for section in sections { li { a href={ "#" (section.id) } { (section.title) } } } }
        }
    }
}

fn part(section: &Section, number: usize) -> Markup {
    html! {
        section.part id=(section.id) {
            h2 { span.number { (number) } " " (section.title) }
            @for block in &section.blocks { (piece(block)) }
        }
    }
}

/// A piece of a section.
#[must_use]
pub fn piece(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Text(text) => p { (text) },
            Block::Warning(text) => p.warning role="note" { (text) },
            Block::Heading(text) => h3 { (text) },
            Block::List(points) => ul { @for point in points { li { (point) } } },
            Block::Facts(facts) => dl.facts { @for (name, value) in facts { div { dt { (name) } dd { (value) } } } },
            Block::Table(table) => (ruled(table)),
            Block::Plot(plot) => (figure(plot)),
            Block::Plots(plots) => @if let [plot] = plots.as_slice() { (figure(plot)) } @else {
                div.many tabindex="0" role="group" aria-label="Plots" { @for plot in plots { (figure(plot)) } }
            },
            Block::Drawing(svg, words) => figure.drawing { (PreEscaped(inline(svg))) figcaption { (words) } },
            Block::Typed(text) => pre { (text) },
            Block::Folded(title, blocks) => details {
                summary { (title) }
                @for block in blocks { (piece(block)) }
            },
        }
    }
}

/// A plot with its numbers.
#[must_use]
pub fn figure(plot: &Plot) -> Markup {
    html! {
        figure {
            figcaption { (plot.title) }
            (PreEscaped(&plot.svg))
            details.numbers {
                summary { "The numbers" }
                (ruled(&plot.table))
            }
        }
    }
}

/// A table in a frame that scrolls by itself where the window is narrower. Cells that are numbers hang right.
fn ruled(table: &Table) -> Markup {
    let numeric = |column: usize| {
        !table.rows.is_empty()
            && table.rows.iter().all(|row| {
                row.get(column).is_some_and(|cell| {
                    cell.chars()
                        .all(|c| c.is_ascii_digit() || matches!(c, '.' | '+' | '-' | '\u{2212}' | '\u{2013}' | ' ' | 'k' | '%'))
                })
            })
    };
    let right: Vec<bool> = (0..table.head.len()).map(numeric).collect();
    let class = |column: usize| right.get(column).copied().unwrap_or(false).then_some("num");
    html! {
        div.scroll tabindex="0" role="group" aria-label="Table" {
            table {
                thead { tr { @for (i, head) in table.head.iter().enumerate() { th scope="col" class=[class(i)] { (head) } } } }
                tbody {
                    @for row in &table.rows {
                        tr { @for (i, cell) in row.iter().enumerate() { td class=[class(i)] { (cell) } } }
                    }
                }
            }
        }
    }
}

/// A drawing that stands alone as a file, made fit to stand inside the page: without its name space and its own style, which would reach
/// beyond it.
#[must_use]
pub fn inline(svg: &str) -> String {
    let bare = svg.replace(" xmlns=\"http://www.w3.org/2000/svg\"", "");
    match (bare.find("<style>"), bare.find("</style>")) {
        (Some(start), Some(end)) if start < end => format!("{}{}", &bare[..start], &bare[end + "</style>".len()..]),
        _ => bare,
    }
}
