//! Recordings on their way in: streamed to a temporary name in the session's folder, then taken in like any other, then removed.

use super::App;
use super::guard::said;
use super::jobs::{Order, Outcome, Work};
use crate::capture::pattern::ending;
use crate::capture::take::Request;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::{Json, Router};
use http_body_util::BodyExt;
use serde::Deserialize;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::AsyncWriteExt;

/// Largest recording: what a WAV of 64-bit sizes may be is more than any evening needs.
const LARGEST: u64 = 16 << 30;
/// A sender that is silent for so long is given up.
const SILENCE: Duration = Duration::from_secs(30);

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new().route("/takes/upload", post(upload)).layer(axum::extract::DefaultBodyLimit::disable())
}

/// Where a recording belongs.
#[derive(Debug, Deserialize)]
struct Place {
    /// The file's name where it came from; shown, never used as a path.
    name: String,
    #[serde(default)]
    setup: String,
    #[serde(default)]
    mic: String,
    #[serde(default)]
    pass: u32,
    /// The sender's own number for it: sent twice, it is taken in once.
    #[serde(default)]
    once: Option<String>,
}

/// A file that is removed when it is no longer needed.
struct Incoming(PathBuf);

impl Drop for Incoming {
    fn drop(&mut self) {
        // Best effort: what stays behind lies in a folder of its own, under a name that says nothing.
        let _ = std::fs::remove_file(&self.0);
        if let Some(folder) = self.0.parent() {
            let _ = std::fs::remove_dir(folder);
        }
    }
}

fn failed(error: impl std::fmt::Display) -> Failure {
    Failure::plain("cannot-write", Fate::Failed, format!("the recording cannot be kept: {error}"), "check the free space")
}

/// Only a known ending is kept of the name: the reader looks at the bytes first and at the ending second.
fn kept_ending(name: &str) -> &'static str {
    ending(Path::new(name)).unwrap_or("audio")
}

async fn receive(app: &App, name: &str, mut body: Body) -> Result<Incoming, Failure> {
    let folder = app.desk.folder().join("incoming");
    tokio::fs::create_dir_all(&folder).await.map_err(failed)?;
    let path = folder.join(format!("{}-{}.{}", std::process::id(), app.next_upload(), kept_ending(name)));
    let mut file = tokio::fs::OpenOptions::new().write(true).create_new(true).open(&path).await.map_err(failed)?;
    let incoming = Incoming(path);
    let mut size = 0u64;
    loop {
        let cut_off = |what: &str| Failure::plain("cut-off", Fate::Unfit, format!("the upload {what}"), "send it again");
        let frame = match tokio::time::timeout(SILENCE, body.frame()).await {
            Err(_) => return Err(cut_off("stood still for half a minute")),
            Ok(None) => break,
            Ok(Some(Err(_))) => return Err(cut_off("was cut off")),
            Ok(Some(Ok(frame))) => frame,
        };
        if let Ok(data) = frame.into_data() {
            size += data.len() as u64;
            if size > LARGEST {
                return Err(cut_off("is larger than any recording"));
            }
            file.write_all(&data).await.map_err(failed)?;
        }
    }
    file.flush().await.map_err(failed)?;
    Ok(incoming)
}

fn request(incoming: &Incoming, place: &Place, here: String) -> Result<Request, Failure> {
    let di = place.setup.is_empty();
    Ok(Request {
        files: vec![incoming.0.clone()],
        di,
        setup: if di { None } else { Some(SetupName::new(&place.setup)?) },
        mics: if di || place.mic.is_empty() { Vec::new() } else { vec![(None, MicName::new(&place.mic)?)] },
        pass: (place.pass > 0 && !di).then_some(place.pass),
        depth: None,
        notes: BTreeMap::new(),
        load_reason: None,
        called: BTreeMap::from([(here, place.name.chars().take(200).collect())]),
        change: crate::capture::derive::Change::default(),
        meant: None,
    })
}

/// The recording that came in, made a take by a job. Whoever sent it waits for the job, unless they asked not to (`Prefer: respond-async`,
/// RFC 7240): then the answer is the job's document.
async fn upload(State(app): State<Arc<App>>, headers: HeaderMap, Query(place): Query<Place>, body: Body) -> Response {
    let incoming = match receive(&app, &place.name, body).await {
        Ok(incoming) => incoming,
        Err(error) => return problem(&error),
    };
    let later = headers.get("prefer").and_then(|v| v.to_str().ok()).is_some_and(|v| v.contains("respond-async"));
    let here = incoming.0.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let same = format!("upload {here}");
    let (inner, once) = (Arc::clone(&app), place.once.clone());
    let work: Work = Box::new(move |bench| {
        let path = incoming.0.display().to_string();
        // The temporary name means nothing to anybody.
        let hide = |text: &str| text.replace(&path, &place.name);
        let result = request(&incoming, &place, here).and_then(|request| inner.desk.take(&request, inner.clock, bench));
        match result {
            Ok(doc) => {
                let warnings: Vec<String> = doc.warnings.iter().map(|w| hide(w)).collect();
                let mut lines: Vec<String> =
                    doc.takes.iter().map(|t| format!("{} is taken in as {}.", place.name, t.take)).collect();
                lines.extend(warnings.iter().cloned());
                Ok(Outcome { lines, body: json!({ "takes": doc.takes, "already": doc.already, "warnings": warnings }) })
            }
            Err(error) => {
                let said = error.explain();
                Err(Failure::plain(said.kind(), said.fate(), hide(&said.to_string()), hide(&said.next())))
            }
        }
    });
    let order = Order { title: "Take in a recording", to: "/runsheet", once, same, awaited: true, work };
    let id = match app.jobs.submit(order) {
        Ok(id) => id,
        Err(error) => return problem(&error),
    };
    if later {
        let body = app.jobs.find(id).map(|job| job.json());
        return (StatusCode::ACCEPTED, [(header::LOCATION, format!("/jobs/{id}"))], Json(body)).into_response();
    }
    outcome(&app, id).await
}

/// Waits for the end of a job. Should its sender go away, it is finished all the same.
async fn outcome(app: &App, id: u64) -> Response {
    let mut changed = app.jobs.watch();
    loop {
        changed.mark_unchanged();
        match app.jobs.find(id) {
            Some(job) if job.state.over() => {
                let status = job.fate.map_or(StatusCode::OK, status);
                return (status, Json(job.body)).into_response();
            }
            Some(_) => {}
            None => {
                let message = "what came of this recording is no longer known";
                return said(StatusCode::GONE, "no-job", message, "look at the takes", true);
            }
        }
        if changed.changed().await.is_err() {
            return said(StatusCode::SERVICE_UNAVAILABLE, "desk-ended", "the desk is being closed", "start it again", true);
        }
    }
}

fn status(fate: Fate) -> StatusCode {
    match fate {
        Fate::Failed => StatusCode::INTERNAL_SERVER_ERROR,
        Fate::WrongUse | Fate::Unfit => StatusCode::UNPROCESSABLE_ENTITY,
        Fate::Refused => StatusCode::CONFLICT,
    }
}

fn problem(error: &Failure) -> Response {
    let explained = error.explain();
    said(status(explained.fate()), explained.kind(), &explained.to_string(), &explained.next(), true)
}
