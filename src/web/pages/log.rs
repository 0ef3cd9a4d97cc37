//! The log and the audit.

use super::evening;
use super::layout::{failed, page as framed, terminal};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::testing::desk::records::log_tail;
use crate::verdict::audit::{AuditDoc, audit as verify};
use crate::web::App;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::path::Path;
use std::sync::Arc;

/// So many entries are shown, the last ones.
const SHOWN: usize = 200;

pub(super) fn page(folder: &Path, _app: &App) -> Result<Markup, Failure> {
    let (last, count) = log_tail(folder, SHOWN)?;
    Ok(html! {
        p { "Every change of this session, chained by SHA-256: " (count) " entries." }
        form method="get" action="/audit" data-slow="auditing" { button type="submit" { "Audit the session" } }
        section.part {
            h2 { (if count > SHOWN as u64 { "The last entries" } else { "Entries" }) }
            div.scroll tabindex="0" role="group" aria-label="Log" {
                table {
                    thead { tr { th scope="col" { "no." } th scope="col" { "when" } th scope="col" { "what" } th scope="col" { "of" } th scope="col" { "hash" } } }
                    tbody { @for entry in last.iter().rev() {
                        tr { td.num { (entry.seq) } td { (crate::report::content::day(&entry.at)) } td { (entry.what) } td { (entry.subject) } td { code { (entry.hash.get(..12).unwrap_or_default()) } } }
                    } }
                }
            }
        }
        (terminal(&[("The same:", format!("cabjury audit {}", quoted(folder)))]))
    })
}

/// `GET /audit`: everything is looked at.
pub(super) async fn audit(State(app): State<Arc<App>>) -> Response {
    let inner = Arc::clone(&app);
    match App::apart(move || Ok((verify(inner.desk.folder())?, evening::head(inner.desk.folder())?))).await {
        Ok((doc, head)) => framed("Log", &head, None, &found(&doc)).into_response(),
        Err(error) => failed(&error),
    }
}

fn found(doc: &AuditDoc) -> Markup {
    html! {
        h2 { (if doc.ok { "Everything verifies" } else { "This session does not verify" }) }
        @if !doc.problems.is_empty() { ul { @for p in &doc.problems { li { strong { (p.place) } ": " (p.what) } } } }
        dl.facts {
            div { dt { "log entries" } dd { (doc.records) } }
            div { dt { "head" } dd { code { (doc.head_sha256) } } }
            div { dt { "void trials" } dd { (doc.void_trials) } }
        }
        @for v in &doc.verdicts { p { strong { (v.test) } ": " (v.sentence) } }
        p { a href="/log" { "Back to the log" } }
    }
}
