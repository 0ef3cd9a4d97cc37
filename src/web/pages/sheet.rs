//! The sheet: what is wired, what the ohmmeter should read, and the field for what it does read.

use super::layout::{field, select, terminal};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::rig::Rig;
use crate::publish::report::sketch;
use crate::report::view::{Report, SetupView};
use crate::rig::cards::RigDoc;
use crate::rig::gate::GateDoc;
use crate::rig::warning::BEFORE_METERING;
use crate::testing::desk::records;
use crate::web::App;
use crate::web::drafts::Typed;
use crate::web::forms::{DRIVERS, SETUPS, fields_of};
use maud::{Markup, PreEscaped, html};
use std::path::Path;

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let view = sketch(folder)?;
    let doc = records::described(folder)?;
    let rig = records::read(folder)?.rig;
    let bare = view.setups.is_empty();
    Ok(html! {
        @if let Some(question) = &view.question { p.question { (question) } }
        @if let Some(invented) = &view.invented { p.notice role="note" { (invented) } }
        @if bare { (empty()) } @else { (cards(&view, &doc)) }
        (form(&rig, app.drafts.of("rig"), bare))
        (upload(app.drafts.of("sheet").as_ref()))
        @if !bare { p { a.button.main href="/runsheet" { "Go on to the takes" } } }
        (terminal(&[("The rig by a sheet:", format!("cabjury rig {} --sheet rig.toml", quoted(folder))), ("What is done, what comes next:", format!("cabjury status {}", quoted(folder)))]))
    })
}

fn empty() -> Markup {
    html! {
        section.part {
            h2 { "Begin with recordings" }
            p { "Two recordings of one performance are enough to begin: drop them here. Each becomes a setup under its file\u{2019}s name, which you can correct first." }
            (super::drop::everything())
            h2 { "Or with the rig" }
            p { "Describe amplifier, drivers and setups below, or hand in a rig sheet. A setup is a wiring on a tap, with everything else held." }
        }
    }
}

fn cards(view: &Report, doc: &RigDoc) -> Markup {
    html! {
        section.part {
            h2 { "Setups" }
            @if let Some(amplifier) = &view.amplifier { p { "Amplifier: " (amplifier) } }
            @for caution in shared_cautions(doc) { p.caution { (caution) } }
            @for setup in &view.setups { (card(setup, doc)) }
            @for missing in &doc.missing { p.warning role="note" { (missing) } }
            @for warning in &doc.warnings { p.warning role="note" { (warning) } }
        }
        @if !doc.proposals.is_empty() {
            section.part {
                h2 { "Pairs that stay on one tap" }
                ul { @for p in &doc.proposals { li { (p.first) " against " (p.second) " on " (p.tap_ohm) " ohm: " (p.why) } } }
            }
        }
    }
}

/// What holds for every setup is said once.
fn shared_cautions(doc: &RigDoc) -> Vec<String> {
    let Some(first) = doc.setups.first() else { return Vec::new() };
    first.load.cautions.iter().filter(|c| doc.setups.iter().all(|s| s.load.cautions.contains(c))).cloned().collect()
}

fn own_cautions(of_setup: &[String], doc: &RigDoc) -> Vec<String> {
    let shared = shared_cautions(doc);
    of_setup.iter().filter(|c| !shared.contains(c)).cloned().collect()
}

fn card(setup: &SetupView, doc: &RigDoc) -> Markup {
    let found = doc.setups.iter().find(|d| d.setup == setup.name);
    let (load, gate) = (found.map(|d| &d.load), found.and_then(|d| d.gate.as_ref()));
    let meter = load.and_then(|l| serde_json::to_value(&l.meter_ohm).ok());
    let number = |key: &str| meter.as_ref().and_then(|m| m.get(key)).and_then(serde_json::Value::as_f64);
    html! {
        article.card {
            h3 { (setup.name) }
            dl.facts {
                @if let Some(network) = &setup.network { div { dt { "wiring" } dd { code { (network) } } } }
                @if let Some(tap) = setup.tap_ohm { div { dt { "tap" } dd { (tap) " ohm" } } }
                @if let Some(load) = &setup.load { div { dt { "load" } dd { (load) } } }
                @if let Some(load) = load {
                    div { dt { "grade" } dd {
                        strong.grade data-grade=(load.grade.name()) { span aria-hidden="true" { (load.grade.shape()) } " " (load.grade_text()) }
                        @for r in &load.reasons { br; (r) }
                    } }
                }
                @if let (Some(low), Some(high)) = (number("low"), number("high")) {
                    div { dt { "ohmmeter should read" } dd { (format!("{low:.1} to {high:.1} ohm")) } }
                }
                @for reading in &setup.meter { div { dt { "reading" } dd { (reading) } } }
            }
            @if let Some(svg) = &setup.drawing { figure.drawing { (PreEscaped(crate::report::page::inline(svg))) figcaption { "Wiring of " (setup.name) } } }
            @if let Some(gate) = gate { (at_the_gate(gate)) }
            @if setup.network.is_some() {
                p.caution { (BEFORE_METERING) }
                form.row method="post" action="/meter" {
                    input type="hidden" name="wiring" value=(setup.name);
                    div.field {
                        label for={ "ohm-" (setup.name) } { "Ohmmeter reads" }
                        input id={ "ohm-" (setup.name) } name="ohm" inputmode="decimal" size="8" required;
                        span.hint { "ohm, or OL for open" }
                    }
                    button type="submit" { "Judge the reading" }
                }
            }
            @for caution in load.map(|l| own_cautions(&l.cautions, doc)).unwrap_or_default() { p.caution { (caution) } }
        }
    }
}

