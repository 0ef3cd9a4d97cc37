//! The run sheet: passes in their order, ticked by what has been recorded, with a place to drop files on each row.

use super::layout::terminal;
use crate::capture::pattern::accepted;
use crate::capture::runsheet::{TAKES, last};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::session::Take;
use crate::testing::desk::records;
use crate::web::App;
use crate::web::recording::Place;
use maud::{Markup, html};
use std::path::Path;

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let records::Records { rig, takes, .. } = records::read(folder)?;
    if rig.setups.len() < 2 {
        return Ok(html! { p { "There are fewer than two setups. " a href="/" { "Describe the rig first" } "." } });
    }
    let used: Vec<&Take> = takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect();
    let Some(doc) = last(folder, 1)? else { return Ok(not_drawn(used.len(), app)) };
    let mics: Vec<String> = rig.mic_names().iter().map(ToString::to_string).collect();
    let di = takes.iter().any(|t| t.setup.is_none());
    Ok(html! {
        p { "Play the same DI through every setup, in this order, and change nothing else. Five takes of each setup, wired anew for each, let the sentence speak of the wiring." }
        @for warning in &doc.warnings { p.warning role="note" { (warning) } }
        @if !doc.held.is_empty() { dl.facts { @for (k, v) in &doc.held { div { dt { "held: " (k) } dd { (v) } } } } }
        @for caution in &doc.cautions { p.caution { (caution) } }
        @for gate in &doc.gate { (super::sheet::at_the_gate(gate)) }
        section.part {
            h2 { "Everything at once" }
            (super::drop::everything())
            (record_here(app))
        }
        section.part {
            h2 { "DI" }
            @if di { p { "\u{2713} imported" } } @else { p { "Without a DI, takes are aligned to the first one." } }
            (drop_zone("di", "DI", &[("di".to_owned(), "the DI".to_owned())], "", 0))
        }
        section.part {
            h2 { "Passes" }
            ol.passes {
                @for pass in &doc.order {
                    @let (here, other): (Vec<&Take>, Vec<&Take>) = used.iter().filter(|t| t.pass == pass.pass).partition(|t| t.setup.as_ref().is_some_and(|s| s.as_str() == pass.setup));
                    li.done[!here.is_empty()] {
                        p.row {
                            span.tick aria-hidden="true" {
                                (match (here.is_empty(), &pass.refused) { (false, _) => "\u{2611}", (true, None) => "\u{2610}", (true, Some(_)) => "\u{2715}" })
                            }
                            strong { "Pass " (pass.pass) ": " (pass.setup) }
                            span { (match (here.is_empty(), &pass.refused) { (false, _) => "recorded", (true, None) => "to be recorded", (true, Some(_)) => "do not power it: see above" }) }
                        }
                        @if pass.refused.is_none() && !pass.change.is_empty() { p.soft { (pass.change) } }
                        @for take in &here {
                            p.soft { (take.id) ": " (take.setup.as_ref().map_or("DI", |s| s.as_str())) ", " (take.mic) ", " (take.original_name) }
                        }
                        @for take in &other {
                            p.warning role="note" { (take.id) " has the number of this pass, and is of " (take.setup.as_ref().map_or("the DI", |s| s.as_str())) ": " (take.original_name) ". It ticks nothing here." }
                        }
                        @let options: Vec<(String, String)> = mics.iter().map(|m| (m.clone(), m.clone())).collect();
                        @if pass.refused.is_none() { (drop_zone(&format!("pass{}", pass.pass), &format!("pass {}, {}", pass.pass, pass.setup), &options, &pass.setup, pass.pass)) }
                    }
                }
            }
        }
        (terminal(&[
            ("One recording:", format!("cabjury take {} FILE --setup S --mic M --pass P", quoted(folder))),
            ("A folder of them, by their names:", format!("cabjury take {} DIR", quoted(folder))),
        ]))
    })
}

/// The other way to takes: the tool records them itself.
fn record_here(app: &App) -> Markup {
    let open = !matches!(app.recording.place(), Place::Nothing);
    html! {
        p {
            a.button href="/record" { (if open { "Go on recording" } else { "Record here" }) }
            " " span.hint { "with an interface at this computer: the DI is played, and every mic recorded, pass by pass" }
        }
    }
}

/// Before the order is drawn.
fn not_drawn(takes: usize, app: &App) -> Markup {
    html! {
        section.part {
            h2 { "Before recording" }
            p { "The order of capture is drawn once, from all orders, and kept: it owes nothing to the wiring, whatever drifts over the evening." }
            form method="post" action="/runsheet" {
                div.field { label for="takes" { "Takes of each setup" } input #takes name="takes" value=(TAKES) inputmode="numeric"; span.hint { "five or more are advised" } }
                button.main[takes == 0] type="submit" { "Draw the order" }
            }
            (record_here(app))
        }
        section.part {
            h2 { "Recorded already" }
            @if takes > 0 { p { (takes) " recordings are in." } }
            (super::drop::everything())
            @if takes > 0 { p { a.button.main href="/takes" { "Go on to the check" } } }
        }
    }
}

/// A row's place for files: works by dropping, by choosing, and without a script not at all (then the command line does it).
fn drop_zone(id: &str, label: &str, mics: &[(String, String)], setup: &str, pass: u32) -> Markup {
    html! {
        div.drop data-setup=(setup) data-pass=(pass) {
            div.row {
                @if mics.len() > 1 {
                    label for={ "mic-" (id) } { "Mic" }
                    select id={ "mic-" (id) } { @for (value, text) in mics { option value=(value) { (text) } } }
                } @else if let Some((value, _)) = mics.first() {
                    input type="hidden" id={ "mic-" (id) } value=(value);
                }
                label.file for={ "file-" (id) } { "Recordings for " (label) }
                input type="file" id={ "file-" (id) } multiple accept=(accepted());
                span.hint { "or drop them on this row" }
            }
            ul.uploads aria-live="polite" {}
        }
    }
}
