//! The addresses of the listening page. No answer before the end depends on the order of a trial, but for the sound itself.

use super::App;
use super::guard::{UnknownCode, said};
use super::pages::listen;
use super::refusals::{problem, status_of};
use super::slots::FLAC_SECONDS;
use crate::model::failure::Failure;
use crate::model::trial::{Answer, SlotHeard};
use crate::testing::desk::seat::{Opened, Phase, Picked, SeatView};
use crate::testing::trials::OpenTrial;
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use std::sync::Arc;

/// Longest remark that is saved, in characters.
const REMARK: usize = 2000;

fn trial_body(code: &str, open: &OpenTrial, seconds: f64) -> Value {
    let slot = |label: &String| {
        let audio = format!("/api/l/{code}/trials/{}/slots/{label}", open.id);
        // A lossless one of half the size, where it is not too long to be made in one piece.
        let flac = (seconds <= FLAC_SECONDS).then(|| format!("{audio}?as=flac"));
        json!({ "label": label, "audio": audio, "flac": flac })
    };
    json!({
        "trial": open.id.as_str(),
        "number": open.number,
        "commitment_sha256": open.commitment,
        "slots": open.labels.iter().map(slot).collect::<Vec<_>>(),
        "choices": open.choices,
        "seconds": seconds,
    })
}

fn seat_body(code: &str, view: &SeatView) -> Value {
    json!({
        "test": view.test,
        "method": view.method.name(),
        "question": view.question,
        "instructions": view.instructions,
        "planned": view.planned,
        "done": view.done,
        "phase": view.phase.name(),
        "open_trial": view.open.as_ref().map(|o| trial_body(code, o, view.seconds)),
        "asks_confidence": view.asks_confidence,
        "seconds": view.seconds,
        "rate_hz": view.rate_hz,
    })
}

fn conflict(code: &str, view: &SeatView, message: &str, next: &str) -> Response {
    let mut body = seat_body(code, view);
    if let Some(fields) = body.as_object_mut() {
        let trial = view.open.as_ref().map(|o| o.id.to_string());
        fields.insert("trial".to_owned(), json!(trial));
        fields.insert("error".to_owned(), json!({ "kind": view.phase.name(), "message": message, "next": next }));
    }
    (StatusCode::CONFLICT, Json(body)).into_response()
}

/// The holder of a known code is at their page.
fn here(app: &App, code: &str) {
    if app.presence.seen(code) {
        app.panel_changed();
    }
}

/// The same, and they are further than before.
fn moved(app: &App, code: &str) {
    app.presence.seen(code);
    app.panel_changed();
}

/// `GET /l/CODE`: the page. Unknown codes get the same plain answer as any unknown address.
pub(super) async fn page(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    match app.ask(|desk, done| desk.seat(code.clone(), done)).await {
        Ok(view) => {
            here(&app, &code);
            listen::page(&code, &view).into_response()
        }
        Err(error) => {
            let status = status_of(&error);
            let (message, next) = match status {
                StatusCode::NOT_FOUND => (error.to_string(), error.explain().next()),
                _ => ("the session cannot be read just now".to_owned(), "reload this page in a moment".to_owned()),
            };
            let mut response = said(status, error.explain().kind(), &message, &next, false);
            if error.explain().kind() == "no-invitation" {
                response.extensions_mut().insert(UnknownCode);
            }
            response
        }
    }
}

/// `GET /api/l/CODE`.
pub(super) async fn status(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    match app.ask(|desk, done| desk.seat(code.clone(), done)).await {
        Ok(view) => {
            here(&app, &code);
            Json(seat_body(&code, &view)).into_response()
        }
        Err(error) => problem(&error),
    }
}

/// `POST /api/l/CODE/level`: the listener has set the level.
pub(super) async fn level_is_set(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    match app.ask(|desk, done| desk.level_is_set(code.clone(), done)).await {
        Ok(()) => {
            here(&app, &code);
            StatusCode::NO_CONTENT.into_response()
        }
        Err(error) => problem(&error),
    }
}

