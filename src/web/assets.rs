//! Page files, taken in at compile time.

use super::guard::said;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

const FILES: [(&str, &str, &str); 7] = [
    ("player.js", "text/javascript; charset=utf-8", crate::report::audience::PLAYER),
    ("listen.js", "text/javascript; charset=utf-8", include_str!("files/listen.js")),
    ("listen.css", "text/css; charset=utf-8", crate::report::audience::STYLE),
    ("job.js", "text/javascript; charset=utf-8", include_str!("files/job.js")),
    ("desk.js", "text/javascript; charset=utf-8", include_str!("files/desk.js")),
    ("sheet.css", "text/css; charset=utf-8", crate::report::page::STYLE),
    ("desk.css", "text/css; charset=utf-8", include_str!("files/desk.css")),
];

/// `GET /assets/NAME`.
pub(super) async fn asset(Path(name): Path<String>) -> Response {
    match FILES.iter().find(|f| f.0 == name) {
        Some((_, kind, text)) => ([(header::CONTENT_TYPE, *kind)], *text).into_response(),
        None => said(StatusCode::NOT_FOUND, "not-found", "there is no such page", "go back to the beginning", false),
    }
}
