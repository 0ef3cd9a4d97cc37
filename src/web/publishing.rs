//! What leaves the session, by button: each a job that writes into the session's `published` folder, from where the engineer fetches it.
//!
//! `POST /publish/report`, `/publish/montage` (`raw_level`, `blind=N`), `/publish/audience`, `/publish/bundle` (`without_audio`); what lies
//! there: `GET /published.json`; a file: `GET /published/PATH`. Nothing is overwritten: every one gets the next free number.

use super::App;
use super::forms::Fields;
use super::guard::said;
use super::job_pages::begin;
use super::jobs::{Outcome, Work};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::publish::montage_request::Request;
use crate::publish::{bundle, montage, report};
use axum::body::{Body, Bytes};
use axum::extract::{Path as Address, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::stream::unfold;
use serde_json::json;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A file goes out in pieces of so many bytes.
const PIECE: usize = 256 * 1024;
/// Folders within folders that are listed.
const DEPTH: u32 = 3;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/publish/report", post(whole_report))
        .route("/publish/montage", post(make_montage))
        .route("/publish/audience", post(audience))
        .route("/publish/bundle", post(make_bundle))
        .route("/published.json", get(listed))
        .route("/published/{*path}", get(fetched))
}

/// A name that is free, in a folder that exists.
fn free(folder: &Path, name: &str, ending: &str) -> Result<PathBuf, Failure> {
    let place = folder.join("published");
    fs::create_dir_all(&place).map_err(|e| {
        let message = format!("{} cannot be made: {e}", place.display());
        Failure::at_path("cannot-write", Fate::Failed, &place, message, "check the folder and the free space")
    })?;
    let numbered = (1u32..).map(|n| place.join(format!("{name}-{n}{ending}")));
    let found = numbered.into_iter().find(|path| fs::symlink_metadata(path).is_err());
    found
        .ok_or_else(|| Failure::plain("no-name", Fate::Failed, "no name is free in the published folder", "move some files away"))
}

/// What was written, by its name under `published`.
fn written(folder: &Path, path: &Path, what: &str, warnings: &[String]) -> Outcome {
    let place = folder.join("published");
    let name = path.strip_prefix(&place).unwrap_or(path).display().to_string();
    let mut lines = vec![format!("{what}: published/{name} in the session\u{2019}s folder.")];
    lines.extend(warnings.iter().cloned());
    Outcome { lines, body: json!({ "path": format!("published/{name}"), "warnings": warnings }) }
}

async fn whole_report(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |_| {
        let folder = inner.desk.folder();
        let out = free(folder, "report", ".html")?;
        report::report(folder, Some(&out), inner.clock)?;
        Ok(written(folder, &out, "The report is written", &[]))
    });
    begin(&app, &headers, fields.order("Write the report", "/publish/report", "/results", work))
}

async fn make_montage(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let raw_level = fields.contains_key("raw_level");
    let blind = match fields.get("blind").map(|_| fields.whole("blind", 0)).transpose() {
        Ok(clips) => clips,
        Err(error) => return super::pages::layout::failed(&error),
    };
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |bench| {
        let folder = inner.desk.folder();
        let out = free(folder, "montage", "")?;
        let request = Request {
            order: Vec::new(),
            mic: None,
            excerpt: None,
            raw_level,
            blind,
            rate: None,
            loudness: None,
            out: out.clone(),
            level_mics: false,
            video: false,
        };
        let clock = inner.clock;
        let doc = match blind {
            None => montage::montage(folder, &request, clock, bench)?,
            // Its key is kept in the session: alone with it, and refused while somebody listens.
            Some(_) => inner.desk.wait(|desk, done| {
                desk.alone(move |folder| montage::montage(folder, &request, clock, &crate::model::outside::Unwatched), done);
            })?,
        };
        Ok(written(folder, &out, "The montage is written", &doc.warnings))
    });
    begin(&app, &headers, fields.order("Make a montage", "/publish/montage", "/results", work))
}

