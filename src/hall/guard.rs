//! What stands before and behind every request: origin, limits, cookies, and the headers of every answer.

use super::house::House;
use super::key::Id;
use super::limits::What;
use super::metrics::one;
use crate::model::digest::hex;
use crate::web::guard::{dress, said};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

/// Of an address's requests in a minute so many, at most, may be of new visitors: one in ten.
pub(super) const OF_NEW: u32 = 10;
/// A request that takes longer is given up.
const PATIENCE: Duration = Duration::from_secs(15);

/// The address that a request came from: of one that a web server on this machine, or one of those that were named, passed on, what that
/// one says.
pub fn from(proxies: &[IpAddr], request: &Request) -> Option<IpAddr> {
    let direct = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|c| c.0.ip());
    let passed = request.headers().get("x-forwarded-for").and_then(|v| v.to_str().ok());
    match (direct, passed) {
        (Some(direct), Some(passed)) if direct.is_loopback() || proxies.contains(&direct.to_canonical()) => {
            // The last one is the one that our own web server saw.
            passed.rsplit(',').next().and_then(|t| t.trim().parse().ok()).or(Some(direct))
        }
        (direct, _) => direct,
    }
}

fn own_origin(house: &House, headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    text("origin").is_none_or(|o| o == house.public) && text("sec-fetch-site").is_none_or(|s| matches!(s, "same-origin" | "none"))
}

/// "Not now", and when to try again.
pub(super) fn later(house: &House, status: StatusCode, kind: &str, message: &str) -> Response {
    one(if status == StatusCode::SERVICE_UNAVAILABLE { &house.counters.busy } else { &house.counters.limited });
    let mut response = said(status, kind, message, "it is tried again by itself", true);
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
    response
}

/// Before and behind every request.
pub(super) async fn every_request(State(house): State<Arc<House>>, request: Request, next: Next) -> Response {
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    let inward = matches!(request.uri().path(), "/health" | "/ready" | "/metrics");
    let mut response = if !reads && !own_origin(&house, request.headers()) {
        let next = "use the page's own buttons";
        said(StatusCode::FORBIDDEN, "other-origin", "this was sent from a page of another site", next, true)
    } else if !inward && !house.allows(What::Request, from(&house.proxies, &request), house.per_address) {
        later(&house, StatusCode::TOO_MANY_REQUESTS, "too-many", "too many requests from this address in a minute")
    } else {
        match tokio::time::timeout(PATIENCE, next.run(request)).await {
            Ok(response) => response,
            Err(_) => later(&house, StatusCode::SERVICE_UNAVAILABLE, "hall-busy", "this took too long"),
        }
    };
    house.counters.answered(response.status().as_u16());
    // Sounds may be kept by everybody on the way: they never change and tell nothing.
    let kept = response.headers().get(header::CACHE_CONTROL).filter(|_| response.status() == StatusCode::OK).cloned();
    policy(&house, response.headers_mut());
    dress(response.headers_mut());
    if let Some(kept) = kept {
        response.headers_mut().insert(header::CACHE_CONTROL, kept);
    }
    response
}

/// Sounds may come from another origin; everything else is this one's.
fn policy(house: &House, headers: &mut HeaderMap) {
    let elsewhere = house.sounds_at.split_once("://").and_then(|(scheme, rest)| {
        let host = rest.split('/').next()?;
        Some(format!(" {scheme}://{host}"))
    });
    let connect = format!("connect-src 'self'{}", elsewhere.unwrap_or_default());
    if let Ok(value) = HeaderValue::from_str(&crate::web::guard::POLICY.replace("connect-src 'self'", &connect)) {
        headers.insert(header::CONTENT_SECURITY_POLICY, value);
    }
}

/// A cookie's value.
fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|c| c.to_str().ok());
    all.flat_map(|c| c.split(';')).find_map(|pair| pair.trim().split_once('=').filter(|(n, _)| *n == name).map(|(_, v)| v))
}

fn place_cookie(test: &Id) -> String {
    format!("hall-{}", &hex(test)[..16])
}

/// Whose request it is; `None` without a code, or with one that this hall did not give out.
pub(super) fn visitor(house: &House, test: &Id, headers: &HeaderMap) -> Option<Id> {
    let code = cookie(headers, &place_cookie(test))?;
    let known = house.key.visitor(test, code);
    if known.is_none() {
        one(&house.counters.forged);
    }
    known
}

/// A fresh place, as the cookie that keeps it: for this test and a year.
pub(super) fn fresh_place(house: &House, test: &Id, code: &str) -> String {
    let secure = if house.public.starts_with("https://") { "; Secure" } else { "" };
    // Lax: visitors come by a link on another site.
    format!("{}={code}; HttpOnly; SameSite=Lax; Path=/; Max-Age=31536000{secure}", place_cookie(test))
}

const KEY_COOKIE: &str = "hall-engineer";

/// Lets the engineer in: by the link with the key, which becomes a cookie, or by that cookie.
pub(super) async fn engineer(State(house): State<Arc<House>>, request: Request, next: Next) -> Response {
    let given = request.uri().query().and_then(|q| q.split('&').find_map(|p| p.strip_prefix("key=")));
    let fits = |text: &str| crate::web::tokens::same(text, &house.engineer);
    if given.is_none() && cookie(request.headers(), KEY_COOKIE).is_some_and(fits) {
        return next.run(request).await;
    }
    if given.is_some_and(fits) {
        let secure = if house.public.starts_with("https://") { "; Secure" } else { "" };
        let cookie = format!("{KEY_COOKIE}={}; HttpOnly; SameSite=Strict; Path=/engineer{secure}", house.engineer);
        return (StatusCode::SEE_OTHER, [(header::LOCATION, "/engineer".to_owned()), (header::SET_COOKIE, cookie)])
            .into_response();
    }
    if given.is_some() && !house.allows(What::WrongKey, from(&house.proxies, &request), 20) {
        return later(&house, StatusCode::TOO_MANY_REQUESTS, "too-many", "too many wrong keys");
    }
    let message = "this is the engineer's page, and this browser has no key to it";
    said(StatusCode::FORBIDDEN, "no-key", message, "open the link that was printed when the hall started", false)
}
