//! A desk over a session with real clips, asked through its router.

use crate::program::Desk as Folder;
use crate::trial_support::played_session;
use axum::body::Body;
use axum::http::{Request, Response, StatusCode};
use cabjury::model::ids::ListenerCode;
use cabjury::model::outside::SystemClock;
use cabjury::testing::desk::Desk;
use cabjury::web::{App, router};
use http_body_util::BodyExt;
use serde_json::Value;
use std::sync::Arc;
use tower::ServiceExt;

static CLOCK: SystemClock = SystemClock;
pub(super) const PORT: u16 = 4711;
pub(super) const KEY: &str = "0123456789abcdef0123456789abcdef";

/// A folder, its desk, and the code of one invited listener.
pub(super) struct House {
    pub(super) folder: Folder,
    pub(super) app: Arc<App>,
    pub(super) code: String,
}

/// An answer, read to its end.
pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) headers: axum::http::HeaderMap,
    pub(super) body: Vec<u8>,
}

impl Answer {
    pub(super) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    pub(super) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    #[track_caller]
    pub(super) fn is(self, status: u16) -> Self {
        assert_eq!(self.status.as_u16(), status, "{}", self.text());
        self
    }
}

/// A desk over a sealed ABX test of so many trials, with one listener invited.
pub(super) fn house(trials: u32) -> House {
    let folder = Folder::new();
    played_session(&folder, trials);
    let (app, code) = open(&folder, "ann");
    House { folder, app, code }
}

/// Opens the desk (again).
pub(super) fn open(folder: &Folder, listener: &str) -> (Arc<App>, String) {
    let desk = Desk::open(&folder.join("s"), &CLOCK).unwrap();
    let who = ListenerCode::new(listener).unwrap();
    let code = desk.wait(|desk, done| desk.invite(None, who, done)).unwrap();
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], PORT));
    (App::new(desk, KEY.to_owned(), address, false, &CLOCK), code)
}

impl House {
    pub(super) async fn send(&self, request: Request<Body>) -> Answer {
        send(&self.app, request).await
    }

    pub(super) async fn get(&self, path: &str) -> Answer {
        self.send(asked("GET", path, None, "")).await
    }

    pub(super) async fn post(&self, path: &str, body: &str) -> Answer {
        self.send(asked("POST", path, Some("application/json"), body)).await
    }

    /// Fetches every slot of an opened trial, as a page does before it plays.
    pub(super) async fn hears(&self, trial: &Value) {
        hears(&self.app, trial).await;
    }

    /// The listener's own address.
    pub(super) fn at(&self, rest: &str) -> String {
        format!("/api/l/{}{rest}", self.code)
    }

    /// A page of the engineer's, with the key.
    pub(super) async fn page(&self, path: &str) -> Answer {
        let request = Request::get(path).header("host", host()).header("cookie", cookie(&self.app));
        self.send(request.body(Body::empty()).unwrap()).await
    }

    /// A form of the engineer's, with the key.
    pub(super) async fn form(&self, path: &str, body: &str) -> Answer {
        let request = Request::post(path)
            .header("host", host())
            .header("cookie", cookie(&self.app))
            .header("origin", format!("http://{}", host()))
            .header("content-type", "application/x-www-form-urlencoded");
        self.send(request.body(Body::from(body.to_owned())).unwrap()).await
    }
}

impl House {
    /// Waits for the end of a job, and what came of it.
    pub(super) async fn over(&self, job: &Value) -> Value {
        let path = format!("/jobs/{}/state", job["job"].as_str().unwrap());
        loop {
            let now = self.page(&path).await.is(200).json();
            if ["done", "failed", "stopped"].contains(&now["state"].as_str().unwrap()) {
                return now;
            }
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    }

    /// A form that begins a job, to its end.
    pub(super) async fn job(&self, path: &str, body: &str) -> Value {
        let answer = self.form(path, body).await.is(303);
        let id = answer.headers["location"].to_str().unwrap().strip_prefix("/jobs/").unwrap().to_owned();
        self.over(&serde_json::json!({ "job": id })).await
    }
}

/// Fetches every slot of an opened trial.
pub(super) async fn hears(app: &Arc<App>, trial: &Value) {
    for slot in trial["slots"].as_array().unwrap() {
        send(app, asked("GET", slot["audio"].as_str().unwrap(), None, "")).await.is(200);
    }
}

pub(super) fn host() -> String {
    format!("127.0.0.1:{PORT}")
}

/// The cookie of a browser that was let in.
pub(super) fn cookie(app: &App) -> String {
    format!("cabjury-{PORT}={}", app.let_in().unwrap())
}

pub(super) fn asked(method: &str, path: &str, kind: Option<&str>, body: &str) -> Request<Body> {
    let mut request = Request::builder().method(method).uri(path).header("host", host());
    if let Some(kind) = kind {
        request = request.header("content-type", kind);
    }
    request.body(Body::from(body.to_owned())).unwrap()
}

pub(super) async fn send(app: &Arc<App>, request: Request<Body>) -> Answer {
    let response: Response<Body> = router(app).oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    let body = body.collect().await.unwrap().to_bytes().to_vec();
    Answer { status: parts.status, headers: parts.headers, body }
}
