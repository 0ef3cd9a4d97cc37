//! What the engineer's forms do: each calls one job and says on the next page what came of it.

use super::App;
use super::drafts::Typed;
use super::forms::{Fields, sheet_of, wrong};
use super::guard::said;
use super::job_pages::begin;
use super::jobs::{Outcome, Work};
use super::pages::layout::{Head, page, sentence};
use super::pages::tests;
use crate::capture::mend;
use crate::capture::runsheet;
use crate::matching::match_takes as prepare;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, ListenerCode, MicName, SetupName, TakeId, TestId};
use crate::model::session::Excerpt;
use crate::model::trial::{Conditions, Controls, Design, Method, TrialCount};
use crate::report::text::count;
use crate::rig::cards as rig;
use crate::rig::gate;
use crate::rig::ohmmeter as meter;
use crate::rig::sheet as sheets;
use crate::testing::plan;
use crate::units::Seconds;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::stream::{Stream, unfold};
use maud::html;
use std::convert::Infallible;
use std::fmt::Write;
use std::path::Path;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/rig/sheet", post(rig_sheet))
        .route("/rig/fields", post(rig_fields))
        .route("/rig/names", post(rig_names))
        .route("/meter", post(read_meter))
        .route("/gate", post(keep_reason))
        .route("/check", post(check_takes))
        .route("/withdraw", post(withdraw))
        .route("/match", post(make_clips))
        .route("/runsheet", post(draw_order))
        .route("/plan", post(seal))
        .route("/plan/what-if", post(what_if))
        .route("/invite", post(invite))
        .route("/close", post(close))
        .route("/progress", get(progress))
}

