//! The addresses of the listening page. No answer before the end depends on the order of a trial, but for the sound itself.

use super::App;
use super::guard::{DOWNLOADS, said};
use super::pages::listen;
use super::texts::Texts;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::trial::{Answer, SlotHeard};
use crate::testing::desk::seat::{Opened, Phase, Picked, SeatView};
use crate::testing::desk::sound::Slot;
use crate::testing::trials::OpenTrial;
use axum::Json;
use axum::body::Body;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream::unfold;
use serde::Deserialize;
use serde_json::{Value, json};
use std::convert::Infallible;
use std::sync::Arc;

/// A sound goes out in pieces of so many bytes.
const PIECE: usize = 64 * 1024;

/// Longest remark that is saved, in characters.
const REMARK: usize = 2000;

fn status_of(error: &Failure) -> StatusCode {
    let explained = error.explain();
    match (explained.kind(), explained.fate()) {
        ("no-invitation" | "no-trial" | "no-slot", _) => StatusCode::NOT_FOUND,
        ("not-a-choice" | "not-heard", _) => StatusCode::UNPROCESSABLE_ENTITY,
        ("session-locked" | "desk-ended", _) => StatusCode::SERVICE_UNAVAILABLE,
        (_, Fate::WrongUse) => StatusCode::UNPROCESSABLE_ENTITY,
        (_, Fate::Refused | Fate::Unfit) => StatusCode::CONFLICT,
        (_, Fate::Failed) => StatusCode::INTERNAL_SERVER_ERROR,
    }
}

/// What went wrong, without a path or a name of anything in the session: a listener reads this.
pub(super) fn problem(error: &Failure) -> Response {
    let status = status_of(error);
    let explained = error.explain();
    let (message, next) = match status {
        StatusCode::NOT_FOUND | StatusCode::UNPROCESSABLE_ENTITY => (explained.to_string(), explained.next()),
        StatusCode::SERVICE_UNAVAILABLE => (
            "the session is in use by another program".to_owned(),
            "wait a moment and try again; if it stays so, tell the engineer".to_owned(),
        ),
        _ if explained.kind() == "in-a-trial" => (explained.to_string(), explained.next()),
        _ if explained.kind() == "panel-full" => {
            ("all places of this test are taken".to_owned(), "ask the engineer for a test with more listeners".to_owned())
        }
        _ => ("the desk could not do this".to_owned(), "tell the engineer: the desk's log pages say more".to_owned()),
    };
    said(status, explained.kind(), &message, &next, true)
}

fn trial_body(code: &str, open: &OpenTrial, seconds: f64) -> Value {
    let slot = |label: &String| json!({ "label": label, "audio": format!("/api/l/{code}/trials/{}/slots/{label}", open.id) });
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
pub(super) async fn page(State(app): State<Arc<App>>, Path(code): Path<String>, uri: Uri, headers: HeaderMap) -> Response {
    let view = app.ask(|desk, done| desk.seat(code.clone(), done)).await;
    match view.and_then(|view| Ok((view, Texts::asked(&uri, &headers)?))) {
        Ok((view, texts)) => {
            here(&app, &code);
            listen::page(&code, &view, &texts).into_response()
        }
        Err(error) => {
            let status = status_of(&error);
            let (message, next) = match status {
                StatusCode::NOT_FOUND => (error.to_string(), error.explain().next()),
                _ => ("the session cannot be read just now".to_owned(), "reload this page in a moment".to_owned()),
            };
            said(status, error.explain().kind(), &message, &next, false)
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

pub(super) async fn audio(app: &Arc<App>, code: String, slot: Slot) -> Response {
    let (desk, of) = (Arc::clone(&app.desk), slot.of());
    match App::apart(move || desk.render(&slot)).await {
        Ok(bytes) => {
            let length = bytes.len();
            let desk = Arc::clone(&app.desk);
            let whole = move || {
                if let Some((trial, label)) = of {
                    desk.fetched(code, trial, label);
                }
            };
            let headers = [(header::CONTENT_TYPE, "audio/wav".to_owned()), (header::CONTENT_LENGTH, length.to_string())];
            (headers, in_pieces(bytes, whole)).into_response()
        }
        Err(error) => problem(&error),
    }
}

/// A body that is handed out piece by piece, so that it is known when its last one was taken.
fn in_pieces(bytes: Vec<u8>, whole: impl FnOnce() + Send + 'static) -> Body {
    let begin = (axum::body::Bytes::from(bytes), Some(whole));
    Body::from_stream(unfold(begin, |(mut rest, mut whole)| async move {
        if rest.is_empty() {
            return None;
        }
        let piece = rest.split_to(rest.len().min(PIECE));
        // Said before the last piece goes: the pick that answers it must not come first.
        if rest.is_empty()
            && let Some(whole) = whole.take()
        {
            whole();
        }
        Some((Ok::<_, Infallible>(piece), (rest, whole)))
    }))
}

pub(super) fn too_many() -> Response {
    said(StatusCode::TOO_MANY_REQUESTS, "too-many", "too many downloads in a minute", "wait a minute", true)
}

/// `GET /api/l/CODE/noise`: pink noise as loud as the clips, to set the level by.
pub(super) async fn noise(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    if !app.limits.allow(format!("sound {code}"), DOWNLOADS) {
        return too_many();
    }
    match app.ask(|desk, done| desk.noise_of(code, done)).await {
        Ok(slot) => audio(&app, String::new(), slot).await,
        Err(error) => problem(&error),
    }
}

/// `GET` of a slot's `audio`.
pub(super) async fn slot(State(app): State<Arc<App>>, Path((code, trial, label)): Path<(String, String, String)>) -> Response {
    if !app.limits.allow(format!("sound {code}"), DOWNLOADS) {
        return too_many();
    }
    let who = code.clone();
    match app.ask(|desk, done| desk.slot(code, trial, label, done)).await {
        Ok(slot) => audio(&app, who, slot).await,
        Err(error) => problem(&error),
    }
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
