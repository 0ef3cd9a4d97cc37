//! What stands before and behind every request: Host and Origin, the engineer's key, limits, and the headers of every answer.

use super::App;
use super::pages::layout;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

/// Largest body of a request that is no recording.
pub const BODY: usize = 64 * 1024;
/// A request that takes longer is given up (recordings and event streams have their own clocks).
const PATIENCE: Duration = Duration::from_secs(60);
/// Wrong keys per minute and address.
const WRONG_KEYS: u32 = 20;
/// Slots per minute and invitation: a trial has at most a handful.
pub const DOWNLOADS: u32 = 240;
/// Scripts, styles and connections of this origin and nothing else.
pub const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; media-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/// The report brings its own style and no script.
pub const REPORT_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// True for hosts that this desk answers to. A foreign page can make a name point here, but not an address: names other than `localhost`
/// are refused.
fn own_host(app: &App, host: &str) -> bool {
    let Some((name, port)) = host.rsplit_once(':') else { return false };
    if port.parse() != Ok(app.port) {
        return false;
    }
    let address = name.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    match address {
        Ok(address) => app.lan || address.is_loopback(),
        Err(_) => name.eq_ignore_ascii_case("localhost"),
    }
}

fn host<'a>(headers: &'a HeaderMap, uri: &'a Uri) -> Option<&'a str> {
    headers.get(header::HOST).and_then(|h| h.to_str().ok()).or_else(|| uri.authority().map(axum::http::uri::Authority::as_str))
}

fn own_origin(headers: &HeaderMap, host: &str) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    let origin = text("origin").is_none_or(|o| o == format!("http://{host}"));
    let site = text("sec-fetch-site").is_none_or(|s| matches!(s, "same-origin" | "none"));
    origin && site
}

/// Before and behind every request.
pub async fn every_request(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let json = path.starts_with("/api/");
    let refused = {
        let headers = request.headers();
        match host(headers, request.uri()) {
            Some(host) if own_host(&app, host) => {
                let reads = matches!(*request.method(), Method::GET | Method::HEAD);
                (!reads && !own_origin(headers, host)).then(|| {
                    said(
                        StatusCode::FORBIDDEN,
                        "other-origin",
                        "this was sent from a page of another site",
                        "use the desk's own pages",
                        json,
                    )
                })
            }
            _ => Some(said(
                StatusCode::MISDIRECTED_REQUEST,
                "other-host",
                "this desk does not answer to that name",
                "use the address that the desk printed when it started",
                json,
            )),
        }
    };
    let own_clock = path == "/progress" || path == "/takes/upload";
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
    format!("cabjury-{}", app.port)
}

/// Compares without telling by its time how much of it was right.
pub(crate) fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y)) == 0
}

fn has_cookie(app: &App, headers: &HeaderMap) -> bool {
    let name = cookie(app);
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|c| c.to_str().ok())
        .flat_map(|c| c.split(';'))
        .any(|pair| pair.trim().split_once('=').is_some_and(|(n, v)| n == name && same(v, &app.key)))
}

/// Lets the engineer in: by the link with the key, which becomes a cookie, or by that cookie.
pub async fn key(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let query = request.uri().query().unwrap_or_default();
    let given = query.split('&').find_map(|p| p.strip_prefix("key="));
    let from = request.extensions().get::<ConnectInfo<SocketAddr>>().map_or_else(String::new, |c| c.0.ip().to_string());
    if has_cookie(&app, request.headers()) && given.is_none() {
        let mut response = next.run(request).await;
        // No other site learns anything; but under "no-referrer" a browser sends a form of this very page with the origin "null".
        response.headers_mut().insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
        return response;
    }
    if given.is_some_and(|given| same(given, &app.key)) {
        let path = request.uri().path().to_owned();
        let cookie = format!("{}={}; HttpOnly; SameSite=Strict; Path=/", cookie(&app), app.key);
        return (StatusCode::SEE_OTHER, [(header::LOCATION, path), (header::SET_COOKIE, cookie)]).into_response();
    }
    if given.is_some() && !app.limits.allow(format!("key {from}"), WRONG_KEYS) {
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

/// An answer that is an error: for the listening page as JSON, for people as a page.
pub fn said(status: StatusCode, kind: &str, message: &str, next: &str, json: bool) -> Response {
    if json {
        let body = serde_json::json!({ "error": { "kind": kind, "message": message, "next": next } });
        return (status, axum::Json(body)).into_response();
    }
    (status, layout::error(status.as_u16(), message, next)).into_response()
}
