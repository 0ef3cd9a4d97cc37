//! The takes: what is wrong with them, levels over the capture order, differences beside the repeat floor.

use super::layout::{command, once};
use crate::model::audio::Severity;
use crate::model::failure::Failure;
use crate::publish::report::sketch;
use crate::report::content::{compared, found};
use crate::report::page::piece;
use crate::testing::desk::records;
use crate::web::App;
use maud::{Markup, html};
use std::path::Path;

pub(super) fn page(folder: &Path, _app: &App) -> Result<Markup, Failure> {
    let takes = records::read(folder)?.takes;
    if takes.is_empty() {
        return Ok(html! { p { "No take was imported yet. " a href="/runsheet" { "Drop recordings on the run sheet" } "." } });
    }
    let view = sketch(folder)?;
    let (levels, differences) = (compared::takes(&view)?, found::found(&view)?);
    Ok(html! {
        form method="post" action="/check" data-slow="checking" {
            (once())
            p { "Faults, lags, levels, and the difference between setups beside that between repeat takes." }
            button type="submit" { "Check all takes" }
        }
        section.part {
            h2 { "Faults" }
            @let wrong: Vec<_> = takes.iter().filter(|t| t.findings.iter().any(|f| f.severity != Severity::Note)).collect();
            @if wrong.is_empty() { p { "Nothing was found in " (takes.len()) " recordings." } }
            @for take in wrong {
                article.card {
                    h3 { (take.id) ", " (take.setup.as_ref().map_or("DI", |s| s.as_str())) ", " (take.mic) }
                    ul { @for f in take.findings.iter().filter(|f| f.severity != Severity::Note) {
                        li { strong { (if f.severity == Severity::Stop { "Not usable" } else { "Look at it" }) } ": " (f.detail) }
                    } }
                }
            }
        }
        @if !levels.blocks.is_empty() { section.part { h2 { (levels.title) } @for block in &levels.blocks { (piece(block)) } } }
        @if differences.blocks.is_empty() {
            section.part { h2 { (differences.title) } p { "Not looked at yet: check all takes." } }
        } @else {
            section.part { h2 { (differences.title) } @for block in &differences.blocks { (piece(block)) } }
        }
        section.part {
            h2 { "Take one out of use" }
            p { "A withdrawn take is kept, left out of new clips, and printed in every report. Sealed tests stay as they are." }
            form.row method="post" action="/withdraw" {
                div.field {
                    label for="take" { "Take" }
                    select #take name="take" {
                        @for t in takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()) {
                            option value=(t.id) { (t.id) ", " (t.setup.as_ref().map_or("", |s| s.as_str())) ", " (t.mic) }
                        }
                    }
                }
                div.field { label for="reason" { "Reason" } input #reason name="reason" required size="30"; }
                button type="submit" { "Withdraw" }
            }
        }
        (command("A file's own measurements:", "cabjury measure FILE"))
        (command("Matched copies of any files, without a session:", "cabjury level FILE... --out DIR"))
    })
}
