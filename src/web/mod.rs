//! The desk and the listening page.
//!
//! * `server`: connections, limits, a stop that finishes what was begun
//! * `app`: what every request may use
//! * [`names`]: by which name the desk is reached; `tls`: certificates; `stall`: connections that stand still; `tokens`: the engineer's browsers
//! * [`guard`]: host, origin, key, code, and the headers of every answer
//! * `listening`: the addresses of the listening page; `slots`: its sounds, with what `sounds` holds for them; `refusals`: what it is told
//! * `presence`: who is at their page; `here`: the stream that tells it
//! * `openly`: what a listener hears openly before a trial, and their own result behind the end
//! * [`texts`]: the listening page's words, one file per language
//! * `panel`: the listeners as data for the engineer's page
//! * `pages`: the engineer's pages, one file each
//! * `actions`: what the engineer's forms do
//! * `forms`: what they send
//! * `jobs`: long work beside the session; `job_pages`: its addresses; `steps`: how far it is
//! * `recording`: the sitting at which the tool records, on a thread of its own; `record_pages`: its addresses
//! * `publishing`: what leaves the session, as jobs; `published`: what was made
//! * `drafts`: what was typed into a form that was refused
//! * `guessing`: what dropped recordings are taken for, by their names
//! * `uploads`: recordings on their way in
//! * `qr`: links as codes for a phone
//! * `assets`: page files, taken in at compile time

mod actions;
mod app;
pub(crate) mod assets;
mod drafts;
mod forms;
pub mod guard;
mod guessing;
mod here;
mod job_pages;
mod jobs;
pub mod limits;
pub(crate) mod listening;
pub mod names;
mod openly;
pub(crate) mod pages;
mod panel;
mod presence;
mod published;
mod publishing;
mod qr;
mod record_pages;
mod recording;
mod refusals;
pub(crate) mod server;
mod slots;
mod sounds;
mod stall;
mod steps;
pub mod texts;
mod tls;
pub(crate) mod tokens;
mod uploads;

pub use app::App;
pub use names::{Place, PublicName};
pub use qr::{picture as qr_picture, text as qr_text};
pub use server::{Options, Ready, serve};
pub use tls::Certificate;

/// The whole site, to be asked without a socket.
pub fn router(app: &std::sync::Arc<App>) -> axum::Router {
    use axum::middleware::from_fn_with_state;
    use axum::routing::{get, post};
    let listening = axum::Router::new()
        .route("/l/{code}", get(listening::page))
        .route("/api/l/{code}", get(listening::status))
        .route("/api/l/{code}/here", get(here::here))
        .route("/api/l/{code}/level", post(listening::level_is_set))
        .route("/api/l/{code}/noise", get(slots::noise))
        .route("/api/l/{code}/training", post(openly::training))
        .route("/api/l/{code}/training/{place}", get(openly::sound))
        .route("/api/l/{code}/result", get(openly::result))
        .route("/api/l/{code}/trials", post(listening::open_trial))
        .route("/api/l/{code}/trials/{trial}/slots/{label}", get(slots::slot))
        .route("/api/l/{code}/trials/{trial}/pick", post(listening::pick))
        .layer(from_fn_with_state(std::sync::Arc::clone(app), guard::code));
    let engineer = pages::routes()
        .merge(actions::routes())
        .merge(uploads::routes())
        .merge(guessing::routes())
        .merge(panel::routes())
        .merge(job_pages::routes())
        .merge(record_pages::routes())
        .merge(publishing::routes())
        .merge(published::routes())
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
