//! What stands before and behind every request: Host and Origin, the engineer's key, limits, and the headers of every answer.

use super::App;
use super::limits::What;
use super::names::Place;
use super::pages::layout;
use super::tokens::same;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

/// Largest body of a request that is no recording.
pub const BODY: usize = 64 * 1024;
/// A request that takes longer is given up (recordings and event streams have their own clocks).
const PATIENCE: Duration = Duration::from_secs(60);
/// Wrong keys per minute and address.
const WRONG_KEYS: u32 = 20;
/// Wrong codes per minute and address: beyond them even a right one has to wait.
const WRONG_CODES: u32 = 120;
/// Slots per minute and invitation: a trial has at most a handful.
pub const DOWNLOADS: u32 = 240;
/// Slots per minute and address: a room of listeners behind one proxy has one.
pub const DOWNLOADS_FROM: u32 = 12_000;
/// Scripts, styles and connections of this origin and nothing else.
pub const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; media-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/// The report brings its own style and no script.
pub const REPORT_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The one Host of a request; an error for two.
fn host<'a>(headers: &'a HeaderMap, uri: &'a Uri) -> Result<Option<&'a str>, ()> {
    let mut given = headers.get_all(header::HOST).iter();
    let first = given.next();
    if given.next().is_some() {
        return Err(());
    }
    Ok(first.and_then(|h| h.to_str().ok()).or_else(|| uri.authority().map(axum::http::uri::Authority::as_str)))
}

fn own_origin(place: &Place, headers: &HeaderMap, host: &str) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    let origin = text("origin").is_none_or(|o| place.is_origin(o, host));
    let site = text("sec-fetch-site").is_none_or(|s| matches!(s, "same-origin" | "none"));
    origin && site
}

/// Where a request came from, for whoever counts.
#[derive(Debug, Clone, Copy)]
pub(super) struct From(pub(super) IpAddr);

impl Default for From {
    fn default() -> Self {
        Self(IpAddr::V4(Ipv4Addr::LOCALHOST))
    }
}

fn from(app: &App, request: &Request) -> From {
    let forwarded = request.headers().get("x-forwarded-for").and_then(|v| v.to_str().ok());
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|c| c.0.ip());
    peer.map_or_else(From::default, |peer| From(app.place.came_from(peer, forwarded)))
}

fn refusal(app: &App, request: &Request, json: bool) -> Option<Response> {
    let headers = request.headers();
    let Ok(host) = host(headers, request.uri()) else {
        let (message, next) = ("this was sent with two Host headers", "send one, with the address that the desk printed");
        return Some(said(StatusCode::BAD_REQUEST, "two-hosts", message, next, json));
    };
    let Some(host) = host.filter(|host| app.place.answers_to(host)) else {
        let (message, next) = ("this desk does not answer to that name", "use the address that the desk printed when it started");
        return Some(said(StatusCode::MISDIRECTED_REQUEST, "other-host", message, next, json));
    };
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    (!reads && !own_origin(&app.place, headers, host)).then(|| {
        let (message, next) = ("this was sent from a page of another site", "use the desk's own pages");
        said(StatusCode::FORBIDDEN, "other-origin", message, next, json)
    })
}

/// Before and behind every request.
pub async fn every_request(State(app): State<Arc<App>>, mut request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let json = path.starts_with("/api/");
    let from = from(&app, &request);
    request.extensions_mut().insert(from);
    let refused = refusal(&app, &request, json);
    // Uploads have their own clock; what is only read takes as long as the session is large.
    let own_clock = matches!(path.as_str(), "/takes/upload" | "/report" | "/results" | "/audit");
    let mut response = match refused {
        Some(refused) => refused,
        None if own_clock => next.run(request).await,
        None => match tokio::time::timeout(PATIENCE, next.run(request)).await {
            Ok(response) => response,
            Err(_) => said(StatusCode::REQUEST_TIMEOUT, "timeout", "this took too long", "try it again", json),
        },
    };
    dress(response.headers_mut());
    response
}

