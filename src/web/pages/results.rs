//! The results of closed tests: verdict first; the whole report is one click away.

use super::layout::failed;
use super::publish;
use crate::model::failure::Failure;
use crate::publish::report::whole;
use crate::report::content::{Document, document, sealed, verdicts};
use crate::report::page::{self, card, piece};
use crate::report::view::Report;
use crate::web::App;
use crate::web::guard::REPORT_POLICY;
use axum::extract::State;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use maud::{Markup, html};
use std::path::Path;
use std::sync::Arc;

fn built(folder: &Path, app: &App) -> Result<(Report, Document), Failure> {
    let report = whole(folder, app.clock)?;
    let document = document(&report)?;
    Ok((report, document))
}

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let (report, document) = built(folder, app)?;
    let scored = report.tests.iter().any(|t| t.score.is_some());
    let listeners = sealed::listeners(&report)?;
    Ok(html! {
        @if !scored { p { "No test is closed yet, so there is no verdict. " a href="/tests" { "How far they are" } "." } }
        @for verdict in &document.verdicts { (card(verdict)) }
        @for section in [listeners, sealed::controls(&report), verdicts::limits(&report)] {
            @if !section.blocks.is_empty() { section.part { h2 { (section.title) } @for block in &section.blocks { (piece(block)) } } }
        }
        @if scored {
            p { a.button.main href="/publish" { "Publish it" } " " a href="/report" { "The whole report as one page" } }
            (publish::pictures(true))
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
