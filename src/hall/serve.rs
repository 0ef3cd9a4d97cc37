//! One replica: it draws, encrypts, writes and answers, and holds nothing that another one would miss.

use super::database::Database;
use super::error::HallError;
use super::house::{House, Log, Parts};
use super::key::HallKey;
use super::{answers, guard, pages};
use crate::model::failure::Failure;
use crate::web::assets;
use crate::web::server::{Door, Places, accept, more_files};
use axum::Router;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use serde::Serialize;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;
use tokio::net::TcpListener;

/// Connections that are held at a time: ten thousand visitors and their web server's own.
const CONNECTIONS: usize = 16_384;
/// After a stop, answers that are under way get so long.
const FAREWELL: Duration = Duration::from_secs(5);

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Options {
    /// The database's address.
    pub database: String,
    /// The key's file; else the environment has it.
    pub key: Option<PathBuf>,
    /// Where to listen.
    pub listen: SocketAddr,
    /// Scheme and authority that visitors see; default `http://` and where it listens.
    pub public: Option<String>,
    /// A folder of sounds that this replica serves itself.
    pub sound: Option<PathBuf>,
    /// Where sounds are; default `/sound` of the same origin.
    pub sound_url: Option<String>,
    /// Connections to the database.
    pub connections: usize,
    /// Requests of one address in a minute.
    pub per_address: u32,
    /// Web servers on other machines whose word on a visitor's address is taken; this machine's is taken in any case.
    pub proxies: Vec<IpAddr>,
}

/// What is printed when a replica is ready.
#[derive(Debug, Clone, Serialize)]
pub struct Ready {
    /// Where it listens.
    pub listen: SocketAddr,
    /// What visitors see.
    pub public: String,
    /// The engineer's page, key and all.
    pub engineer: String,
}

/// Serves until `stop` is set, and then finishes what was begun.
///
/// # Errors
/// [`HallError`]: no key, no database, another key's tests, an address that cannot be had.
pub fn serve(options: &Options, stop: &Arc<AtomicBool>, log: Log, ready: impl FnOnce(&Ready)) -> Result<(), Failure> {
    more_files();
    let key = HallKey::read(options.key.as_deref())?;
    let runtime =
        tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(|e| HallError::Start(e.to_string()))?;
    let served = runtime.block_on(run(options, key, stop, log, ready));
    runtime.shutdown_timeout(FAREWELL);
    served
}

async fn run(
    options: &Options,
    key: HallKey,
    stop: &Arc<AtomicBool>,
    log: Log,
    ready: impl FnOnce(&Ready),
) -> Result<(), Failure> {
    let database = Database::at(&options.database, options.connections)?;
    database.migrate().await?;
    let listener = TcpListener::bind(options.listen).await.map_err(|e| HallError::Start(format!("{}: {e}", options.listen)))?;
    let listen = listener.local_addr().map_err(|e| HallError::Start(e.to_string()))?;
    let public = options.public.clone().unwrap_or_else(|| format!("http://{listen}")).trim_end_matches('/').to_owned();
    let sounds_at = options.sound_url.clone().unwrap_or_else(|| "/sound".to_owned()).trim_end_matches('/').to_owned();
    let engineer = format!("{public}/engineer?key={}", key.engineer());
    let sound_folder = options.sound.clone();
    let (per_address, proxies) = (options.per_address, options.proxies.clone());
    let parts = Parts {
        database,
        key,
        public: public.clone(),
        sounds_at,
        sound_folder,
        per_address,
        proxies,
        stop: Arc::clone(stop),
        log,
    };
    let house = House::new(parts)?;
    ready(&Ready { listen, public, engineer });
    let places = Places { all: CONNECTIONS, of_one_address: CONNECTIONS };
    accept(&listener, Door { router: router(&house), places, acceptor: None }, stop, || ()).await;
    Ok(())
}

fn router(house: &Arc<House>) -> Router {
    let engineer =
        Router::new().route("/engineer", get(pages::engineer)).layer(from_fn_with_state(Arc::clone(house), guard::engineer));
    Router::new()
        .route("/h/{test}", get(answers::page))
        .route("/api/h/{test}", get(answers::status))
        .route("/api/h/{test}/level", post(answers::level))
        .route("/api/h/{test}/noise", get(answers::noise))
        .route("/api/h/{test}/result", get(answers::result))
        .route("/api/h/{test}/trials", post(answers::open_trial))
        .route("/api/h/{test}/trials/{trial}/pick", post(answers::pick))
        .route("/sound/{name}", get(answers::sound))
        .route("/assets/{name}", get(assets::asset))
        .route("/health", get(pages::health))
        .route("/ready", get(pages::ready))
        .route("/metrics", get(pages::metrics))
        .merge(engineer)
        .layer(axum::extract::DefaultBodyLimit::max(crate::web::guard::BODY))
        .layer(from_fn_with_state(Arc::clone(house), guard::every_request))
        .with_state(Arc::clone(house))
}
