//! What the engineer's forms do: each calls one job and says on the next page what came of it.

use super::App;
use super::pages::layout::{Flash, page, sentence};
use super::pages::{sheet, tests};
use crate::jobs::JobError;
use crate::jobs::{check, intake, meter, plan, prepare, rig, sheet as sheets};
use crate::model::explain::Fate;
use crate::model::ids::{ExcerptName, ListenerCode, MicName, SetupName, TakeId, TestId};
use crate::model::session::{Excerpt, MeterValue};
use crate::model::trial::{Controls, Method, TrialCount};
use crate::units::{Dbtp, Ohm, Seconds};
use axum::Router;
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::stream::{Stream, unfold};
use maud::html;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::fmt::Write;
use std::path::Path;
use std::sync::Arc;

/// Fields of a form, trimmed; empty ones are left out.
type Fields = BTreeMap<String, String>;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/rig/sheet", post(rig_sheet))
        .route("/rig/fields", post(rig_fields))
        .route("/meter", post(read_meter))
        .route("/check", post(check_takes))
        .route("/withdraw", post(withdraw))
        .route("/match", post(make_clips))
        .route("/plan", post(seal))
        .route("/plan/what-if", post(what_if))
        .route("/invite", post(invite))
        .route("/close", post(close))
        .route("/progress", get(progress))
}

type Posted = Result<Form<Fields>, FormRejection>;

fn fields(posted: Posted) -> Result<Fields, Box<Response>> {
    match posted {
        Ok(Form(fields)) => {
            Ok(fields.into_iter().map(|(k, v)| (k, v.trim().to_owned())).filter(|(_, v)| !v.is_empty()).collect())
        }
        Err(rejection) => {
            let lines = vec!["The form could not be read.".to_owned(), rejection.body_text()];
            let body = html! {};
            Err(Box::new((rejection.status(), page("Trouble", Some(&Flash { bad: true, lines }), &body)).into_response()))
        }
    }
}

fn wrong(what: impl Into<String>) -> JobError {
    JobError::plain("wrong-field", Fate::WrongUse, what, "correct the field and send it again")
}

fn number(fields: &Fields, key: &str, otherwise: f64) -> Result<f64, JobError> {
    match fields.get(key) {
        None => Ok(otherwise),
        Some(text) => text.replace(',', ".").parse().map_err(|_| wrong(format!("{text:?} is no number"))),
    }
}

fn whole(fields: &Fields, key: &str, otherwise: u32) -> Result<u32, JobError> {
    match fields.get(key) {
        None => Ok(otherwise),
        Some(text) => text.parse().map_err(|_| wrong(format!("{text:?} is no whole number"))),
    }
}

