//! The same report as Markdown: sentences, tables and numbers; plots as their data tables.

use super::content::{Block, Document};
use super::plots::{Plot, Table};
use std::fmt::Write;

/// The whole report.
#[must_use]
pub fn markdown(document: &Document) -> String {
    let mut out = String::new();
    put(&mut out, &format!("# {}", document.title));
    if let Some(question) = &document.question {
        put(&mut out, &format!("*{question}*"));
    }
    if let Some(invented) = &document.invented {
        put(&mut out, &format!("**{invented}**"));
    }
    facts(&mut out, &document.head);
    for verdict in &document.verdicts {
        put(&mut out, &format!("## {}: {}", verdict.test, verdict.kind));
        put(&mut out, &verdict.asked);
        put(&mut out, &format!("**{}**", verdict.headline));
        put(&mut out, &verdict.sentence);
        put(&mut out, &verdict.witnessed);
        facts(&mut out, &verdict.figures);
        for (question, answer) in &verdict.questions {
            put(&mut out, &format!("**{question}** {answer}"));
        }
        for plot in &verdict.plots {
            put(&mut out, &format!("{}. {}", plot.title, plot.alt));
            table(&mut out, &plot.table);
        }
    }
    for (i, section) in document.sections.iter().enumerate() {
        put(&mut out, &format!("## {} {}", i + 1, section.title));
        for block in &section.blocks {
            piece(&mut out, block);
        }
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

fn put(out: &mut String, paragraph: &str) {
    out.push_str(paragraph);
    out.push_str("\n\n");
}

fn piece(out: &mut String, block: &Block) {
    match block {
        Block::Text(text) => put(out, text),
        Block::Warning(text) => put(out, &format!("**{text}**")),
        Block::Heading(text) => put(out, &format!("### {text}")),
        Block::List(points) => {
            for point in points {
                // Writing to a String cannot fail.
                let _ = writeln!(out, "- {point}");
            }
            out.push('\n');
        }
        Block::Facts(list) => facts(out, list),
        Block::Table(rows) => table(out, rows),
        Block::Plot(plot) => plotted(out, plot),
        Block::Plots(plots) => plots.iter().for_each(|plot| plotted(out, plot)),
        Block::Drawing(_, words) => put(out, words),
        Block::Typed(text) => put(out, &format!("```\n{text}\n```")),
        Block::Folded(title, blocks) => {
            put(out, &format!("### {title}"));
            for block in blocks {
                piece(out, block);
            }
        }
    }
}

fn plotted(out: &mut String, plot: &Plot) {
    put(out, &format!("{}. {}", plot.title, plot.alt));
    table(out, &plot.table);
}

fn facts(out: &mut String, list: &[(String, String)]) {
    for (name, value) in list {
        let _ = writeln!(out, "- {name}: {value}");
    }
    if !list.is_empty() {
        out.push('\n');
    }
}

fn table(out: &mut String, table: &Table) {
    let line =
        |cells: &[String]| format!("| {} |\n", cells.iter().map(|c| c.replace('|', "\\|")).collect::<Vec<_>>().join(" | "));
    out.push_str(&line(&table.head));
    out.push_str(&format!("|{}\n", " --- |".repeat(table.head.len())));
    for row in &table.rows {
        out.push_str(&line(row));
    }
    out.push('\n');
}