async fn audience(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |_| {
        let folder = inner.desk.folder();
        let out = free(folder, "audience", "")?;
        report::audience::audience(folder, &out)?;
        Ok(written(folder, &out, "The audience\u{2019}s page is written", &[]))
    });
    begin(&app, &headers, fields.order("Make the audience\u{2019}s page", "/publish/audience", "/results", work))
}

async fn make_bundle(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let (inner, without_audio) = (Arc::clone(&app), fields.contains_key("without_audio"));
    let work: Work = Box::new(move |bench| {
        let folder = inner.desk.folder();
        let out = free(folder, "bundle", ".zip")?;
        let doc = bundle::bundle(folder, &out, without_audio, bench)?;
        Ok(written(folder, &out, "The bundle is written", &doc.warnings))
    });
    begin(&app, &headers, fields.order("Bundle the session", "/publish/bundle", "/results", work))
}

/// Files under a folder, links and hidden names left out.
fn below(place: &Path, prefix: &str, depth: u32, out: &mut Vec<(String, u64)>) {
    let Ok(entries) = fs::read_dir(place) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Ok(kind) = entry.file_type() else { continue };
        if !plain(&name) {
            continue;
        }
        if kind.is_file() {
            out.push((format!("{prefix}{name}"), entry.metadata().map_or(0, |m| m.len())));
        } else if kind.is_dir() && depth > 0 {
            below(&entry.path(), &format!("{prefix}{name}/"), depth - 1, out);
        }
    }
}

async fn listed(State(app): State<Arc<App>>) -> Response {
    let inner = Arc::clone(&app);
    let found = App::apart(move || {
        let mut files = Vec::new();
        below(&inner.desk.folder().join("published"), "", DEPTH, &mut files);
        files.sort();
        Ok(files)
    })
    .await;
    match found {
        Ok(files) => {
            let file =
                |(path, bytes): &(String, u64)| json!({ "path": path, "bytes": bytes, "url": format!("/published/{path}") });
            Json(json!({ "files": files.iter().map(file).collect::<Vec<_>>() })).into_response()
        }
        Err(error) => super::pages::layout::failed(&error),
    }
}

fn plain(name: &str) -> bool {
    let fits = name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_' | ' '));
    fits && !name.is_empty() && !name.starts_with('.')
}

/// The file of an address: every part a plain name, and none a link.
fn opened(folder: &Path, address: &str) -> Option<(fs::File, u64)> {
    let mut path = folder.join("published");
    for part in address.split('/') {
        if !plain(part) {
            return None;
        }
        path.push(part);
        if fs::symlink_metadata(&path).ok()?.is_symlink() {
            return None;
        }
    }
    let file = fs::File::open(&path).ok()?;
    let found = file.metadata().ok()?;
    found.is_file().then_some((file, found.len()))
}

async fn fetched(State(app): State<Arc<App>>, Address(address): Address<String>) -> Response {
    let (inner, asked) = (Arc::clone(&app), address.clone());
    let Ok(Some((file, length))) = App::apart(move || Ok(opened(inner.desk.folder(), &asked))).await else {
        return said(StatusCode::NOT_FOUND, "not-found", "there is no such file", "go back to the results", false);
    };
    let name = address.rsplit('/').next().unwrap_or("file").to_owned();
    let pieces = unfold(file, |mut file| async move {
        let piece = tokio::task::spawn_blocking(move || {
            let mut piece = vec![0; PIECE];
            let read = file.read(&mut piece);
            read.map(|n| {
                piece.truncate(n);
                (piece, file)
            })
        });
        match piece.await {
            Ok(Ok((piece, _))) if piece.is_empty() => None,
            Ok(Ok((piece, file))) => Some((Ok::<_, std::io::Error>(Bytes::from(piece)), file)),
            // The transfer is broken off: the browser says that the file is not whole.
            Ok(Err(_)) | Err(_) => None,
        }
    });
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
        (header::CONTENT_LENGTH, length.to_string()),
    ];
    (headers, Body::from_stream(pieces)).into_response()
}