/// Keeps what came of it for the next page and goes there.
fn told(app: &App, to: &'static str, result: Result<Vec<String>, Failure>) -> Response {
    match result {
        Ok(lines) => app.tell(false, lines),
        Err(error) => app.tell_of(&error),
    }
    (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response()
}

/// Does a job alone with the session, then goes on to a page.
async fn alone(
    app: Arc<App>,
    to: &'static str,
    work: impl FnOnce(&Path, &Arc<App>) -> Result<Vec<String>, Failure> + Send + 'static,
) -> Response {
    let inner = Arc::clone(&app);
    let result = app.ask(|desk, done| desk.alone(move |folder| work(folder, &inner), done)).await;
    told(&app, to, result)
}

async fn rig_sheet(State(app): State<Arc<App>>, fields: Fields) -> Response {
    let typed = fields.typed();
    kept(app, "sheet", "/", typed, move |folder, app| read_rig(folder, fields.text("sheet"), app)).await
}

/// The same as [`alone`]; what was typed is shown again until it is accepted.
async fn kept(
    app: Arc<App>,
    form: &'static str,
    to: &'static str,
    typed: Typed,
    work: impl FnOnce(&Path, &Arc<App>) -> Result<Vec<String>, Failure> + Send + 'static,
) -> Response {
    app.drafts.keep(form, typed);
    let done = move |folder: &Path, app: &Arc<App>| {
        let lines = work(folder, app)?;
        app.drafts.forget(form);
        Ok(lines)
    };
    alone(app, to, done).await
}

fn read_rig(folder: &Path, text: &str, app: &App) -> Result<Vec<String>, Failure> {
    let doc = rig::rig(folder, Some(sheets::read_sheet(text)?), app.clock)?;
    let mut lines = vec![format!("The rig was read in: {}.", count(doc.setups.len(), "setup", "setups"))];
    lines.extend(doc.setups.iter().flat_map(|s| &s.gate).flat_map(gate::GateDoc::lines));
    lines.extend(doc.missing);
    lines.extend(doc.warnings);
    Ok(lines)
}

async fn rig_fields(State(app): State<Arc<App>>, fields: Fields) -> Response {
    let typed = fields.typed();
    kept(app, "rig", "/", typed, move |folder, app| read_rig(folder, &sheet_of(&fields)?, app)).await
}

/// Setups by their names alone, for recordings that came before any sheet.
async fn rig_names(State(app): State<Arc<App>>, Json(names): Json<Vec<String>>) -> Response {
    let inner = Arc::clone(&app);
    let work = move |folder: &Path| {
        let mut sheet = String::new();
        for name in &names {
            // Writing to a String cannot fail.
            let _ = write!(sheet, "[[setup]]\nname = {}\n", serde_json::to_string(name).unwrap_or_default());
        }
        rig::rig(folder, Some(sheets::read_sheet(&sheet)?), inner.clock)
    };
    match app.ask(|desk, done| desk.alone(work, done)).await {
        Ok(doc) => Json(serde_json::json!({ "setups": doc.setups.len() })).into_response(),
        Err(error) => refusal(&error),
    }
}

/// A refusal for a script of the page.
fn refusal(error: &Failure) -> Response {
    let explained = error.explain();
    said(StatusCode::UNPROCESSABLE_ENTITY, explained.kind(), &explained.to_string(), &explained.next(), true)
}

async fn read_meter(State(app): State<Arc<App>>, fields: Fields) -> Response {
    alone(app, "/", move |folder, app| {
        let reading = meter::read_value(fields.text("ohm"))?;
        let doc = meter::meter(
            folder,
            &meter::Reading { wiring: fields.text("wiring"), value: reading, load_reason: None },
            app.clock,
        )?;
        let judged = if doc.as_intended { "reads as intended" } else { "does not read as intended" };
        let mut lines = vec![format!("{} {judged}.", doc.wiring)];
        lines.extend(doc.do_not_power_because.iter().map(|why| format!("Do not power it: {why}.")));
        lines.extend(doc.suspects.iter().take(4).map(|s| format!("Perhaps: {}", s.what)));
        lines.extend(doc.cannot_tell_apart);
        lines.push(doc.next_step);
        Ok(lines)
    })
    .await
}

async fn keep_reason(State(app): State<Arc<App>>, fields: Fields) -> Response {
    alone(app, "/", move |folder, app| {
        let setup = SetupName::new(fields.text("setup"))?;
        gate::keep(folder, &setup, fields.text("reason"), app.clock)?;
        Ok(vec![format!("The reason for using {setup} all the same is kept: card, run sheet and report print it.")])
    })
    .await
}

async fn check_takes(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |bench| {
        let doc = inner.desk.check(inner.clock, bench)?;
        let mut lines = vec![format!("{} looked at.", count(doc.takes.len(), "recording was", "recordings were"))];
        lines.extend(doc.warnings.iter().cloned());
        lines.extend(
            doc.excerpts.iter().map(|e| format!("To listen to: {} ({:.1} s to {:.1} s), {}", e.name, e.start_s, e.end_s, e.why)),
        );
        Ok(Outcome { lines, body: serde_json::json!({ "takes": doc.takes.len(), "warnings": doc.warnings }) })
    });
    begin(&app, &headers, fields.order("Check the takes", "/check", "/takes", work))
}

async fn withdraw(State(app): State<Arc<App>>, fields: Fields) -> Response {
    alone(app, "/takes", move |folder, app| {
        let take = TakeId::new(fields.text("take"))?;
        let reason = fields.get("reason").ok_or_else(|| wrong("a reason is needed: every report prints it"))?;
        mend::withdraw(folder, &take, reason, app.clock)?;
        Ok(vec![format!("{take} is out of use. Make the clips again.")])
    })
    .await
}

fn match_request(fields: &Fields) -> Result<prepare::Request, Failure> {
    let part = fields.contains_key("start") || fields.contains_key("end");
    let excerpts = if part {
        let name = ExcerptName::new(fields.get("excerpt").unwrap_or("part"))?;
        let end = if fields.contains_key("end") { Some(Seconds::new(fields.number("end", 0.0)?)?) } else { None };
        vec![Excerpt { name, start: Seconds::new(fields.number("start", 0.0)?)?, end }]
    } else {
        Vec::new()
    };
    Ok(prepare::Request::usual(excerpts, fields.contains_key("as_recorded"))?)
}

