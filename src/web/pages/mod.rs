//! The engineer's pages, one file each. They show no order of an open trial and no score of an open test: what they call does not know them.

mod clips;
mod drop;
pub(super) mod evening;
pub(super) mod layout;
pub(crate) mod listen;
mod listeners;
mod log;
pub(crate) mod publish;
pub(super) mod record;
mod results;
mod runsheet;
pub(super) mod sheet;
mod takes;
pub(super) mod tests;

use super::App;
use super::guard::said;
use crate::model::failure::Failure;
use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::Markup;
use std::path::Path;
use std::sync::Arc;

/// All engineer's pages.
pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/", get(|app: State<Arc<App>>| shown(app, "Rig", sheet::page)))
        .route("/runsheet", get(|app: State<Arc<App>>| shown(app, "Takes", runsheet::page)))
        .route("/record", get(|app: State<Arc<App>>| shown(app, "Record", record::page)))
        .route("/takes", get(|app: State<Arc<App>>| shown(app, "Check", takes::page)))
        .route("/clips", get(|app: State<Arc<App>>| shown(app, "Clips", clips::page)))
        .route("/tests", get(|app: State<Arc<App>>| shown(app, "Test", tests::page)))
        .route("/listeners", get(|app: State<Arc<App>>| shown(app, "Listeners", listeners::page)))
        .route("/cards", get(|app: State<Arc<App>>| shown(app, "Cards", listeners::cards)))
        .route("/results", get(|app: State<Arc<App>>| shown(app, "Verdict", results::page)))
        .route("/publish", get(|app: State<Arc<App>>| shown(app, "Publish", publish::page)))
        .route("/log", get(|app: State<Arc<App>>| shown(app, "Log", log::page)))
        .route("/report", get(results::report))
        .route("/audit", get(log::audit))
}

/// A page: made on another thread, with what the last action had to say.
async fn shown(State(app): State<Arc<App>>, title: &'static str, make: fn(&Path, &App) -> Result<Markup, Failure>) -> Response {
    let inner = Arc::clone(&app);
    match App::apart(move || Ok((make(inner.desk.folder(), &inner)?, evening::head(inner.desk.folder())?))).await {
        Ok((body, head)) => layout::page(title, &head, app.flash().as_ref(), &body).into_response(),
        Err(error) => layout::failed(&error),
    }
}

/// Any other address.
pub(super) async fn not_found(uri: Uri) -> Response {
    let json = uri.path().starts_with("/api/");
    said(StatusCode::NOT_FOUND, "not-found", "there is no such page", "go back to the beginning", json)
}
