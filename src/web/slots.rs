//! Sounds on their way to a listener: WAV piece by piece as it is taken, or FLAC of one size for all slots of a trial.

use super::App;
use super::guard::{DOWNLOADS, DOWNLOADS_FROM, From, said};
use super::limits::What;
use super::refusals::{problem, too_many};
use super::sounds::HELD;
use crate::model::failure::Failure;
use crate::testing::desk::sound::{Pieces, Slot};
use axum::body::{Body, Bytes};
use axum::extract::{Extension, Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream::unfold;
use serde::Deserialize;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::Instant;

/// Clips up to this length are offered as FLAC: longer ones would have to be held whole for every listener.
pub(super) const FLAC_SECONDS: f64 = 120.0;
/// A file in memory goes out in pieces of so many bytes.
const PIECE: usize = 64 * 1024;
/// For its turn a listener waits so long, and then is told to ask for WAV.
const TURN: Duration = Duration::from_secs(20);
/// A sound that is not whole by then is given up, however it trickles.
const WHOLE_BY: Duration = Duration::from_secs(600);
/// FLAC is answered on these marks of the clock that began with the request: how long the coding took says nothing about the sound.
const MARK: Duration = Duration::from_millis(100);

/// What a client asks for beside the address.
#[derive(Debug, Deserialize)]
pub(super) struct As {
    #[serde(rename = "as")]
    kind: Option<String>,
}

fn wants_flac(query: &As, headers: &HeaderMap) -> bool {
    let accepts = || headers.get(header::ACCEPT).and_then(|v| v.to_str().ok()).is_some_and(|v| v.contains("audio/flac"));
    match query.kind.as_deref() {
        Some(kind) => kind == "flac",
        None => accepts(),
    }
}

/// What is told when a slot's last piece goes out.
type Whole = Box<dyn FnOnce() + Send>;

fn late() -> io::Error {
    io::Error::from(io::ErrorKind::TimedOut)
}

async fn wav(app: &Arc<App>, slot: Slot, whole: Whole) -> Result<Response, Failure> {
    let desk = Arc::clone(&app.desk);
    let pieces: Pieces = App::apart(move || desk.pieces(&slot)).await?;
    let headers = [(header::CONTENT_TYPE, "audio/wav".to_owned()), (header::CONTENT_LENGTH, pieces.length().to_string())];
    let begin = (pieces, Some(whole), Instant::now() + WHOLE_BY);
    let body = unfold(begin, |(mut pieces, mut whole, by)| async move {
        if pieces.over() {
            return None;
        }
        if Instant::now() > by {
            return Some((Err(late()), (pieces, None, by)));
        }
        let piece = pieces.next()?;
        // Said before the last piece goes: the pick that answers it must not come first.
        if let Some(whole) = whole.take_if(|_| pieces.over()) {
            whole();
        }
        Some((Ok(Bytes::from(piece)), (pieces, whole, by)))
    });
    Ok((headers, Body::from_stream(body)).into_response())
}

/// The room that a file needs while it is on its way.
async fn room(app: &App, bytes: usize) -> Option<OwnedSemaphorePermit> {
    let wanted = u32::try_from(bytes / 1024 + 1).unwrap_or(u32::MAX).min(HELD);
    let held = Arc::clone(&app.sounds.held);
    tokio::time::timeout(TURN, held.acquire_many_owned(wanted)).await.ok()?.ok()
}

fn busy() -> Response {
    said(StatusCode::SERVICE_UNAVAILABLE, "busy", "many sounds are on their way just now", "ask for this one as WAV", true)
}

async fn flac(app: &Arc<App>, slot: Slot, whole: Whole) -> Result<Response, Failure> {
    let begun = Instant::now();
    let Ok(Ok(turn)) = tokio::time::timeout(TURN, app.sounds.coding.acquire()).await else { return Ok(busy()) };
    let desk = Arc::clone(&app.desk);
    let bytes = App::apart(move || desk.flac(&slot)).await?;
    drop(turn);
    let Some(permit) = room(app, bytes.len()).await else { return Ok(busy()) };
    let marks = begun.elapsed().as_millis() / MARK.as_millis() + 1;
    tokio::time::sleep_until(begun + MARK * u32::try_from(marks).unwrap_or(u32::MAX)).await;
    let headers = [(header::CONTENT_TYPE, "audio/flac".to_owned()), (header::CONTENT_LENGTH, bytes.len().to_string())];
    let begin = (Bytes::from(bytes), Some(whole), permit, Instant::now() + WHOLE_BY);
    let body = unfold(begin, |(mut rest, mut whole, permit, by)| async move {
        if rest.is_empty() {
            return None;
        }
        if Instant::now() > by {
            return Some((Err(late()), (Bytes::new(), None, permit, by)));
        }
        let piece = rest.split_to(rest.len().min(PIECE));
        if let Some(whole) = whole.take_if(|_| rest.is_empty()) {
            whole();
        }
        Some((Ok(piece), (rest, whole, permit, by)))
    });
    Ok((headers, Body::from_stream(body)).into_response())
}

async fn audio(app: &Arc<App>, code: String, slot: Slot, as_flac: bool) -> Response {
    let (desk, of) = (Arc::clone(&app.desk), slot.of());
    let whole: Whole = Box::new(move || {
        if let Some((trial, label)) = of {
            desk.fetched(code, trial, label);
        }
    });
    let made = if as_flac { flac(app, slot, whole).await } else { wav(app, slot, whole).await };
    made.unwrap_or_else(|error| problem(&error))
}

/// Counts a sound of an invitation that was found.
fn allowed(app: &App, code: &str, from: From) -> bool {
    app.limits.invited(What::Sound, code, DOWNLOADS) && app.limits.from(What::Sound, from.0, DOWNLOADS_FROM)
}

/// What was looked up for a code; an unknown code is remembered by nobody.
fn counted<T>(app: &App, code: &str, from: From, found: Result<T, Failure>) -> Result<T, Response> {
    match found {
        Err(error) if error.explain().kind() == "no-invitation" => Err(problem(&error)),
        _ if !allowed(app, code, from) => Err(too_many()),
        found => found.map_err(|error| problem(&error)),
    }
}

/// `GET /api/l/CODE/noise`: pink noise as loud as the clips, to set the level by.
pub(super) async fn noise(State(app): State<Arc<App>>, Extension(from): Extension<From>, Path(code): Path<String>) -> Response {
    let found = app.ask(|desk, done| desk.noise_of(code.clone(), done)).await;
    match counted(&app, &code, from, found) {
        Ok(slot) => audio(&app, String::new(), slot, false).await,
        Err(refused) => refused,
    }
}

/// `GET` of a slot's `audio`; with `?as=flac`, or where `audio/flac` is accepted, as FLAC.
pub(super) async fn slot(
    State(app): State<Arc<App>>,
    Extension(from): Extension<From>,
    Path((code, trial, label)): Path<(String, String, String)>,
    Query(kind): Query<As>,
    headers: HeaderMap,
) -> Response {
    let found = app.ask(|desk, done| desk.slot(code.clone(), trial, label, done)).await;
    match counted(&app, &code, from, found) {
        Ok(slot) => audio(&app, code, slot, wants_flac(&kind, &headers)).await,
        Err(refused) => refused,
    }
}
