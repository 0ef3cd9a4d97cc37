//! The panel as data for the engineer's page: once, or live. It tells who is where, and nothing about right or wrong.
//!
//! `GET /desk/panel.json` answers with the document; `GET /desk/panel/live` sends it as server-sent events, at once, after every change
//! (at most four times a second), and every ten seconds:
//!
//! ```json
//! {"tests": [{"test": "test-1", "method": "abx", "closed": false, "places": 2, "planned": 16,
//!   "counts": {"invited": 1, "here": 1, "in_trial": 1, "done": 0, "left": 0},
//!   "listeners": [{"listener": "ann", "link": "http://.../l/CODE", "state": "trial", "here": true, "left": false,
//!                  "done": 3, "planned": 16, "in_trial": 4, "quiet_s": 0}]}]}
//! ```
//!
//! `state` is `invited` (never began), `ready` (between two trials), `trial`, `done`, or `closed`. `here` is null for somebody whose page
//! was not opened since the desk was started; `left` is true for somebody who began, is not through, and is not at the page.

use super::App;
use crate::model::failure::Failure;
use crate::testing::desk::board::{PlaceOf, TestBoard};
use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use futures_util::stream::unfold;
use serde_json::{Value, json};
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

/// Changes that come within this time are sent as one.
const TOGETHER: Duration = Duration::from_millis(250);
/// Without a change it is sent again after this time, for what changes by itself: how long nothing was heard.
const AGAIN: Duration = Duration::from_secs(10);

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new().route("/desk/panel.json", get(once)).route("/desk/panel/live", get(live))
}

fn listener(app: &App, test: &TestBoard, place: &PlaceOf) -> Value {
    let through = test.planned.is_some_and(|planned| place.done >= planned);
    let state = match (through, test.closed, place.in_trial, place.begun) {
        (true, ..) => "done",
        (_, true, ..) => "closed",
        (_, _, Some(_), _) => "trial",
        (_, _, _, true) => "ready",
        _ => "invited",
    };
    let clips = Duration::from_secs(test.seconds);
    let seen = place.code.as_ref().and_then(|code| app.presence.of(code, clips));
    let away = seen.is_none_or(|(here, _)| !here);
    // Who listens at this computer's own player holds no page.
    let left = matches!(state, "ready" | "trial") && away && place.code.is_some();
    json!({
        "listener": place.listener,
        "link": place.code.as_ref().map(|code| format!("{}/l/{code}", app.base())),
        "state": state,
        "here": seen.map(|(here, _)| here),
        "left": left,
        "done": place.done,
        "planned": test.planned,
        "in_trial": place.in_trial,
        "quiet_s": seen.map(|(_, quiet)| quiet),
    })
}

async fn document(app: &App) -> Result<Value, Failure> {
    let boards = app.ask(|desk, done| desk.boards(done)).await?;
    let test = |board: &TestBoard| {
        let listeners: Vec<Value> = board.listeners.iter().map(|place| listener(app, board, place)).collect();
        let count = |holds: &dyn Fn(&Value) -> bool| listeners.iter().filter(|l| holds(l)).count();
        json!({
            "test": board.test,
            "method": board.method,
            "closed": board.closed,
            "places": board.places,
            "planned": board.planned,
            "counts": {
                "invited": count(&|l| !l["link"].is_null()),
                "here": count(&|l| l["here"] == true),
                "in_trial": count(&|l| l["state"] == "trial"),
                "done": count(&|l| l["state"] == "done"),
                "left": count(&|l| l["left"] == true),
            },
            "listeners": listeners,
        })
    };
    Ok(json!({ "tests": boards.iter().map(test).collect::<Vec<_>>() }))
}

async fn once(State(app): State<Arc<App>>) -> Response {
    match document(&app).await {
        Ok(document) => Json(document).into_response(),
        Err(error) => super::refusals::problem(&error),
    }
}

async fn live(State(app): State<Arc<App>>) -> Response {
    let begin = (Arc::clone(&app), app.watch_panel(), app.leaving(), false);
    let events = unfold(begin, |(app, mut changed, mut leaving, told)| async move {
        if told {
            tokio::select! {
                _ = tokio::time::timeout(AGAIN, changed.changed()) => tokio::time::sleep(TOGETHER).await,
                () = leaving.over() => return None,
            }
        }
        changed.mark_unchanged();
        let event = match document(&app).await {
            Ok(document) => Event::default().data(document.to_string()),
            Err(_) => Event::default().comment("the session cannot be read just now"),
        };
        Some((Ok::<_, Infallible>(event), (app, changed, leaving, true)))
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
}
