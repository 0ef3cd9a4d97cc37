//! The addresses of the page "Record": a sitting is opened and left, what was pressed is handed in, and what stands on the page is sent live.
//!
//! Without a script every press is a form that is answered with the page as it is then. With it `GET /record/live` sends what changes as
//! server-sent events, `GET /record/step` is the piece of the page for a new step, and `POST /record/here` says that somebody is at the page:
//! what sounds is stopped when nobody is.

use super::App;
use super::forms::{Fields, wrong};
use super::guard::said;
use super::pages::layout::Flash;
use super::pages::record;
use super::recording::{Now, Place};
use crate::capture::record::damage::DamageAt;
use crate::capture::record::patch::{PatchRequest, Simulation};
use crate::capture::record::sitting::{Press, RecordRequest, SILENCE_S};
use crate::capture::runsheet::{TAKES, last};
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use crate::rig::ohmmeter;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::stream::unfold;
use serde_json::{Value, json};
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

/// Changes that come within this time are sent as one.
const TOGETHER: Duration = Duration::from_millis(100);
/// A quiet page is told that often that the desk is there, and says then that it is.
const PULSE: Duration = Duration::from_secs(1);
/// So long an answer waits for what was asked; then the page shows how it stands.
const PATIENCE: Duration = Duration::from_secs(20);

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/record/open", post(open))
        .route("/record/press", post(press))
        .route("/record/here", post(here))
        .route("/record/step", get(step))
        .route("/record/state", get(state))
        .route("/record/live", get(live))
}

fn back() -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, "/record")]).into_response()
}

fn channel(fields: &Fields, key: &str) -> Result<Option<u16>, Failure> {
    let number = |text: &str| text.parse().map_err(|_| wrong(format!("{text:?} is not the number of a channel")));
    fields.get(key).map(number).transpose()
}

fn seconds(fields: &Fields, key: &str) -> Result<Option<f64>, Failure> {
    fields.get(key).map(|_| fields.number(key, 0.0)).transpose()
}

/// What the form asks for; what is left empty is left to the device, not to the sheet.
fn request(fields: &Fields, drawn: bool) -> Result<RecordRequest, Failure> {
    let mut mics = Vec::new();
    for mic in fields.keys().filter_map(|key| key.strip_prefix("input-")) {
        if let Some(input) = channel(fields, &format!("input-{mic}"))? {
            mics.push((input, MicName::new(mic)?));
        }
    }
    if mics.is_empty() {
        return Err(wrong("no mic has an input: nothing would be recorded"));
    }
    let damage = |text: &str| text.parse::<DamageAt>().map_err(wrong);
    let damages = fields.text("damage").split([',', ' ']).filter(|d| !d.is_empty()).map(damage).collect::<Result<_, _>>()?;
    let whole = |key: &str| fields.get(key).map(|_| fields.whole(key, 0)).transpose();
    Ok(RecordRequest {
        patch: PatchRequest {
            device: fields.get("output").map(str::to_owned),
            input: fields.get("input").map(str::to_owned),
            reamp_output: channel(fields, "reamp_output")?,
            loop_back: channel(fields, "loop_back")?,
            mics,
            buffer: whole("buffer")?,
            bits: channel(fields, "bits")?,
            whole: true,
        },
        takes: if drawn { None } else { Some(fields.whole("takes", TAKES)?) },
        di: None,
        count_in_s: fields.number("count_in", SILENCE_S)?,
        tail_s: fields.number("tail", SILENCE_S)?,
        warm_up_s: seconds(fields, "warm_up")?,
        burst: fields.contains_key("burst"),
        load_reason: None,
        simulation: Simulation { seed: u64::from(fields.whole("seed", 1)?), damages },
    })
}