/// What stands against a setup, and the field for the reason; nothing when nothing does.
pub(super) fn at_the_gate(gate: &GateDoc) -> Markup {
    html! {
        @if !gate.objections.is_empty() {
            div.gate role="note" {
                p { strong { span aria-hidden="true" { "\u{2715}" } @if gate.refused() { " Do not power it" } @else { " Used all the same" } } }
                @for o in &gate.objections { p { (o.message) "." } }
                @if let Some(reason) = &gate.reason { p { "Reason given: " (reason) } }
                @if gate.refused() {
                    @for o in gate.objections.iter().take(1) { p { "Next: " (o.next) "." } }
                    form.row method="post" action="/gate" {
                        input type="hidden" name="setup" value=(gate.setup);
                        div.field {
                            label for={ "why-" (gate.setup) } { "If it was done all the same: why" }
                            input id={ "why-" (gate.setup) } name="reason" size="34" required;
                            span.hint { "card, run sheet and report print it" }
                        }
                        button type="submit" { "Keep the reason" }
                    }
                }
            }
        }
    }
}

/// The fields of the rig: as they were typed when they were refused, else as the sheet has them.
fn form(rig: &Rig, draft: Option<Typed>, bare: bool) -> Markup {
    let drafted = draft.is_some();
    let held = draft.or_else(|| if bare { None } else { fields_of(rig) });
    let more = !bare && held.is_none();
    let values =
        held.unwrap_or_else(|| if bare { Typed::from([("taps".to_owned(), "4, 8, 16".to_owned())]) } else { Typed::new() });
    let value = |key: &str| values.get(key).cloned().unwrap_or_default();
    let own = |key: String, label: String, hint: &str| field(&key, &label, &value(&key), hint);
    html! {
        section.part {
            details open[drafted] {
                summary { @if bare { "Describe the rig in fields" } @else { "Change the rig in fields" } }
                @if more { p.warning role="note" { "This rig\u{2019}s sheet holds more than there are fields for here. Change the sheet itself: sending these fields would leave the rest out." } }
                form method="post" action="/rig/fields" {
                    div.grid {
                        (own("title".to_owned(), "Title".to_owned(), ""))
                        (own("question".to_owned(), "Question".to_owned(), "what you want to know"))
                        (own("amp_label".to_owned(), "Amplifier".to_owned(), "a label of your own"))
                        (select("amp_kind", "Kind", &[("valve".to_owned(), "valve".to_owned()), ("solid-state".to_owned(), "solid-state".to_owned())], &value("amp_kind")))
                        (own("amp_w".to_owned(), "Rated power".to_owned(), "watt"))
                        (own("taps".to_owned(), "Taps, or least load".to_owned(), "ohm, with commas"))
                    }
                    h3 { "Drivers" }
                    @for i in 1..=DRIVERS {
                        div.grid {
                            (own(format!("driver{i}"), format!("Label of driver {i}"), "A, B, ..."))
                            (own(format!("ohm{i}"), format!("Rated impedance {i}"), "ohm"))
                            (own(format!("w{i}"), format!("Rated power {i}"), "watt"))
                        }
                    }
                    h3 { "Setups" }
                    @for i in 1..=SETUPS {
                        div.grid {
                            (own(format!("setup{i}"), format!("Name of setup {i}"), "series, p4, ..."))
                            (own(format!("network{i}"), format!("Wiring {i}"), "A + B in series, A // B parallel"))
                            (own(format!("tap{i}"), format!("Tap {i}"), "ohm"))
                        }
                    }
                    (own("mics".to_owned(), "Mics".to_owned(), "with commas; empty for one mic"))
                    button.main[bare] type="submit" { "Read the rig in" }
                }
            }
        }
    }
}

fn upload(draft: Option<&Typed>) -> Markup {
    let text = draft.and_then(|d| d.get("sheet")).map(String::as_str).unwrap_or_default();
    html! {
        section.part {
            details open[draft.is_some()] {
                summary { "Hand in a rig sheet (TOML)" }
                form method="post" action="/rig/sheet" {
                    div.field {
                        label for="sheet" { "Rig sheet" }
                        textarea #sheet name="sheet" rows="14" spellcheck="false" required { (text) }
                    }
                    button type="submit" { "Read the sheet in" }
                }
            }
        }
    }
}
