//! The results of closed tests: verdict first; the whole report is one click away.

use super::layout::{command, failed};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::publish::report::whole;
use crate::report::content::{Document, document, sealed, verdicts};
use crate::report::page::{self, card, piece};
use crate::report::view::Report;
use crate::web::App;
use crate::web::guard::REPORT_POLICY;
use crate::web::qr::svg;
use axum::extract::State;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use maud::{Markup, PreEscaped, html};
use std::path::Path;
use std::sync::Arc;

fn built(folder: &Path, app: &App) -> Result<(Report, Document), Failure> {
    let report = whole(folder, app.clock)?;
    let document = document(&report)?;
    Ok((report, document))
}

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let (report, document) = built(folder, app)?;
    let shown = quoted(folder);
    let scored = report.tests.iter().any(|t| t.score.is_some());
    let listeners = sealed::listeners(&report)?;
    Ok(html! {
        @if !scored { p { "No test is closed yet, so there is no verdict. " a href="/tests" { "How far they are" } "." } }
        @for verdict in &document.verdicts { (card(verdict)) }
        @for section in [listeners, sealed::controls(&report), verdicts::limits(&report)] {
            @if !section.blocks.is_empty() { section.part { h2 { (section.title) } @for block in &section.blocks { (piece(block)) } } }
        }
        section.part {
            h2 { "Publish" }
            @for line in report.tests.iter().filter_map(|t| t.fingerprint.as_ref()) {
                p { "So that others can vouch, publish: " code { (line) } }
                @if let Some(picture) = svg(line) { (PreEscaped(picture)) }
            }
            p { a href="/report" { "The whole report as one page" } ", with wirings, takes, matching, plans, picks, and the sum by hand." }
            (command("One row per trial, for a spreadsheet:", &format!("cabjury score {shown} --csv FILE.csv")))
            (command("The report as a file:", &format!("cabjury report {shown}")))
            (command("Sound track, captions and chapter times for a video:", &format!("cabjury montage {shown} --out DIR")))
            (command("A blind one for an audience:", &format!("cabjury montage {shown} --blind --out DIR")))
            (command("A page on which every visitor draws their own trials:", &format!("cabjury report {shown} --audience DIR")))
            (command("An audience's answers:", &format!("cabjury votes {shown} FILE.csv")))
            (command("The session for another computer:", &format!("cabjury bundle {shown} --out FILE.zip")))
        }
    })
}

/// `GET /report`: the page that `report` writes, made now.
pub(super) async fn report(State(app): State<Arc<App>>) -> Response {
    let inner = Arc::clone(&app);
    match App::apart(move || built(inner.desk.folder(), &inner)).await {
        Ok((_, document)) => ([(header::CONTENT_SECURITY_POLICY, REPORT_POLICY)], Html(page::page(&document))).into_response(),
        Err(error) => failed(&error),
    }
}