/// The headers of every answer.
pub(crate) fn dress(headers: &mut HeaderMap) {
    let fixed = |text: &'static str| HeaderValue::from_static(text);
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(fixed(POLICY));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, fixed("nosniff"));
    headers.insert(header::X_FRAME_OPTIONS, fixed("DENY"));
    headers.entry(header::REFERRER_POLICY).or_insert(fixed("no-referrer"));
    headers.insert(header::CACHE_CONTROL, fixed("no-store"));
    headers.insert("cross-origin-resource-policy", fixed("same-origin"));
    headers.insert("cross-origin-opener-policy", fixed("same-origin"));
    headers.insert("permissions-policy", fixed("camera=(), microphone=(), geolocation=()"));
}

/// The cookie's name: the port is in it, for cookies do not know ports.
#[must_use]
pub fn cookie(app: &App) -> String {
    format!("cabjury-{}", app.place.address.port())
}

fn has_cookie(app: &App, headers: &HeaderMap) -> bool {
    let name = cookie(app);
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|c| c.to_str().ok())
        .flat_map(|c| c.split(';'))
        .any(|pair| pair.trim().split_once('=').is_some_and(|(n, v)| n == name && app.tokens.holds(v)))
}

/// Lets the engineer in: by the link with the key, for which the browser gets a token as its cookie, or by that cookie.
pub async fn key(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let query = request.uri().query().unwrap_or_default();
    let given = query.split('&').find_map(|p| p.strip_prefix("key="));
    let from = request.extensions().get::<From>().copied().unwrap_or_default().0;
    if has_cookie(&app, request.headers()) && given.is_none() {
        let mut response = next.run(request).await;
        // No other site learns anything; but under "no-referrer" a browser sends a form of this very page with the origin "null".
        response.headers_mut().insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
        return response;
    }
    if given.is_some_and(|given| same(given, &app.key)) {
        let token = match app.let_in() {
            Ok(token) => token,
            Err(error) => return layout::failed(&error),
        };
        let secure = host(request.headers(), request.uri()).ok().flatten().is_some_and(|host| app.place.is_secure(host));
        let cookie =
            format!("{}={token}; HttpOnly; SameSite=Strict; Path=/{}", cookie(&app), if secure { "; Secure" } else { "" });
        let path = request.uri().path().to_owned();
        return (StatusCode::SEE_OTHER, [(header::LOCATION, path), (header::SET_COOKIE, cookie)]).into_response();
    }
    if given.is_some() && !app.limits.from(What::WrongKey, from, WRONG_KEYS) {
        return said(StatusCode::TOO_MANY_REQUESTS, "too-many", "too many wrong keys", "wait a minute", false);
    }
    said(
        StatusCode::FORBIDDEN,
        "no-key",
        "these are the engineer's pages, and this browser has no key to them",
        "open the link that was printed when the desk started; listeners have links of their own",
        false,
    )
}

/// An answer that says that its code is not an invitation.
#[derive(Debug, Clone, Copy)]
pub(super) struct UnknownCode;

/// Codes are letters and digits, and not many of them.
fn like_a_code(code: &str) -> bool {
    (8..=64).contains(&code.len()) && code.bytes().all(|b| b.is_ascii_alphanumeric())
}

fn no_invitation(json: bool) -> Response {
    said(StatusCode::NOT_FOUND, "no-invitation", "there is no such invitation", "ask the engineer for a fresh link", json)
}

/// Before everything of a listener's: what cannot be a code is asked of nobody, and who tries many wrong ones is stopped.
pub async fn code(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let path = request.uri().path();
    let json = path.starts_with("/api/");
    let code = path.trim_start_matches("/api").split('/').nth(2).unwrap_or_default();
    let from = request.extensions().get::<From>().copied().unwrap_or_default().0;
    if !like_a_code(code) {
        return no_invitation(json);
    }
    if !app.limits.open(What::WrongCode, from, WRONG_CODES) {
        let (message, next) = ("too many links that are not invitations came from there", "wait a minute");
        return said(StatusCode::TOO_MANY_REQUESTS, "too-many", message, next, json);
    }
    let response = next.run(request).await;
    if response.extensions().get::<UnknownCode>().is_some() {
        app.limits.from(What::WrongCode, from, WRONG_CODES);
    }
    response
}

/// An answer that is an error: for the listening page as JSON, for people as a page.
pub fn said(status: StatusCode, kind: &str, message: &str, next: &str, json: bool) -> Response {
    if json {
        let body = serde_json::json!({ "error": { "kind": kind, "message": message, "next": next } });
        return (status, axum::Json(body)).into_response();
    }
    (status, layout::error(status.as_u16(), message, next)).into_response()
}