async fn make_clips(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let request = match match_request(&fields) {
        Ok(request) => request,
        Err(error) => return told(&app, "/clips", Err(error)),
    };
    let inner = Arc::clone(&app);
    let work: Work = Box::new(move |bench| {
        let doc = inner.desk.match_clips(&request, inner.clock, bench)?;
        let mut lines = vec![format!(
            "{} made; the largest mismatch is {:.3} LU.",
            count(doc.clips.len(), "clip was", "clips were"),
            doc.largest_mismatch_lu
        )];
        lines.extend(doc.warnings.iter().cloned());
        Ok(Outcome { lines, body: serde_json::json!({ "clips": doc.clips.len(), "warnings": doc.warnings }) })
    });
    begin(&app, &headers, fields.order("Make the clips", "/match", "/clips", work))
}

async fn draw_order(State(app): State<Arc<App>>, fields: Fields) -> Response {
    alone(app, "/runsheet", move |folder, app| {
        let doc = runsheet::runsheet(folder, Some(fields.whole("takes", runsheet::TAKES)?), 1, app.clock)?;
        Ok(vec![format!("The order of {} passes was drawn.", doc.order.len())])
    })
    .await
}

fn plan_request(fields: &Fields) -> Result<plan::Request, Failure> {
    let method = fields.get("method").unwrap_or("abx");
    let trials = fields.get("trials").map(|_| fields.whole("trials", 0)).transpose()?;
    let design = match fields.get("design") {
        None => None,
        Some("crossed") => Some(Design::Crossed),
        Some("paired") => Some(Design::Paired),
        Some(other) => return Err(wrong(format!("{other:?} is not a design"))),
    };
    let name = |key: &str| fields.get(key).map(SetupName::new).transpose();
    let told = |key: &str| fields.get(key).map(str::to_owned);
    Ok(plan::Request {
        compare: fields.keys().filter_map(|k| k.strip_prefix("with-")).map(SetupName::new).collect::<Result<_, _>>()?,
        method: Method::from_name(method).ok_or_else(|| wrong(format!("{method:?} is not a method")))?,
        trials: trials.map(|n| if n == 0 { TrialCount::OpenEnded } else { TrialCount::Fixed(n) }),
        listeners: fields.whole("listeners", 1)?,
        alpha: fields.get("alpha").map(|_| fields.number("alpha", 0.05)).transpose()?,
        bound: fields.number("bound", 0.3)?,
        controls: Controls {
            same_file: fields.whole("same_file", 0)?,
            repeat: fields.whole("repeat", 0)?,
            known: fields.whole("known", 0)?,
        },
        mic: fields.get("mic").map(MicName::new).transpose()?,
        excerpt: fields.get("excerpt").map(ExcerptName::new).transpose()?,
        as_recorded: fields.contains_key("as_recorded"),
        attribute: told("attribute"),
        expect: name("expect")?,
        reference: name("reference")?,
        known_db: fields.get("known_db").map(|_| fields.number("known_db", 1.0)).transpose()?,
        design,
        tests: fields.get("tests").map(|_| fields.whole("tests", 1)).transpose()?,
        looks: Vec::new(),
        load_reason: told("load_reason"),
        training_by_name: fields.contains_key("training_by_name"),
        ask_confidence: fields.contains_key("ask_confidence"),
        simulated: false,
        audience: false,
        conditions: Conditions {
            level: told("level_as_set"),
            on: told("listening_on"),
            room: told("room"),
            device: told("playback"),
        },
    })
}

/// Setups are compared in the sheet's order, not in that of the form's fields.
fn in_order(folder: &Path, mut request: plan::Request) -> Result<plan::Request, Failure> {
    let rig = crate::testing::desk::records::read(folder)?.rig;
    request.compare.sort_by_key(|c| rig.setups.iter().position(|s| &s.name == c));
    Ok(request)
}