/// Opens session and device. The answer waits for it, so that what is refused stands on the page that comes.
async fn open(State(app): State<Arc<App>>, fields: Fields) -> Response {
    app.drafts.keep(record::FORM, fields.typed());
    let inner = Arc::clone(&app);
    let asked = App::apart(move || {
        let drawn = last(inner.desk.folder(), 1)?.is_some();
        inner.recording.begin(&inner.desk, request(&fields, drawn)?, inner.clock)
    });
    match asked.await {
        Err(error) => app.tell_of(&error),
        Ok(()) => {
            let mut place = app.recording.watch();
            // Old takes are looked at first: with many of them the page says that it is being opened.
            let opened = tokio::time::timeout(PATIENCE, place.wait_for(|place| !matches!(place, Place::Opening))).await;
            if matches!(opened, Ok(Ok(place)) if matches!(*place, Place::Open(_))) {
                app.drafts.forget(record::FORM);
            }
        }
    }
    back()
}

/// What was pressed, for the step at which it was offered; a reading is typed.
fn pressed(fields: &Fields) -> Result<Press, Failure> {
    match fields.text("press") {
        "Enter" if fields.contains_key("reads") => Ok(Press::Reading(ohmmeter::read_value(fields.text("ohm"))?)),
        key => Press::of_key(key).ok_or_else(|| wrong(format!("{key:?} is no key"))),
    }
}

async fn press(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let piece = headers.contains_key("x-piece");
    let step = fields.get("step").and_then(|s| s.parse().ok());
    let told = if fields.text("press") == record::LEAVE {
        app.recording.leave()
    } else {
        match pressed(&fields) {
            Ok(press) => app.recording.press(press, step, fields.contains_key("live")),
            Err(error) if piece => {
                return (StatusCode::UNPROCESSABLE_ENTITY, Flash::of(&error).lines.join(" ")).into_response();
            }
            Err(error) => {
                app.tell_of(&error);
                return back();
            }
        }
    };
    if let Some(told) = told {
        let _ = tokio::time::timeout(PATIENCE, told).await;
    }
    if piece { StatusCode::NO_CONTENT.into_response() } else { back() }
}

/// Somebody is at the page.
async fn here(State(app): State<Arc<App>>) -> StatusCode {
    app.recording.here(true);
    StatusCode::NO_CONTENT
}

/// The piece of the page for the step that it is at.
async fn step(State(app): State<Arc<App>>) -> Response {
    match app.recording.place() {
        Place::Open(now) => record::step(&now).into_response(),
        _ => said(StatusCode::NOT_FOUND, "no-recording", "no recording is open", "open one on the page Record", false),
    }
}

/// How it stands, as data.
async fn state(State(app): State<Arc<App>>) -> Response {
    Json(event(&app.recording.place())).into_response()
}

fn event(place: &Place) -> Value {
    match place {
        Place::Nothing => json!({ "state": "none" }),
        Place::Opening => json!({ "state": "opening" }),
        Place::Open(now) => of(now),
    }
}

fn of(now: &Now) -> Value {
    let (done, total) = now.view.progress.unwrap_or_default();
    json!({
        "state": "open",
        "step": now.step,
        "stage": now.view.stage,
        "title": now.view.title,
        "large": now.view.large,
        "body": now.view.body,
        "said": now.said,
        "done_s": done,
        "total_s": total,
        "meters": now.view.meters,
        "sounds": now.sounds,
        "left": now.left,
        "passes": now.passes,
    })
}

async fn live(State(app): State<Arc<App>>) -> Response {
    let events = unfold((app.recording.watch(), app.leaving(), true), |(mut place, mut leaving, first)| async move {
        if !first {
            tokio::select! {
                changed = place.changed() => { changed.ok()?; tokio::time::sleep(TOGETHER).await; }
                () = tokio::time::sleep(PULSE) => {}
                () = leaving.over() => return None,
            }
        }
        let body = event(&place.borrow_and_update()).to_string();
        Some((Ok::<_, Infallible>(Event::default().data(body)), (place, leaving, false)))
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
}
