//! What leaves the session, by button: each a job that writes into the session's `published` folder, from where the engineer fetches it.
//!
//! `POST /publish/report`, `/publish/picture` (`what-KIND`, `size`, `theme`, `reveal`), `/publish/montage` (`raw_level`, `blind=N`,
//! `level_mics`, `video`), `/publish/audience` (`pair=A/B`, `flac`, `seconds`, `one_file`, `send_to`), `/publish/bundle` (`without_audio`).
//! Nothing is overwritten: every one gets the next free number.

use super::App;
use super::forms::{Fields, wrong};
use super::job_pages::begin;
use super::jobs::{Outcome, Work};
use super::pages::publish::PICTURES;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::paint::theme::Theme;
use crate::publish::montage_request::Request;
use crate::publish::picture::{self, Kind, Moving};
use crate::publish::report::audience;
use crate::publish::{bundle, montage, report};
use crate::report::picture::Size;
use axum::Router;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::post;
use serde_json::json;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/publish/report", post(whole_report))
        .route("/publish/montage", post(make_montage))
        .route("/publish/audience", post(make_audience))
        .route("/publish/bundle", post(make_bundle))
        .route("/publish/picture", post(make_pictures))
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
    found.ok_or_else(|| {
        Failure::plain("cannot-write", Fate::Failed, "no name is free in the published folder", "move some files away")
    })
}

/// What was written, by its name under `published`.
fn written(folder: &Path, path: &Path, what: &str, warnings: &[String]) -> Outcome {
    let place = folder.join("published");
    let name = path.strip_prefix(&place).unwrap_or(path).display().to_string();
    let mut lines = vec![format!("{what}: published/{name} in the session\u{2019}s folder.")];
    lines.extend(warnings.iter().cloned());
    Outcome { lines, body: json!({ "path": format!("published/{name}"), "warnings": warnings }) }
}

/// Makes something under the next free name, and says what it is called and what there is to think of.
fn made(
    app: &App,
    (name, ending): (&str, &str),
    what: &str,
    make: impl FnOnce(&Path, &Path) -> Result<Vec<String>, Failure>,
) -> Result<Outcome, Failure> {
    let folder = app.desk.folder();
    let out = free(folder, name, ending)?;
    let warnings = make(folder, &out)?;
    Ok(written(folder, &out, what, &warnings))
}

async fn whole_report(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |_| {
        made(&inner, ("report", ".html"), "The report is written", |folder, out| {
            report::report(folder, Some(out), inner.clock)?;
            Ok(Vec::new())
        })
    });
    begin(&app, &headers, fields.order("Write the report", "/publish/report", "/publish", work))
}

/// What pictures a form asks for.
fn picture_request(fields: &Fields) -> Result<picture::Request, Failure> {
    let sizes = match fields.get("size") {
        Some("all") => Size::ALL.to_vec(),
        None => vec![Size::Wide],
        Some(name) => {
            let known = Size::ALL.into_iter().find(|s| s.name() == name);
            vec![known.ok_or_else(|| wrong(format!("{name:?} is not a size")))?]
        }
    };
    let themes = match fields.get("theme") {
        Some("both") => vec![Theme::Light, Theme::Dark],
        Some("dark") => vec![Theme::Dark],
        None | Some("light") => vec![Theme::Light],
        Some(name) => return Err(wrong(format!("{name:?} is neither light nor dark"))),
    };
    let asked = |(field, _, kind): (&str, &str, Kind)| fields.contains_key(field).then_some(kind);
    let (moving, only): (Vec<Kind>, Vec<Kind>) = PICTURES.into_iter().filter_map(asked).partition(|kind| *kind == Kind::Reveal);
    let reveal = (!moving.is_empty()).then_some(Moving::Apng);
    if only.is_empty() && reveal.is_none() {
        return Err(wrong("no picture is chosen"));
    }
    Ok(picture::Request { out: None, sizes, themes, only, reveal })
}

async fn make_pictures(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let request = match picture_request(&fields) {
        Ok(request) => request,
        Err(error) => return super::pages::layout::failed(&error),
    };
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |bench| {
        made(&inner, ("pictures", ""), "The pictures are drawn", |folder, out| {
            let request = picture::Request { out: Some(out.to_owned()), ..request };
            let doc = picture::picture(folder, &request, inner.clock, bench)?;
            Ok(doc.left_out.iter().map(|l| format!("No picture of {}: {}.", l.what, l.why)).collect())
        })
    });
    begin(&app, &headers, fields.order("Draw the pictures", "/publish/picture", "/publish", work))
}

async fn make_montage(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let [raw_level, level_mics, video] = ["raw_level", "level_mics", "video"].map(|key| fields.contains_key(key));
    let blind = match fields.get("blind").map(|_| fields.whole("blind", 0)).transpose() {
        Ok(clips) => clips,
        Err(error) => return super::pages::layout::failed(&error),
    };
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |bench| {
        made(&inner, ("montage", ""), "The montage is written", |folder, out| {
            let request = Request {
                order: Vec::new(),
                mic: None,
                excerpt: None,
                raw_level,
                blind,
                rate: None,
                loudness: None,
                level_mics,
                video,
                out: out.to_owned(),
            };
            let clock = inner.clock;
            let doc = match blind {
                None => montage::montage(folder, &request, clock, bench)?,
                // Its key is kept in the session: alone with it, and refused while somebody listens.
                Some(_) => inner.desk.wait(|desk, done| {
                    desk.alone(move |folder| montage::montage(folder, &request, clock, &crate::model::outside::Unwatched), done);
                })?,
            };
            Ok(doc.warnings)
        })
    });
    begin(&app, &headers, fields.order("Make a montage", "/publish/montage", "/publish", work))
}

/// What the audience's page is asked for by its form.
fn page_request(fields: &Fields) -> Result<audience::Request, Failure> {
    let pair = match fields.get("pair").map(|pair| pair.split_once('/').ok_or_else(|| wrong("choose two setups"))).transpose()? {
        Some((first, second)) => Some([SetupName::new(first)?, SetupName::new(second)?]),
        None => None,
    };
    let seconds = fields.get("seconds").map(|_| fields.number("seconds", 0.0)).transpose()?;
    let send_to = fields.get("send_to").map(str::parse).transpose().map_err(|e: String| wrong(e))?;
    let (flac, one_file) = (fields.contains_key("flac"), fields.contains_key("one_file"));
    Ok(audience::Request { out: PathBuf::new(), pair, flac, seconds, one_file, send_to })
}

async fn make_audience(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let request = match page_request(&fields) {
        Ok(request) => request,
        Err(error) => return super::pages::layout::failed(&error),
    };
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |_| {
        made(&inner, ("audience", ""), "The audience\u{2019}s page is written", |folder, out| {
            Ok(audience::audience(folder, &audience::Request { out: out.to_owned(), ..request })?.warnings)
        })
    });
    begin(&app, &headers, fields.order("Make the audience\u{2019}s page", "/publish/audience", "/publish", work))
}

async fn make_bundle(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let (inner, without_audio) = (Arc::clone(&app), fields.contains_key("without_audio"));
    let work: Work = Box::new(move |bench| {
        made(&inner, ("bundle", ".zip"), "The bundle is written", |folder, out| {
            Ok(bundle::bundle(folder, out, without_audio, bench)?.warnings)
        })
    });
    begin(&app, &headers, fields.order("Bundle the session", "/publish/bundle", "/publish", work))
}
