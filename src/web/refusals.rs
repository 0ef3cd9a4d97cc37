//! What a listener is told when something does not work.

use super::guard::{UnknownCode, said};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use axum::http::StatusCode;
use axum::response::Response;

/// How a failure is answered.
pub(super) fn status_of(error: &Failure) -> StatusCode {
    let explained = error.explain();
    match (explained.kind(), explained.fate()) {
        ("no-invitation" | "no-trial" | "no-slot", _) => StatusCode::NOT_FOUND,
        ("not-a-choice" | "not-heard", _) => StatusCode::UNPROCESSABLE_ENTITY,
        ("session-locked" | "desk-ended", _) => StatusCode::SERVICE_UNAVAILABLE,
        (_, Fate::WrongUse) => StatusCode::UNPROCESSABLE_ENTITY,
        (_, Fate::Refused | Fate::Unfit) => StatusCode::CONFLICT,
        (_, Fate::Failed) => StatusCode::INTERNAL_SERVER_ERROR,
    }
}

/// What went wrong, without a path or a name of anything in the session: a listener reads this.
pub(super) fn problem(error: &Failure) -> Response {
    let status = status_of(error);
    let explained = error.explain();
    let (message, next) = match status {
        StatusCode::NOT_FOUND | StatusCode::UNPROCESSABLE_ENTITY => (explained.to_string(), explained.next()),
        StatusCode::SERVICE_UNAVAILABLE => (
            "the session is in use by another program".to_owned(),
            "wait a moment and try again; if it stays so, tell the engineer".to_owned(),
        ),
        _ if explained.kind() == "in-a-trial" => (explained.to_string(), explained.next()),
        _ if explained.kind() == "panel-full" => {
            ("all places of this test are taken".to_owned(), "ask the engineer for a test with more listeners".to_owned())
        }
        _ => ("the desk could not do this".to_owned(), "tell the engineer: the desk's log pages say more".to_owned()),
    };
    let mut response = said(status, explained.kind(), &message, &next, true);
    if explained.kind() == "no-invitation" {
        response.extensions_mut().insert(UnknownCode);
    }
    response
}

/// Too many sounds.
pub(super) fn too_many() -> Response {
    said(StatusCode::TOO_MANY_REQUESTS, "too-many", "too many downloads in a minute", "wait a minute", true)
}
