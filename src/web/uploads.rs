//! Recordings on their way in: streamed to a temporary name in the session's folder, then taken in like any other, then removed.

use super::App;
use super::guard::said;
use crate::capture::take::{Request, take};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::{Json, Router};
use http_body_util::BodyExt;
use serde::Deserialize;
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
fn ending(name: &str) -> &'static str {
    const KNOWN: [&str; 12] = ["wav", "aif", "aiff", "aifc", "flac", "caf", "w64", "rf64", "bwf", "m4a", "mp3", "ogg"];
    let found = Path::new(name).extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    KNOWN.into_iter().find(|k| Some(*k) == found.as_deref()).unwrap_or("audio")
}

async fn receive(app: &App, name: &str, mut body: Body) -> Result<Incoming, Failure> {
    let folder = app.desk.folder().join("incoming");
    tokio::fs::create_dir_all(&folder).await.map_err(failed)?;
    let path = folder.join(format!("{}-{}.{}", std::process::id(), app.next_upload(), ending(name)));
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

async fn upload(State(app): State<Arc<App>>, Query(place): Query<Place>, body: Body) -> Response {
    let incoming = match receive(&app, &place.name, body).await {
        Ok(incoming) => incoming,
        Err(error) => return problem(&error, "", &place.name),
    };
    let inner = Arc::clone(&app);
    let here = incoming.0.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let path = incoming.0.display().to_string();
    let name = place.name.clone();
    let result = app
        .ask(|desk, done| {
            let work = move |folder: &Path| {
                let incoming = incoming;
                let di = place.setup.is_empty();
                let request = Request {
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
                };
                take(folder, &request, inner.clock, &inner.progress())
            };
            desk.alone(work, done);
        })
        .await;
    match result {
        Ok(doc) => {
            let hide = |text: &String| text.replace(&path, &name);
            let warnings: Vec<String> = doc.warnings.iter().map(hide).collect();
            (StatusCode::OK, Json(serde_json::json!({ "takes": doc.takes, "already": doc.already, "warnings": warnings })))
                .into_response()
        }
        Err(error) => problem(&error, &path, &name),
    }
}

fn problem(error: &Failure, path: &str, name: &str) -> Response {
    let explained = error.explain();
    let status = match explained.fate() {
        Fate::Failed => StatusCode::INTERNAL_SERVER_ERROR,
        Fate::WrongUse | Fate::Unfit => StatusCode::UNPROCESSABLE_ENTITY,
        Fate::Refused => StatusCode::CONFLICT,
    };
    // The temporary name means nothing to anybody.
    let hide = |text: String| if path.is_empty() { text } else { text.replace(path, name) };
    said(status, explained.kind(), &hide(explained.to_string()), &hide(explained.next()), true)
}
