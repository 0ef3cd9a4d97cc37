//! The stream that an open listening page holds.

use super::App;
use axum::extract::{Path, State};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::unfold;
use std::convert::Infallible;
use std::sync::Arc;

/// One stream of one page; its end is the end of the presence.
struct Here(Arc<App>, String);

impl Drop for Here {
    fn drop(&mut self) {
        self.0.presence.leave(&self.1);
        self.0.panel_changed();
    }
}

/// `GET /api/l/CODE/here`: a page holds this stream while it is open. It says `here` once, and nothing more.
pub(super) async fn here(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    if let Err(error) = app.ask(|desk, done| desk.seat(code.clone(), done)).await {
        return super::refusals::problem(&error);
    }
    if !app.presence.enter(&code) {
        return super::refusals::too_many();
    }
    app.panel_changed();
    let begin = (Here(Arc::clone(&app), code), app.leaving(), false);
    let stream = unfold(begin, |(here, mut leaving, told)| async move {
        if told {
            // Until the page goes away, or the desk does.
            leaving.over().await;
            return None;
        }
        Some((Ok::<_, Infallible>(Event::default().data("here")), (here, leaving, true)))
    });
    Sse::new(stream).keep_alive(KeepAlive::default()).into_response()
}
