//! The desk and the listening page.
//!
//! * `server`: connections, limits, a stop that finishes what was begun
//! * `app`: what every request may use
//! * [`names`]: by which name the desk is reached; `tls`: certificates; `stall`: connections that stand still; `tokens`: the engineer's browsers
//! * [`guard`]: host, origin, key, code, and the headers of every answer
//! * `listening`: the addresses of the listening page; `slots`: its sounds, with what `sounds` holds for them; `refusals`: what it is told
//! * `presence`: who is at their page; `here`: the stream that tells it
//! * `panel`: the listeners as data for the engineer's page
//! * `pages`: the engineer's pages, one file each
//! * `actions`: what the engineer's forms do
//! * `forms`: what they send
//! * `jobs`: long work beside the session; `job_pages`: its addresses; `steps`: how far it is
//! * `publishing`: what leaves the session, as jobs
//! * `uploads`: recordings on their way in
//! * `qr`: links as codes for a phone
//! * `assets`: page files, taken in at compile time

mod actions;
mod app;
mod assets;
mod forms;
pub mod guard;
mod here;
mod job_pages;
mod jobs;
pub mod limits;
mod listening;
pub mod names;
mod pages;
mod panel;
mod presence;
mod publishing;
mod qr;
mod refusals;
mod server;
mod slots;
mod sounds;
mod stall;
mod steps;
mod tls;
mod tokens;
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
        .route("/api/l/{code}/trials", post(listening::open_trial))
        .route("/api/l/{code}/trials/{trial}/slots/{label}", get(slots::slot))
        .route("/api/l/{code}/trials/{trial}/pick", post(listening::pick))
        .layer(from_fn_with_state(std::sync::Arc::clone(app), guard::code));
    let engineer = pages::routes()
        .merge(actions::routes())
        .merge(uploads::routes())
        .merge(panel::routes())
        .merge(job_pages::routes())
        .merge(publishing::routes())
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
