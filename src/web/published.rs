//! What was published: `GET /published.json` lists it, `GET /published/PATH` fetches a file.

use super::App;
use super::guard::said;
use axum::body::{Body, Bytes};
use axum::extract::{Path as Address, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use futures_util::stream::unfold;
use serde_json::json;
use std::fs;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

/// A file goes out in pieces of so many bytes.
const PIECE: usize = 256 * 1024;
/// Folders within folders that are listed.
const DEPTH: u32 = 3;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new().route("/published.json", get(listed)).route("/published/{*path}", get(fetched))
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

/// What lies there, by name.
pub(super) fn files(folder: &Path) -> Vec<(String, u64)> {
    let mut files = Vec::new();
    below(&folder.join("published"), "", DEPTH, &mut files);
    files.sort();
    files
}

async fn listed(State(app): State<Arc<App>>) -> Response {
    let inner = Arc::clone(&app);
    let found = App::apart(move || Ok(files(inner.desk.folder()))).await;
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
        return said(StatusCode::NOT_FOUND, "not-found", "there is no such file", "go back to what was published", false);
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
    // Pictures are shown on the page that offers them; everything else is a file to keep, whatever a browser would make of it.
    let picture = name.ends_with(".png");
    let (kind, how) = if picture { ("image/png", "inline") } else { ("application/octet-stream", "attachment") };
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_DISPOSITION, format!("{how}; filename=\"{name}\"")),
        (header::CONTENT_LENGTH, length.to_string()),
    ];
    (headers, Body::from_stream(pieces)).into_response()
}