/// `POST /api/l/CODE/trials`.
pub(super) async fn open_trial(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    // The clips are in memory before the first trial: its first slot must not be slower than the others.
    if let Err(error) = warm(&app, &code).await {
        return problem(&error);
    }
    let asked = code.clone();
    let opened = app.ask(|desk, done| desk.open_trial(asked, "browser".to_owned(), done)).await;
    moved(&app, &code);
    match opened {
        Ok(Opened::Fresh(open)) => match app.ask(|desk, done| desk.seat(code.clone(), done)).await {
            Ok(view) => (StatusCode::CREATED, Json(trial_body(&code, &open, view.seconds))).into_response(),
            Err(error) => problem(&error),
        },
        Ok(Opened::Already(view)) => conflict(&code, &view, "a trial is open", "answer it first"),
        Ok(Opened::Over(view)) => {
            let message = if view.phase == Phase::Closed { "the test is closed" } else { "you have answered every trial" };
            conflict(&code, &view, message, "there is nothing more to do")
        }
        Err(error) => problem(&error),
    }
}

async fn warm(app: &Arc<App>, code: &str) -> Result<(), Failure> {
    let noise = app.ask(|desk, done| desk.noise_of(code.to_owned(), done)).await?;
    let desk = Arc::clone(&app.desk);
    App::apart(move || desk.load(&noise)).await
}

/// A pick as it is sent.
#[derive(Debug, Deserialize)]
pub(super) struct PickBody {
    choice: Value,
    #[serde(default)]
    confidence: Option<Value>,
    #[serde(default)]
    remark: Option<String>,
    #[serde(default)]
    heard: Vec<SlotHeard>,
}

fn unfit(message: &str) -> Response {
    said(StatusCode::UNPROCESSABLE_ENTITY, "not-a-choice", message, "pick one of the choices that are shown", true)
}

/// The answer as it is kept; a rating of several samples may come as an object.
fn answer(body: &PickBody) -> Result<Answer, &'static str> {
    let choice = match &body.choice {
        Value::String(text) => text.clone(),
        Value::Object(rated) => {
            let pairs: Option<Vec<String>> = rated.iter().map(|(l, v)| v.as_u64().map(|v| format!("{l}={v}"))).collect();
            pairs.ok_or("a rating needs a whole number from 0 to 100 for each sample")?.join(",")
        }
        _ => return Err("the choice wants a text"),
    };
    let confidence = match &body.confidence {
        None | Some(Value::Null) => None,
        Some(value) => {
            let whole =
                value.as_f64().filter(|v| (0.0..=100.0).contains(v)).ok_or("the confidence needs a number from 0 to 100")?;
            Some(whole.round() as u8)
        }
    };
    let remark = body.remark.as_ref().map(|r| r.trim().chars().take(REMARK).collect::<String>()).filter(|r| !r.is_empty());
    Ok(Answer { choice, confidence, remark })
}

/// `POST /api/l/CODE/trials/ID/pick`.
pub(super) async fn pick(
    State(app): State<Arc<App>>,
    Path((code, trial)): Path<(String, String)>,
    body: Result<Json<PickBody>, JsonRejection>,
) -> Response {
    let body = match body {
        Ok(Json(body)) => body,
        Err(rejection) => {
            let next = "send {\"choice\": ..., \"confidence\": 0 to 100 or null, \"remark\": text or null} as application/json";
            return said(rejection.status(), "bad-request", &rejection.body_text(), next, true);
        }
    };
    let answer = match answer(&body) {
        Ok(answer) => answer,
        Err(message) => return unfit(message),
    };
    let heard = body.heard.into_iter().take(32).collect();
    match app.ask(|desk, done| desk.pick(code.clone(), trial, answer, heard, done)).await {
        Ok(Picked::Taken(view, receipt)) => {
            moved(&app, &code);
            let mut body = seat_body(&code, &view);
            if let Some(fields) = body.as_object_mut() {
                fields.insert("receipt".to_owned(), json!(receipt));
            }
            Json(body).into_response()
        }
        Ok(Picked::Late(view)) => conflict(
            &code,
            &view,
            "this answer comes too late: the trial was answered otherwise, or is void",
            "go on with the next trial",
        ),
        Err(error) => problem(&error),
    }
}
