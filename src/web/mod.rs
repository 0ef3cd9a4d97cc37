//! The desk and the listening page.
//!
//! * `server`: connections, limits, a stop that finishes what was begun
//! * `app`: what every request may use
//! * [`guard`]: host, origin, key, and the headers of every answer
//! * `listening`: the addresses of the listening page
//! * `openly`: what a listener hears openly before a trial, and their own result behind the end
//! * [`texts`]: the listening page's words, one file per language
//! * `presence`: who is at their page; `here`: the stream that tells it
//! * `panel`: the listeners as data for the engineer's page
//! * `pages`: the engineer's pages, one file each
//! * `actions`: what the engineer's forms do
//! * `forms`: what they send
//! * `drafts`: what was typed into a form that was refused
//! * `guessing`: what dropped recordings are taken for, by their names
//! * `uploads`: recordings on their way in
//! * `qr`: links as codes for a phone
//! * `assets`: page files, taken in at compile time

mod actions;
mod app;
mod assets;
mod drafts;
mod forms;
pub mod guard;
mod guessing;
mod here;
pub mod limits;
mod listening;
mod openly;
mod pages;
mod panel;
mod presence;
mod qr;
mod server;
pub mod texts;
mod uploads;

pub use app::App;
pub use qr::{picture as qr_picture, text as qr_text};
pub use server::{Options, Ready, serve};

/// The whole site, to be asked without a socket.
pub fn router(app: &std::sync::Arc<App>) -> axum::Router {
    use axum::middleware::from_fn_with_state;
    use axum::routing::{get, post};
    let listening = axum::Router::new()
        .route("/l/{code}", get(listening::page))
        .route("/api/l/{code}", get(listening::status))
        .route("/api/l/{code}/here", get(here::here))
        .route("/api/l/{code}/level", post(listening::level_is_set))
        .route("/api/l/{code}/noise", get(listening::noise))
        .route("/api/l/{code}/training", post(openly::training))
        .route("/api/l/{code}/training/{place}", get(openly::sound))
        .route("/api/l/{code}/result", get(openly::result))
        .route("/api/l/{code}/trials", post(listening::open_trial))
        .route("/api/l/{code}/trials/{trial}/slots/{label}", get(listening::slot))
        .route("/api/l/{code}/trials/{trial}/pick", post(listening::pick));
    let engineer = pages::routes()
        .merge(actions::routes())
        .merge(uploads::routes())
        .merge(guessing::routes())
        .merge(panel::routes())
        .layer(from_fn_with_state(std::sync::Arc::clone(app), guard::key));
    axum::Router::new()
        .merge(listening)
        .merge(engineer)
        .route("/assets/{name}", get(assets::asset))
        .fallback(pages::not_found)
        .layer(axum::extract::DefaultBodyLimit::max(guard::BODY))
        .layer(from_fn_with_state(std::sync::Arc::clone(app), guard::every_request))
        .with_state(std::sync::Arc::clone(app))
}
