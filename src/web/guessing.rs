//! What dropped recordings are taken for, by their names: a table for the page, nothing is kept.

use super::App;
use super::guard::said;
use crate::capture::pattern::{FolderRequest, RowDoc, plan_names};
use crate::capture::runsheet::last;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::rig::Rig;
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

/// A file that is called the DI.
fn is_di(name: &str) -> bool {
    name.to_ascii_lowercase().split(|c: char| !c.is_alphanumeric()).any(|word| word == "di")
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

/// Passes of each setup as the run sheet drew them.
fn drawn(folder: &Path) -> Result<BTreeMap<String, Vec<u32>>, Failure> {
    let mut out: BTreeMap<String, Vec<u32>> = BTreeMap::new();
    for pass in last(folder, 1)?.into_iter().flat_map(|sheet| sheet.order) {
        out.entry(pass.setup).or_default().push(pass.pass);
    }
    Ok(out)
}

/// A name as it was read.
struct Read {
    setup: Option<String>,
    mic: String,
    number: Option<u32>,
    problem: Option<String>,
}

/// The number of the pass that a name means: numbers that are the run sheet's own for their setups are passes; otherwise they count the
/// takes of a setup, and the run sheet knows which pass its third take was.
fn meant(drawn: &BTreeMap<String, Vec<u32>>, read: &[Read]) -> Vec<u32> {
    let of = |r: &Read| r.setup.as_ref().and_then(|s| drawn.get(s));
    let are_passes = read.iter().all(|r| match (of(r), r.number) {
        (Some(passes), Some(n)) => passes.contains(&n),
        _ => true,
    });
    read.iter()
        .map(|r| {
            let number = r.number.unwrap_or(1);
            let nth = of(r).filter(|_| !are_passes || r.number.is_none()).and_then(|p| p.get(number.saturating_sub(1) as usize));
            nth.copied().unwrap_or(number)
        })
        .collect()
}

fn read(rig: &Rig, folder: &Path, dropped: &Dropped) -> Result<Vec<Read>, Failure> {
    let on_row = Some(&dropped.setup).filter(|s| !s.is_empty());
    let request = FolderRequest { setup: on_row.map(|s| SetupName::new(s.as_str())).transpose()?, ..FolderRequest::default() };
    // Names that hold no setup are no fault: the table asks.
    let plan = plan_names(folder, &dropped.names, &request);
    let known: BTreeMap<&str, &RowDoc> =
        plan.as_ref().map(|p| p.rows.iter().map(|r| (r.file.as_str(), r)).collect()).unwrap_or_default();
    let one = |name: &String| {
        let found = known.get(name.as_str());
        let (bare, number) = plain(name);
        let named = found.and_then(|r| r.setup.clone()).or_else(|| rig.setups.is_empty().then_some(bare));
        Read {
            setup: on_row.cloned().or_else(|| named.filter(|_| !is_di(name))),
            mic: found.and_then(|r| r.mic.clone()).unwrap_or_else(|| rig.default_mic().to_string()),
            number: number.or_else(|| found.and_then(|r| r.pass)),
            problem: found.and_then(|r| r.problem.clone()),
        }
    };
    Ok(dropped.names.iter().map(one).collect())
}

fn table(folder: &Path, dropped: &Dropped) -> Result<Value, Failure> {
    let rig = records::read(folder)?.rig;
    // Without two setups there is no run sheet to ask.
    let drawn = if rig.setups.len() < 2 { BTreeMap::new() } else { drawn(folder)? };
    let mut taken = used(folder)?;
    let files = read(&rig, folder, dropped)?;
    // More takes than the sheet has passes for: numbers behind all of it, for those between are other setups'.
    let beyond = drawn.values().flatten().max().map_or(1, |last| last + 1);
    let mut rows = Vec::new();
    for ((name, file), wished) in dropped.names.iter().zip(&files).zip(meant(&drawn, &files)) {
        let pass = file.setup.as_ref().map(|setup| match drawn.get(setup).filter(|_| !dropped.setup.is_empty()) {
            // Dropped on a row: this setup's passes from that row on.
            Some(passes) => {
                let open = |p: &&u32| **p >= dropped.pass && !taken.contains(&(setup.clone(), file.mic.clone(), **p));
                let wished = passes.iter().find(open).copied().unwrap_or(beyond);
                free(&mut taken, setup, &file.mic, wished)
            }
            None => free(&mut taken, setup, &file.mic, if dropped.setup.is_empty() { wished } else { dropped.pass }),
        });
        rows.push(json!({
            "file": name, "di": file.setup.is_none() && is_di(name), "setup": file.setup, "mic": file.mic, "pass": pass,
            "problem": file.problem,
        }));
    }
    let mics: Vec<String> = match rig.mics.len() {
        0 => vec![rig.default_mic().to_string()],
        _ => rig.mics.iter().map(|m| m.name.to_string()).collect(),
    };
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
