//! What dropped recordings are taken for, by their names: a table for the page, nothing is kept.

use super::App;
use super::guard::said;
use crate::capture::pattern::{FolderRequest, RowDoc, plan_names};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::testing::desk::records;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

/// At most so many files are looked at together.
const MOST: usize = 500;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new().route("/takes/guess", post(guess))
}

/// Names of files; the setup where they were dropped on its row, and the first pass that is meant there.
#[derive(Debug, Deserialize)]
struct Dropped {
    names: Vec<String>,
    #[serde(default)]
    setup: String,
    #[serde(default)]
    pass: u32,
}

/// A name without its ending and its last number, and that number.
fn plain(name: &str) -> (String, Option<u32>) {
    let stem = Path::new(name).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let text = stem.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = stem[text.len()..].parse().ok();
    let setup: String =
        text.trim_end_matches(['-', '_', ' ', '.']).chars().map(|c| if c.is_whitespace() { '-' } else { c }).collect();
    if setup.is_empty() { (stem, None) } else { (setup, number) }
}

fn row(file: &str, setup: Option<String>, mic: String, pass: Option<u32>, problem: Option<String>) -> Value {
    let di = setup.is_none() && file.to_ascii_lowercase().split(|c: char| !c.is_alphanumeric()).any(|word| word == "di");
    json!({ "file": file, "di": di, "setup": setup, "mic": mic, "pass": pass, "problem": problem })
}

/// Every pass number that a setup has at a mic, so that a guess never lands on a take that is there.
fn used(folder: &Path) -> Result<BTreeSet<(String, String, u32)>, Failure> {
    let takes = records::read(folder)?.takes;
    Ok(takes
        .iter()
        .filter(|t| t.withdrawn.is_none())
        .filter_map(|t| Some((t.setup.as_ref()?.to_string(), t.mic.to_string(), t.pass)))
        .collect())
}

/// The number that the name says, unless it is taken: then the next free one from there (or from the row's own number).
fn free(used: &mut BTreeSet<(String, String, u32)>, setup: &str, mic: &str, wished: u32) -> u32 {
    let key = |pass| (setup.to_owned(), mic.to_owned(), pass);
    let pass = (wished.max(1)..).find(|p| !used.contains(&key(*p))).unwrap_or(wished);
    used.insert(key(pass));
    pass
}

fn table(folder: &Path, dropped: &Dropped) -> Result<Value, Failure> {
    let rig = records::read(folder)?.rig;
    let on_row = Some(&dropped.setup).filter(|s| !s.is_empty());
    let request = FolderRequest { setup: on_row.map(SetupName::new).transpose()?, ..FolderRequest::default() };
    let mut taken = used(folder)?;
    // Names that hold no setup are no fault: the table asks.
    let read = plan_names(folder, &dropped.names, &request);
    let known: BTreeMap<&str, &RowDoc> =
        read.as_ref().map(|p| p.rows.iter().map(|r| (r.file.as_str(), r)).collect()).unwrap_or_default();
    let mic = rig.default_mic().to_string();
    let rows = dropped.names.iter().map(|name| {
        let found = known.get(name.as_str());
        let (bare, number) = plain(name);
        let setup =
            found.and_then(|r| r.setup.clone()).or_else(|| on_row.cloned()).or_else(|| rig.setups.is_empty().then_some(bare));
        let is_di = name.to_ascii_lowercase().split(|c: char| !c.is_alphanumeric()).any(|word| word == "di");
        let setup = setup.filter(|_| on_row.is_some() || !is_di);
        let mic = found.and_then(|r| r.mic.clone()).unwrap_or_else(|| mic.clone());
        // On a row the row's own number counts; elsewhere the name's.
        let wished = if on_row.is_some() { dropped.pass } else { found.and_then(|r| r.pass).or(number).unwrap_or(1) };
        let pass = setup.as_ref().map(|s| free(&mut taken, s, &mic, wished));
        row(name, setup, mic, pass, found.and_then(|r| r.problem.clone()))
    });
    let rows: Vec<Value> = rows.collect();
    let mics: Vec<String> =
        if rig.mics.is_empty() { vec![mic.clone()] } else { rig.mics.iter().map(|m| m.name.to_string()).collect() };
    let setups: Vec<String> = rig.setups.iter().map(|s| s.name.to_string()).collect();
    Ok(json!({ "rows": rows, "setups": setups, "mics": mics }))
}

/// `POST /takes/guess`.
async fn guess(State(app): State<Arc<App>>, Json(mut dropped): Json<Dropped>) -> Response {
    dropped.names.truncate(MOST);
    let inner = Arc::clone(&app);
    match App::apart(move || table(inner.desk.folder(), &dropped)).await {
        Ok(table) => Json(table).into_response(),
        Err(error) => {
            let explained = error.explain();
            said(StatusCode::UNPROCESSABLE_ENTITY, explained.kind(), &explained.to_string(), &explained.next(), true)
        }
    }
}
