//! The visitors' addresses. No answer before the end depends on the order of a trial; sounds are names that mean nothing.

use super::guard::{OF_NEW, fresh_place, from, later, visitor};
use super::house::{House, passes, unknown};
use super::key::{Id, id};
use super::limits::What;
use super::metrics::one;
use super::sounds::file_name;
use super::visit::{Published, View, Visit};
use crate::model::failure::Failure;
use crate::testing::desk::seat::{Opened, Phase, Picked};
use crate::testing::trials::OpenTrial;
use crate::web::guard::said;
use crate::web::listening::{PickBody, answer, conflict_body, seat_body, trial_body, unfit};
use crate::web::pages::listen;
use crate::web::texts::Texts;
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Instant;

/// What went wrong, for a visitor: nothing of paths, names, or the database.
fn problem(house: &House, error: &Failure) -> Response {
    let explained = error.explain();
    let kind = explained.kind();
    if passes(error) {
        house.tell(error);
        return later(house, StatusCode::SERVICE_UNAVAILABLE, kind, "the hall is busy just now");
    }
    let status = match kind {
        "hall-not-published" | "no-trial" => StatusCode::NOT_FOUND,
        "not-heard" | "not-a-choice" => StatusCode::UNPROCESSABLE_ENTITY,
        _ => StatusCode::INTERNAL_SERVER_ERROR,
    };
    match status {
        StatusCode::INTERNAL_SERVER_ERROR => {
            house.tell(error);
            said(status, "hall", "the hall could not do this", "tell who sent you the link", true)
        }
        StatusCode::NOT_FOUND if kind == "hall-not-published" => {
            said(status, "not-found", "there is no such test", "look at the link again", true)
        }
        _ => said(status, kind, &explained.to_string(), &explained.next(), true),
    }
}

/// The test of an address and whose request it is.
async fn asked(house: &House, test: &str, headers: &HeaderMap) -> Result<(Arc<Published>, Id), Response> {
    let published = published(house, test).await.map_err(|e| problem(house, &e))?;
    match visitor(house, &published.test, headers) {
        Some(visitor) => Ok((published, visitor)),
        None => {
            Err(said(StatusCode::FORBIDDEN, "no-place", "this browser has no place here", "open the page itself first", true))
        }
    }
}

async fn published(house: &House, test: &str) -> Result<Arc<Published>, Failure> {
    let id = id(test).ok_or_else(unknown)?;
    house.published(&id).await?.ok_or_else(unknown)
}

fn address(house: &House, name: &Id) -> String {
    format!("{}/{}", house.sounds_at, file_name(name))
}

/// Where each slot's sound is.
fn addresses<'a>(house: &'a House, view: &'a View) -> impl Fn(&OpenTrial, &str) -> (String, Option<String>) {
    move |open, label| {
        let place = open.labels.iter().position(|l| l == label);
        (place.and_then(|i| view.sounds.get(i)).map(|name| address(house, name)).unwrap_or_default(), None)
    }
}

fn body(house: &House, view: &View) -> Value {
    let mut body = seat_body(&view.seat, &addresses(house, view));
    if let (Some(fields), Some(score)) = (body.as_object_mut(), view.own_score) {
        fields.insert("own_score".to_owned(), json!(score));
    }
    body
}

fn conflict(house: &House, view: &View, message: &str, next: &str) -> Response {
    let mut body = conflict_body(&view.seat, &addresses(house, view), message, next);
    if let (Some(fields), Some(score)) = (body.as_object_mut(), view.own_score) {
        fields.insert("own_score".to_owned(), json!(score));
    }
    (StatusCode::CONFLICT, Json(body)).into_response()
}

/// `GET /h/TEST`: the page. A browser without a place gets one; nothing is written before its first trial.
pub(super) async fn page(State(house): State<Arc<House>>, Path(test): Path<String>, request: Request) -> Response {
    let texts = match Texts::asked(request.uri(), request.headers()) {
        Ok(texts) => texts,
        Err(error) => return problem(&house, &error),
    };
    let (code, found) = match published(&house, &test).await {
        Ok(found) => match visitor(&house, &found.test, request.headers()) {
            Some(_) => (None, found),
            None if !house.allows(What::NewPlace, from(&house.proxies, &request), house.per_address / OF_NEW) => {
                return later(
                    &house,
                    StatusCode::TOO_MANY_REQUESTS,
                    "too-many",
                    "too many new visitors from this address in a minute",
                );
            }
            None => match house.key.new_code(&found.test) {
                Ok(code) => (Some(code), found),
                Err(error) => return problem(&house, &error),
            },
        },
        Err(error) if passes(&error) => return problem(&house, &error),
        Err(_) => return said(StatusCode::NOT_FOUND, "not-found", "there is no such test", "look at the link again", false),
    };
    let api = format!("/api/h/{test}");
    let page = listen::page(&test, Some(&api), &found.blank().seat, &texts);
    match code {
        Some(code) => ([(header::SET_COOKIE, fresh_place(&house, &found.test, &code))], page).into_response(),
        None => page.into_response(),
    }
}

/// `GET /api/h/TEST`.
pub(super) async fn status(State(house): State<Arc<House>>, Path(test): Path<String>, headers: HeaderMap) -> Response {
    let (published, visitor) = match asked(&house, &test, &headers).await {
        Ok(found) => found,
        Err(refused) => return refused,
    };
    match published.look(&house.database, &house.key, &visitor).await {
        Ok(view) => Json(body(&house, &view)).into_response(),
        Err(error) => problem(&house, &error),
    }
}