async fn seal(State(app): State<Arc<App>>, fields: Fields) -> Response {
    let typed = fields.typed();
    kept(app, "plan", "/tests", typed, move |folder, app| {
        let doc = plan::plan(folder, &in_order(folder, plan_request(&fields)?)?, app.clock)?;
        let (test, seal) = (doc.test.unwrap_or_default(), doc.seal_sha256.unwrap_or_default());
        let mut lines = vec![format!("Sealed as {test}: {seal}")];
        lines.extend(doc.warnings);
        Ok(lines)
    })
    .await
}

/// `POST /plan/what-if`: a piece of page for the script, a whole one without it.
async fn what_if(State(app): State<Arc<App>>, headers: HeaderMap, fields: Fields) -> Response {
    let inner = Arc::clone(&app);
    let found = App::apart(move || {
        let folder = inner.desk.folder();
        crate::foresight::what_if::what_if(folder, &in_order(folder, plan_request(&fields)?)?)
    })
    .await;
    let piece = match found {
        Ok(doc) => tests::what_if(&doc),
        Err(error) => html! { p.warning role="note" { (sentence(&error.to_string())) " " (sentence(&error.explain().next())) } },
    };
    if headers.contains_key("x-piece") {
        piece.into_response()
    } else {
        page("Test", &Head::default(), None, &html! { (piece) p { a href="/tests" { "Back to the tests" } } }).into_response()
    }
}

async fn invite(State(app): State<Arc<App>>, fields: Fields) -> Response {
    let named = || -> Result<(TestId, ListenerCode), Failure> {
        Ok((TestId::new(fields.text("test"))?, ListenerCode::new(fields.text("listener"))?))
    };
    let result = match named() {
        Ok((test, listener)) => {
            let who = listener.to_string();
            app.ask(|desk, done| desk.invite(Some(test), listener, done)).await.map(|_| vec![format!("{who} has a link now.")])
        }
        Err(error) => Err(error),
    };
    app.panel_changed();
    told(&app, "/listeners", result)
}

/// A test is not closed by the way while somebody is in a trial: that trial is lost then.
async fn nobody_listens(app: &App, test: &str, sure: bool) -> Result<(), Failure> {
    let boards = app.ask(|desk, done| desk.boards(done)).await?;
    let busy: Vec<String> = boards
        .iter()
        .filter(|b| b.test == test)
        .flat_map(|b| &b.listeners)
        .filter(|l| l.in_trial.is_some())
        .map(|l| l.listener.clone())
        .collect();
    if busy.is_empty() || sure {
        return Ok(());
    }
    let who = format!(
        "{} {} in the middle of a trial, which is lost when {test} is closed now",
        busy.join(", "),
        if busy.len() == 1 { "is" } else { "are" }
    );
    Err(Failure::plain(
        "listening",
        Fate::Refused,
        who,
        "wait for the answer, or tick \u{201c}Close it also while somebody is in a trial\u{201d}",
    ))
}

async fn close(State(app): State<Arc<App>>, fields: Fields) -> Response {
    let result = match TestId::new(fields.text("test")) {
        Ok(test) => {
            let name = test.to_string();
            if let Err(error) = nobody_listens(&app, &name, fields.contains_key("sure")).await {
                return told(&app, "/listeners", Err(error));
            }
            app.ask(|desk, done| desk.close_test(test, done)).await.map(|()| vec![format!("{name} is closed for good.")])
        }
        Err(error) => Err(error.into()),
    };
    app.panel_changed();
    told(&app, "/results", result)
}

/// `GET /progress`: how far the job under way is, as server-sent events.
async fn progress(State(app): State<Arc<App>>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let events = unfold((app.jobs.steps.watch(), app.leaving()), |(mut steps, mut leaving)| async move {
        tokio::select! {
            changed = steps.changed() => changed.ok()?,
            () = leaving.over() => return None,
        }
        let step = steps.borrow_and_update().clone();
        let body = serde_json::json!({ "what": step.what, "done": step.done, "total": step.total });
        Some((Ok(Event::default().data(body.to_string())), (steps, leaving)))
    });
    Sse::new(events).keep_alive(KeepAlive::default())
}
