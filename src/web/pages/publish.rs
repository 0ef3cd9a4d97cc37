//! What goes out: the fingerprint, the report, and what a video or an audience needs.

use super::layout::terminal;
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::publish::report::whole;
use crate::web::App;
use crate::web::qr::svg;
use maud::{Markup, PreEscaped, html};
use std::path::Path;

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let report = whole(folder, app.clock)?;
    let shown = quoted(folder);
    let closed = report.tests.iter().any(|t| t.score.is_some());
    let fingerprints: Vec<&String> = report.tests.iter().filter_map(|t| t.fingerprint.as_ref()).collect();
    Ok(html! {
        @if !closed { p { "No test is closed yet: a report made now holds no verdict. " a href="/listeners" { "Who is where" } "." } }
        p { a.button.main href="/report" { "Open the report" } }
        p { "One page with wirings, takes, matching, plans, picks, and the sum by hand. Save it from the browser, or print it." }
        @if !fingerprints.is_empty() {
            section.part {
                h2 { "So that others can vouch" }
                p { "Publish this line before the first listener, and again with the result:" }
                @for line in fingerprints {
                    p { code { (line) } }
                    @if let Some(picture) = svg(line) { figure.qr { (PreEscaped(picture)) } }
                }
            }
        }
        (terminal(&[
            ("The report as a file:", format!("cabjury report {shown}")),
            ("One row per trial, for a spreadsheet:", format!("cabjury score {shown} --csv FILE.csv")),
            ("Sound track, captions and chapter times for a video:", format!("cabjury montage {shown} --out DIR")),
            ("A blind one for an audience:", format!("cabjury montage {shown} --blind --out DIR")),
            ("A page on which every visitor draws their own trials:", format!("cabjury report {shown} --audience DIR")),
            ("An audience\u{2019}s answers:", format!("cabjury votes {shown} FILE.csv")),
            ("The session for another computer:", format!("cabjury bundle {shown} --out FILE.zip")),
        ]))
    })
}