/// `GET /api/h/TEST/result`: a visitor's own count, when they are through; never anything of single trials.
pub(super) async fn result(State(house): State<Arc<House>>, Path(test): Path<String>, headers: HeaderMap) -> Response {
    let (published, visitor) = match asked(&house, &test, &headers).await {
        Ok(found) => found,
        Err(refused) => return refused,
    };
    match published.look(&house.database, &house.key, &visitor).await {
        Ok(view) if view.seat.planned == Some(view.seat.done) => {
            let own = view.own_score.map_or_else(
                || json!({ "correct": null, "unanswered": 0 }),
                |s| json!({ "correct": s.correct, "trials": s.trials, "p_value": s.p_value, "unanswered": 0 }),
            );
            Json(json!({ "method": view.seat.method.name(), "own": own, "sentence": "" })).into_response()
        }
        Ok(_) => {
            let next = "your own count is shown when you are through";
            said(StatusCode::CONFLICT, "test-open", "there are trials left", next, true)
        }
        Err(error) => problem(&house, &error),
    }
}

/// `POST /api/h/TEST/level`: the level is set. Nothing is kept of it.
pub(super) async fn level() -> Response {
    StatusCode::NO_CONTENT.into_response()
}

/// `GET /api/h/TEST/noise`: to set the level by.
pub(super) async fn noise(State(house): State<Arc<House>>, Path(test): Path<String>) -> Response {
    match published(&house, &test).await.map(|p| p.noise()) {
        Ok(Some(name)) => (StatusCode::TEMPORARY_REDIRECT, [(header::LOCATION, address(&house, &name))]).into_response(),
        Ok(None) => problem(&house, &unknown()),
        Err(error) => problem(&house, &error),
    }
}

/// `POST /api/h/TEST/trials`.
pub(super) async fn open_trial(State(house): State<Arc<House>>, Path(test): Path<String>, headers: HeaderMap) -> Response {
    let (published, visitor) = match asked(&house, &test, &headers).await {
        Ok(found) => found,
        Err(refused) => return refused,
    };
    let visit = Visit { database: &house.database, key: &house.key, visitor: &visitor };
    match published.open(&visit).await {
        Ok((Opened::Fresh(open), view)) => {
            one(&house.counters.opened);
            (StatusCode::CREATED, Json(trial_body(&open, view.seat.seconds, &addresses(&house, &view)))).into_response()
        }
        Ok((Opened::Already(_), view)) => conflict(&house, &view, "a trial is open", "answer it first"),
        Ok((Opened::Over(_), view)) => {
            let closed = view.seat.phase == Phase::Closed;
            let message = if closed { "the test is closed" } else { "you have answered every trial" };
            conflict(&house, &view, message, "there is nothing more to do")
        }
        Err(error) => problem(&house, &error),
    }
}

/// `POST /api/h/TEST/trials/ID/pick`.
pub(super) async fn pick(
    State(house): State<Arc<House>>,
    Path((test, trial)): Path<(String, String)>,
    headers: HeaderMap,
    sent: Result<Json<PickBody>, JsonRejection>,
) -> Response {
    let begun = Instant::now();
    let (published, visitor) = match asked(&house, &test, &headers).await {
        Ok(found) => found,
        Err(refused) => return refused,
    };
    let sent = match sent {
        Ok(Json(sent)) => sent,
        Err(rejection) => {
            let next = "send {\"choice\": ..., \"heard\": [...]} as application/json";
            return said(rejection.status(), "bad-request", &rejection.body_text(), next, true);
        }
    };
    let answer = match answer(&sent) {
        Ok(answer) => answer,
        Err(message) => return unfit(message),
    };
    let Some(trial) = id(&trial) else {
        return said(StatusCode::NOT_FOUND, "no-trial", "there is no such trial of this visitor", "reload the page", true);
    };
    let heard: Vec<_> = sent.heard.into_iter().take(8).collect();
    let visit = Visit { database: &house.database, key: &house.key, visitor: &visitor };
    match published.pick(&visit, &trial, &answer, &heard).await {
        Ok((Picked::Taken(_, receipt), view)) => {
            house.counters.picked(begun.elapsed());
            let mut body = body(&house, &view);
            if let Some(fields) = body.as_object_mut() {
                fields.insert("receipt".to_owned(), json!(receipt));
            }
            Json(body).into_response()
        }
        Ok((Picked::Late(_), view)) => {
            one(&house.counters.late);
            let message = "this answer comes too late: the trial was answered otherwise, or the test is closed";
            conflict(&house, &view, message, "go on with the next trial")
        }
        Err(error) => {
            if error.explain().kind() == "not-heard" {
                one(&house.counters.not_heard);
            }
            problem(&house, &error)
        }
    }
}

/// `GET /sound/NAME.wav`, where this replica serves sounds itself.
pub(super) async fn sound(State(house): State<Arc<House>>, Path(name): Path<String>) -> Response {
    let none = || said(StatusCode::NOT_FOUND, "not-found", "there is no such sound", "reload the page", true);
    let Some(folder) = &house.sound_folder else { return none() };
    let Some(id) = name.strip_suffix(".wav").and_then(id) else { return none() };
    match tokio::fs::read(folder.join(file_name(&id))).await {
        Ok(bytes) => {
            let headers = [(header::CONTENT_TYPE, "audio/wav"), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")];
            (headers, bytes).into_response()
        }
        Err(_) => none(),
    }
}
