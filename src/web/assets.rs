//! Page files, taken in at compile time.

use super::guard::said;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

const FILES: [(&str, &str, &str); 16] = [
    ("player.js", "text/javascript; charset=utf-8", crate::report::audience::PLAYER),
    ("listen.js", "text/javascript; charset=utf-8", include_str!("files/listen.js")),
    ("rows.js", "text/javascript; charset=utf-8", include_str!("files/rows.js")),
    ("desk-side.js", "text/javascript; charset=utf-8", include_str!("files/desk-side.js")),
    ("piece.js", "text/javascript; charset=utf-8", include_str!("files/piece.js")),
    ("words.js", "text/javascript; charset=utf-8", include_str!("files/words.js")),
    ("receipt.js", "text/javascript; charset=utf-8", include_str!("files/receipt.js")),
    ("seat.css", "text/css; charset=utf-8", include_str!("files/seat.css")),
    ("listen.css", "text/css; charset=utf-8", crate::report::audience::STYLE),
    ("job.js", "text/javascript; charset=utf-8", include_str!("files/job.js")),
    ("record.js", "text/javascript; charset=utf-8", include_str!("files/record.js")),
    ("desk.js", "text/javascript; charset=utf-8", include_str!("files/desk.js")),
    ("drop.js", "text/javascript; charset=utf-8", include_str!("files/drop.js")),
    ("board.js", "text/javascript; charset=utf-8", include_str!("files/board.js")),
    ("sheet.css", "text/css; charset=utf-8", crate::report::page::STYLE),
    ("desk.css", "text/css; charset=utf-8", include_str!("files/desk.css")),
];

/// `GET /assets/NAME`.
pub(crate) async fn asset(Path(name): Path<String>) -> Response {
    match FILES.iter().find(|f| f.0 == name) {
        Some((_, kind, text)) => ([(header::CONTENT_TYPE, *kind)], *text).into_response(),
        None => said(StatusCode::NOT_FOUND, "not-found", "there is no such page", "go back to the beginning", false),
    }
}