/// Keeps what came of it for the next page and goes there.
fn told(app: &App, to: &'static str, result: Result<Vec<String>, JobError>) -> Response {
    match result {
        Ok(lines) => app.tell(false, lines),
        Err(error) => app.tell(true, vec![sentence(&error.to_string()), sentence(&error.explain().next())]),
    }
    (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response()
}

/// Does a job alone with the session, then goes on to a page.
async fn alone(
    app: Arc<App>,
    to: &'static str,
    work: impl FnOnce(&Path, &Arc<App>) -> Result<Vec<String>, JobError> + Send + 'static,
) -> Response {
    let inner = Arc::clone(&app);
    let result = app.ask(|desk, done| desk.alone(move |folder| work(folder, &inner), done)).await;
    told(&app, to, result)
}

async fn rig_sheet(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    let text = fields.get("sheet").cloned().unwrap_or_default();
    alone(app, "/", move |folder, app| read_rig(folder, &text, app)).await
}

fn read_rig(folder: &Path, text: &str, app: &App) -> Result<Vec<String>, JobError> {
    let doc = rig::rig(folder, Some(sheets::read_sheet(text)?), app.clock)?;
    let mut lines = vec![format!("The rig was read in: {} setups.", doc.setups.len())];
    lines.extend(
        doc.setups
            .iter()
            .filter(|s| s.load.grade.name() == "do-not-connect")
            .map(|s| format!("{}: do not connect it. {}", s.setup, s.load.reasons.join(" "))),
    );
    lines.extend(doc.warnings);
    Ok(lines)
}

/// A rig sheet out of the form's fields: the same text that one could have written by hand.
fn written(fields: &Fields) -> Result<String, JobError> {
    let text = |key: &str| fields.get(key).map(String::as_str);
    let quoted = |v: &str| serde_json::to_string(v).unwrap_or_default();
    let mut out = String::from("[session]\n");
    for key in ["title", "question"] {
        if let Some(v) = text(key) {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{key} = {}", quoted(v));
        }
    }
    let kind = text("amp_kind").unwrap_or("valve");
    let _ = write!(out, "\n[amplifier]\nlabel = {}\nkind = {}\n", quoted(text("amp_label").unwrap_or("amplifier")), quoted(kind));
    if text("amp_w").is_some() {
        let _ = writeln!(out, "rated_w = {}", number(fields, "amp_w", 0.0)?);
    }
    let taps: Vec<f64> = text("taps")
        .unwrap_or("")
        .split([',', ' ', ';'])
        .filter(|t| !t.is_empty())
        .map(|t| t.parse().map_err(|_| wrong(format!("the tap {t:?} is no number"))))
        .collect::<Result<_, _>>()?;
    match (kind, taps.first()) {
        ("solid-state", Some(least)) => drop(writeln!(out, "min_load_ohm = {least}")),
        (_, Some(_)) => drop(writeln!(out, "taps_ohm = {taps:?}")),
        _ => {}
    }
    for i in 1..=sheet::DRIVERS {
        if let Some(label) = text(&format!("driver{i}")) {
            let _ = write!(
                out,
                "\n[[driver]]\nlabel = {}\nnominal_ohm = {}\n",
                quoted(label),
                number(fields, &format!("ohm{i}"), 8.0)?
            );
            if text(&format!("w{i}")).is_some() {
                let _ = writeln!(out, "rated_w = {}", number(fields, &format!("w{i}"), 0.0)?);
            }
        }
    }
    for i in 1..=sheet::SETUPS {
        let (Some(name), network) = (text(&format!("setup{i}")), text(&format!("network{i}"))) else { continue };
        if let Some(network) = network {
            let _ = write!(
                out,
                "\n[[wiring]]\nname = {0}\nnetwork = {1}\n\n[[setup]]\nname = {0}\nwiring = {0}\n",
                quoted(name),
                quoted(network)
            );
        } else {
            let _ = write!(out, "\n[[setup]]\nname = {}\n", quoted(name));
        }
        if text(&format!("tap{i}")).is_some() {
            let _ = writeln!(out, "tap_ohm = {}", number(fields, &format!("tap{i}"), 8.0)?);
        }
    }
    for mic in text("mics").unwrap_or("").split([',', ' ']).filter(|m| !m.is_empty()) {
        let _ = write!(out, "\n[[mic]]\nname = {}\n", quoted(mic));
    }
    Ok(out)
}

async fn rig_fields(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    alone(app, "/", move |folder, app| read_rig(folder, &written(&fields)?, app)).await
}

async fn read_meter(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    alone(app, "/", move |folder, app| {
        let wiring = fields.get("wiring").cloned().unwrap_or_default();
        let reading = match fields.get("ohm").map(String::as_str) {
            Some(text) if text.eq_ignore_ascii_case("ol") => MeterValue::Open,
            _ => MeterValue::Ohm(Ohm::new(number(&fields, "ohm", f64::NAN)?)?),
        };
        let doc = meter::meter(folder, &wiring, reading, app.clock)?;
        let judged = if doc.as_intended { "reads as intended" } else { "does not read as intended" };
        let mut lines = vec![format!("{} {judged}.", doc.wiring)];
        lines.extend(doc.suspects.iter().take(4).map(|s| format!("Perhaps: {}", s.what)));
        lines.extend(doc.cannot_tell_apart);
        lines.push(doc.next_step);
        Ok(lines)
    })
    .await
}

async fn check_takes(State(app): State<Arc<App>>) -> Response {
    alone(app, "/takes", |folder, app| {
        let doc = check::check(folder, app.clock, &app.progress())?;
        let mut lines = vec![format!("{} recordings were looked at.", doc.takes.len())];
        lines.extend(doc.warnings);
        lines.extend(
            doc.excerpts.iter().map(|e| format!("To listen to: {} ({:.1} s to {:.1} s), {}", e.name, e.start_s, e.end_s, e.why)),
        );
        Ok(lines)
    })
    .await
}

async fn withdraw(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    alone(app, "/takes", move |folder, app| {
        let take = TakeId::new(fields.get("take").map_or("", String::as_str))?;
        let reason = fields.get("reason").ok_or_else(|| wrong("a reason is wanted: every report prints it"))?;
        intake::withdraw(folder, &take, reason, app.clock)?;
        Ok(vec![format!("{take} is out of use. Make the clips again.")])
    })
    .await
}

async fn make_clips(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    alone(app, "/clips", move |folder, app| {
        let part = fields.contains_key("start") || fields.contains_key("end");
        let excerpts = if part {
            let name = ExcerptName::new(fields.get("excerpt").map_or("part", String::as_str))?;
            let end = if fields.contains_key("end") { Some(Seconds::new(number(&fields, "end", 0.0)?)?) } else { None };
            vec![Excerpt { name, start: Seconds::new(number(&fields, "start", 0.0)?)?, end }]
        } else {
            Vec::new()
        };
        let request = prepare::Request {
            as_recorded: fields.contains_key("as_recorded"),
            excerpts,
            ceiling: Dbtp::new(-1.0)?,
            turn: Vec::new(),
        };
        let doc = prepare::match_clips(folder, &request, app.clock, &app.progress())?;
        let mut lines =
            vec![format!("{} clips were made; the largest mismatch is {:.3} LU.", doc.clips.len(), doc.largest_mismatch_lu)];
        lines.extend(doc.warnings);
        Ok(lines)
    })
    .await
}

fn plan_request(fields: &Fields) -> Result<plan::Request, JobError> {
    let method = fields.get("method").map_or("abx", String::as_str);
    let trials = whole(fields, "trials", 16)?;
    let name = |key: &str| fields.get(key).map(|v| SetupName::new(v)).transpose();
    Ok(plan::Request {
        compare: fields.keys().filter_map(|k| k.strip_prefix("with-")).map(SetupName::new).collect::<Result<_, _>>()?,
        method: Method::from_name(method).ok_or_else(|| wrong(format!("{method:?} is no method")))?,
        trials: if trials == 0 { TrialCount::OpenEnded } else { TrialCount::Fixed(trials) },
        listeners: whole(fields, "listeners", 1)?,
        alpha: number(fields, "alpha", 0.05)?,
        bound: number(fields, "bound", 0.3)?,
        controls: Controls { same_file: whole(fields, "same_file", 0)?, repeat: whole(fields, "repeat", 0)? },
        mic: fields.get("mic").map(|m| MicName::new(m)).transpose()?,
        excerpt: fields.get("excerpt").map(|e| ExcerptName::new(e)).transpose()?,
        as_recorded: fields.contains_key("as_recorded"),
        attribute: fields.get("attribute").cloned(),
        expect: name("expect")?,
        reference: name("reference")?,
        load_reason: fields.get("load_reason").cloned(),
        training_by_name: false,
        ask_confidence: fields.contains_key("ask_confidence"),
    })
}

/// Setups are compared in the sheet's order, not in that of the form's fields.
fn in_order(folder: &Path, mut request: plan::Request) -> Result<plan::Request, JobError> {
    let rig = crate::jobs::desk::records::read(folder)?.rig;
    request.compare.sort_by_key(|c| rig.setups.iter().position(|s| &s.name == c));
    Ok(request)
}

async fn seal(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    alone(app, "/tests", move |folder, app| {
        let doc = plan::plan(folder, &in_order(folder, plan_request(&fields)?)?, app.clock)?;
        let (test, seal) = (doc.test.unwrap_or_default(), doc.seal_sha256.unwrap_or_default());
        let mut lines = vec![format!("Sealed as {test}: {seal}")];
        lines.extend(doc.warnings);
        Ok(lines)
    })
    .await
}

/// `POST /plan/what-if`: a piece of page for the script, a whole one without it.
async fn what_if(State(app): State<Arc<App>>, headers: HeaderMap, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    let inner = Arc::clone(&app);
    let found = App::apart(move || {
        let folder = inner.desk.folder();
        plan::what_if(folder, &in_order(folder, plan_request(&fields)?)?)
    })
    .await;
    let piece = match found {
        Ok(doc) => tests::what_if(&doc),
        Err(error) => html! { p.warning role="note" { (sentence(&error.to_string())) " " (sentence(&error.explain().next())) } },
    };
    if headers.contains_key("x-piece") {
        piece.into_response()
    } else {
        page("Tests", None, &html! { (piece) p { a href="/tests" { "Back to the tests" } } }).into_response()
    }
}

async fn invite(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    let named = || -> Result<(TestId, ListenerCode), JobError> {
        Ok((
            TestId::new(fields.get("test").map_or("", String::as_str))?,
            ListenerCode::new(fields.get("listener").map_or("", String::as_str))?,
        ))
    };
    let result = match named() {
        Ok((test, listener)) => {
            let who = listener.to_string();
            app.ask(|desk, done| desk.invite(Some(test), listener, done)).await.map(|_| vec![format!("{who} has a link now.")])
        }
        Err(error) => Err(error),
    };
    told(&app, "/tests", result)
}

async fn close(State(app): State<Arc<App>>, posted: Posted) -> Response {
    let fields = match fields(posted) {
        Ok(fields) => fields,
        Err(response) => return *response,
    };
    let result = match TestId::new(fields.get("test").map_or("", String::as_str)) {
        Ok(test) => {
            let name = test.to_string();
            app.ask(|desk, done| desk.close_test(test, done)).await.map(|()| vec![format!("{name} is closed for good.")])
        }
        Err(error) => Err(error.into()),
    };
    told(&app, "/results", result)
}

/// `GET /progress`: how far the job under way is, as server-sent events.
async fn progress(State(app): State<Arc<App>>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let events = unfold(app.watch(), |mut steps| async move {
        steps.changed().await.ok()?;
        let step = steps.borrow_and_update().clone();
        let body = serde_json::json!({ "what": step.what, "done": step.done, "total": step.total });
        Some((Ok(Event::default().data(body.to_string())), steps))
    });
    Sse::new(events).keep_alive(KeepAlive::default())
}
