//! The addresses of jobs: a live page each, the same as data and as events, and the way to stop one.
//!
//! A form of the engineer's that begins long work is answered with 303 to `/jobs/ID`; a program (`Accept: application/json`) with 202 and the
//! job's document, which `GET /jobs/ID/state` gives at any time and `GET /jobs/ID/live` sends after every step, the last time when it is over.

use super::App;
use super::guard::said;
use super::jobs::{Order, Shown, State as Where};
use super::pages::layout::{failed, page};
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::stream::unfold;
use maud::{Markup, html};
use serde_json::json;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

/// Steps that come within this time are sent as one.
const TOGETHER: Duration = Duration::from_millis(100);

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/jobs", get(all))
        .route("/jobs.json", get(all_as_data))
        .route("/jobs/{id}", get(one))
        .route("/jobs/{id}/state", get(state))
        .route("/jobs/{id}/live", get(live))
        .route("/jobs/{id}/cancel", post(cancel))
}

/// True when a program asks, not a person's browser.
pub(super) fn for_a_program(headers: &HeaderMap) -> bool {
    headers.get(header::ACCEPT).and_then(|v| v.to_str().ok()).is_some_and(|v| v.contains("application/json"))
}

/// Takes a job in and answers at once.
pub(super) fn begin(app: &Arc<App>, headers: &HeaderMap, order: Order) -> Response {
    let id = match app.jobs.submit(order) {
        Ok(id) => id,
        Err(error) => return failed(&error),
    };
    let to = format!("/jobs/{id}");
    match app.jobs.find(id) {
        Some(job) if for_a_program(headers) => (StatusCode::ACCEPTED, [(header::LOCATION, to)], Json(job.json())).into_response(),
        _ => (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response(),
    }
}

fn unknown() -> Response {
    said(StatusCode::NOT_FOUND, "no-job", "there is no such job since the desk was started", "see the list of jobs", false)
}

/// `GET /jobs/ID`. Once it is over, its own page shows what came of it; this one does when it is opened again.
async fn one(State(app): State<Arc<App>>, Path(id): Path<u64>) -> Response {
    let Some(job) = app.jobs.find(id) else { return unknown() };
    if job.state.over() && !job.told {
        return (StatusCode::SEE_OTHER, [(header::LOCATION, job.to)]).into_response();
    }
    let body = html! {
        (about(&job))
        @if !job.state.over() {
            noscript { p { a href={ "/jobs/" (id) } { "See how far it is" } } }
            script type="module" src="/assets/job.js" {}
        } @else {
            p { a href=(job.to) { "Go on" } }
        }
        p { a href="/jobs" { "All jobs" } }
    };
    page(job.title, None, &body).into_response()
}

fn about(job: &Shown) -> Markup {
    let word = match job.state {
        Where::Waiting => "Waits for the job before it",
        Where::Running => "Under way",
        Where::Done => "Done",
        Where::Failed => "Not done",
        Where::Stopped => "Stopped; nothing of it was kept",
    };
    let step = &job.step;
    html! {
        section.part.job data-live=[(!job.state.over()).then(|| format!("/jobs/{}/live", job.id))] {
            p.job-state role="status" { (word) }
            @if !job.state.over() {
                p.job-what { @if step.total > 0 { (step.what) ": " (step.done) " of " (step.total) } }
                progress.job-bar max="1" value=(if step.total > 0 { step.done as f64 / step.total as f64 } else { 0.0 }) aria-label=(job.title) {}
                p { "Listeners go on meanwhile. This page may be left; what comes of it is shown on the next one." }
                form method="post" action={ "/jobs/" (job.id) "/cancel" } { button type="submit" { "Stop it" } }
            }
            @for line in &job.lines { p { (line) } }
        }
    }
}

async fn all(State(app): State<Arc<App>>) -> Response {
    let jobs = app.jobs.all();
    let body = html! {
        @if jobs.is_empty() { p { "There was no job since the desk was started." } }
        @for job in &jobs { h2 { a href={ "/jobs/" (job.id) } { (job.title) } } (about(job)) }
    };
    page("Jobs", app.flash().as_ref(), &body).into_response()
}

async fn all_as_data(State(app): State<Arc<App>>) -> Response {
    Json(json!({ "jobs": app.jobs.all().iter().map(Shown::json).collect::<Vec<_>>() })).into_response()
}

async fn state(State(app): State<Arc<App>>, Path(id): Path<u64>) -> Response {
    app.jobs.find(id).map_or_else(unknown, |job| Json(job.json()).into_response())
}

async fn live(State(app): State<Arc<App>>, Path(id): Path<u64>) -> Response {
    let Some(_) = app.jobs.find(id) else { return unknown() };
    // None: nothing sent yet. Some(true): the last event is out.
    let begin = (Arc::clone(&app), app.jobs.watch(), app.leaving(), None);
    let events = unfold(begin, move |(app, mut changed, mut leaving, over)| async move {
        match over {
            None => {}
            Some(true) => return None,
            Some(false) => tokio::select! {
                _ = changed.changed() => tokio::time::sleep(TOGETHER).await,
                () = leaving.over() => return None,
            },
        }
        changed.mark_unchanged();
        let job = app.jobs.find(id)?;
        let event = Event::default().data(job.json().to_string());
        Some((Ok::<_, Infallible>(event), (app, changed, leaving, Some(job.state.over()))))
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
}

async fn cancel(State(app): State<Arc<App>>, headers: HeaderMap, Path(id): Path<u64>) -> Response {
    let Some(_) = app.jobs.find(id) else { return unknown() };
    app.jobs.stop(id);
    match app.jobs.find(id) {
        Some(job) if for_a_program(&headers) => (StatusCode::ACCEPTED, Json(job.json())).into_response(),
        _ => (StatusCode::SEE_OTHER, [(header::LOCATION, format!("/jobs/{id}"))]).into_response(),
    }
}
