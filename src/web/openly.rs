//! What a listener hears openly before a trial, and their own result behind the end. Nothing here speaks of an open trial or an open test.

use super::App;
use super::guard::{From, said};
use super::refusals::problem;
use super::slots;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::result::TestResult;
use crate::verdict::score::score;
use axum::Json;
use axum::extract::{Extension, Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::{Value, json};
use std::sync::Arc;

/// `POST /api/l/CODE/training`: what may be heard openly; names only where the plan was sealed with them.
pub(super) async fn training(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    match app.ask(|desk, done| desk.training(code.clone(), done)).await {
        Ok(found) => {
            let sound = |(i, name): (usize, &Option<String>)| json!({ "number": i + 1, "name": name, "audio": format!("/api/l/{code}/training/{}", i + 1) });
            let sounds: Vec<Value> = found.names.iter().enumerate().map(sound).collect();
            Json(json!({ "samples": found.samples, "sounds": sounds })).into_response()
        }
        Err(error) => problem(&error),
    }
}

/// `GET /api/l/CODE/training/N`.
pub(super) async fn sound(
    State(app): State<Arc<App>>,
    Extension(from): Extension<From>,
    Path((code, place)): Path<(String, usize)>,
) -> Response {
    let Some(place) = place.checked_sub(1) else {
        return said(StatusCode::NOT_FOUND, "no-slot", "there is no such sample", "reload the page", true);
    };
    let found = app.ask(|desk, done| desk.training_sound(code.clone(), place, done)).await;
    slots::openly(&app, &code, from, found).await
}

/// The listener's own count, and what the whole test showed.
fn own(app: &App, test: &TestId, who: &ListenerCode) -> Result<Value, Failure> {
    let scored = score(app.desk.folder(), Some(test))?;
    let Some(result) = scored.tests.iter().find_map(|t| t.result()) else { return Ok(Value::Null) };
    Ok(json!({ "test": test, "method": result.count.method.name(), "sentence": result.sentence, "own": count(result, who) }))
}

fn count(result: &TestResult, who: &ListenerCode) -> Value {
    let Some(found) = result.listeners.iter().find(|l| &l.listener == who && !l.simulated) else { return Value::Null };
    json!({
        "trials": found.trials, "correct": found.correct, "unanswered": found.unanswered, "p_value": found.p_value,
        "first": result.head.first, "second": result.head.second,
    })
}

/// `GET /api/l/CODE/result`: 409 before the test is closed.
pub(super) async fn result(State(app): State<Arc<App>>, Path(code): Path<String>) -> Response {
    let (test, who) = match app.ask(|desk, done| desk.whose_closed(code, done)).await {
        Ok(Some(found)) => found,
        Ok(None) => {
            let next = "the result is shown when the test is closed";
            return said(StatusCode::CONFLICT, "not-closed", "the test is not closed yet", next, true);
        }
        Err(error) => return problem(&error),
    };
    let inner = Arc::clone(&app);
    match App::apart(move || own(&inner, &test, &who)).await {
        Ok(value) => Json(value).into_response(),
        Err(error) => problem(&error),
    }
}
