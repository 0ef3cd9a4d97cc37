//! Connections: limits on headers and time, a cap, and a stop that finishes what was begun.

use super::App;
use super::names::{Place, PublicName};
use super::stall::Moving;
use super::tls::{Certificate, acceptor};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::Clock;
use crate::testing::desk::Desk;
use crate::verdict::closing::freeze;
use axum::extract::ConnectInfo;
use hyper::Request;
use hyper::body::Incoming;
use hyper::service::{HttpService, Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio_rustls::TlsAcceptor;

/// Connections at a time; one more is dropped.
const CONNECTIONS: usize = 4096;
/// Of these at most so many from one address: no single computer can take all seats from the others.
const CONNECTIONS_PER_ADDRESS: usize = 2048;
/// A client that has not sent its headers by then is let go.
const HEADERS: Duration = Duration::from_secs(15);
/// Largest head of a request.
const HEAD_BYTES: usize = 32 * 1024;
/// A client that takes nothing of what is sent for so long is let go.
const STANDSTILL: Duration = Duration::from_secs(30);
/// After a stop, answers that are under way get so long.
const FAREWELL: Duration = Duration::from_secs(5);

/// What `desk` was asked for.
#[derive(Debug, Clone)]
pub struct Options {
    /// The session.
    pub folder: PathBuf,
    /// The port; `None` for any free one.
    pub port: Option<u16>,
    /// Reachable from the network that this computer is in, not from this computer alone.
    pub lan: bool,
    /// The test to invite to; `None` for the only open one.
    pub test: Option<TestId>,
    /// Who is invited.
    pub invite: Vec<ListenerCode>,
    /// The name by which a reverse proxy, or the certificate, makes it known.
    pub public: Option<PublicName>,
    /// Connections are encrypted with this.
    pub certificate: Option<Certificate>,
}

/// An invitation as it is printed.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Invited {
    /// The listener.
    pub listener: String,
    /// Their page.
    pub url: String,
}

/// What is printed when the desk is ready.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Ready {
    /// The engineer's link, key and all.
    pub url: String,
    /// The key.
    pub key: String,
    /// Who is invited, and where.
    pub invitations: Vec<Invited>,
    /// SHA-256 of the certificate, to compare with what a browser shows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate_sha256: Option<String>,
}

fn failed(kind: &'static str, message: String, next: &str) -> Failure {
    Failure::plain(kind, Fate::Failed, message, next)
}

/// This computer's address in its network: the one that a packet to a far address would be sent from (none is sent; 192.0.2.1 is for
/// documentation, RFC 5737).
fn own_address() -> IpAddr {
    let found = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).and_then(|s| {
        s.connect((Ipv4Addr::new(192, 0, 2, 1), 9))?;
        s.local_addr()
    });
    found.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |a| a.ip())
}

/// A thousand listeners need more open files than a shell allows by default.
pub(crate) fn more_files() {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
        let now = getrlimit(Resource::Nofile);
        // Where it is not allowed, fewer listeners fit; nothing else is wrong.
        let _ = setrlimit(Resource::Nofile, Rlimit { current: now.maximum, maximum: now.maximum });
    }
}

/// Serves a session until `stop` is set. `ready` is called once, when connections are taken.
///
/// # Errors
/// The session cannot be opened; an invitation is refused; the port is taken.
pub fn serve(
    options: &Options,
    clock: &'static dyn Clock,
    stop: &Arc<AtomicBool>,
    ready: impl FnOnce(&Ready),
) -> Result<(), Failure> {
    more_files();
    let desk = Desk::open_closing(&options.folder, clock, freeze)?;
    let mut invited = Vec::new();
    for listener in &options.invite {
        let code = desk.wait(|desk, done| desk.invite(options.test.clone(), listener.clone(), done))?;
        invited.push((listener.to_string(), code));
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| failed("no-runtime", format!("the desk cannot start: {e}"), "close other programs and try again"))?;
    let served = runtime.block_on(run(options, &desk, clock, invited, stop, ready));
    // What is still being worked on (a match, an upload) is finished before the program ends.
    runtime.shutdown_timeout(FAREWELL);
    desk.stop();
    served
}

async fn run(
    options: &Options,
    desk: &Arc<Desk>,
    clock: &'static dyn Clock,
    invited: Vec<(String, String)>,
    stop: &Arc<AtomicBool>,
    ready: impl FnOnce(&Ready),
) -> Result<(), Failure> {
    let bind = if options.lan { Ipv4Addr::UNSPECIFIED } else { Ipv4Addr::LOCALHOST };
    let listener = TcpListener::bind((bind, options.port.unwrap_or(0))).await.map_err(|e| {
        let message = format!("port {} cannot be had: {e}", options.port.unwrap_or(0));
        failed("port-taken", message, "leave --port out, or name another one")
    })?;
    let port =
        listener.local_addr().map_err(|e| failed("port-taken", format!("the port cannot be read: {e}"), "try again"))?.port();
    let address = if options.lan { own_address() } else { IpAddr::V4(Ipv4Addr::LOCALHOST) };
    let key = crate::testing::desk::new_key()?;
    let place = Place {
        address: SocketAddr::new(address, port),
        lan: options.lan,
        tls: options.certificate.is_some(),
        public: options.public.clone(),
    };
    let (acceptor, print) = match &options.certificate {
        Some(from) => acceptor(from, &options.folder, &place).map(|(acceptor, print)| (Some(acceptor), Some(print)))?,
        None => (None, None),
    };
    let app = App::at(Arc::clone(desk), key.clone(), place, clock);
    let (base, local) = (app.base(), app.place.local());
    let invitations = invited.into_iter().map(|(listener, code)| Invited { listener, url: format!("{base}/l/{code}") }).collect();
    ready(&Ready { url: format!("{local}/?key={key}"), key, invitations, certificate_sha256: print });
    let places = Places { all: CONNECTIONS, of_one_address: CONNECTIONS_PER_ADDRESS };
    let door = Door { router: super::router(&app), places, acceptor };
    accept(&listener, door, stop, || app.leave()).await;
    // A job that is under way is stopped, a recording is left, and both clean up behind themselves.
    let gone = async {
        while !(app.recording.close() & app.jobs.close()) {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    let _ = tokio::time::timeout(FAREWELL, gone).await;
    Ok(())
}

/// Seats by address; given back when a connection ends.
#[derive(Default, Clone)]
struct ByAddress(Arc<Mutex<HashMap<IpAddr, usize>>>);

struct OneOf(ByAddress, IpAddr);

impl ByAddress {
    fn take(&self, address: IpAddr, most: usize) -> Option<OneOf> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(address).or_insert(0);
        if *count >= most {
            return None;
        }
        *count += 1;
        Some(OneOf(self.clone(), address))
    }
}

impl Drop for OneOf {
    fn drop(&mut self) {
        let mut all = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.1) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.1);
            }
        }
    }
}

/// How many connections are held at a time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places {
    /// Of all addresses.
    pub(crate) all: usize,
    /// Of one address.
    pub(crate) of_one_address: usize,
}

/// What connections are let into.
pub(crate) struct Door {
    /// The site.
    pub(crate) router: axum::Router,
    /// How many at a time.
    pub(crate) places: Places,
    /// TLS, where it is spoken.
    pub(crate) acceptor: Option<TlsAcceptor>,
}

/// Takes connections until `stop` is set, calls `leave`, and finishes what was begun.
pub(crate) async fn accept(listener: &TcpListener, door: Door, stop: &Arc<AtomicBool>, leave: impl FnOnce()) {
    let Door { router, places, acceptor } = door;
    let seats = Arc::new(Semaphore::new(places.all));
    let by_address = ByAddress::default();
    let (farewell, leaving) = watch::channel(false);
    let mut tick = tokio::time::interval(Duration::from_millis(50));
    while !stop.load(Ordering::Acquire) {
        let (stream, from) = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                // Out of files or a connection that is gone already: the next one may do.
                Err(_) => {
                    tokio::time::sleep(Duration::from_millis(20)).await;
                    continue;
                }
            },
            _ = tick.tick() => continue,
        };
        let Some(one_of) = by_address.take(from.ip(), places.of_one_address) else { continue };
        let Ok(seat) = Arc::clone(&seats).try_acquire_owned() else { continue };
        // Small answers at once: a listener waits for each of them.
        let _ = stream.set_nodelay(true);
        // Laid over the router as a layer, the address would be a copy of every route for every connection.
        let site = TowerToHyperService::new(router.clone());
        let service = service_fn(move |mut request: Request<Incoming>| {
            request.extensions_mut().insert(ConnectInfo(from));
            site.call(request)
        });
        let (leaving, acceptor) = (leaving.clone(), acceptor.clone());
        tokio::spawn(async move {
            let stream = Moving::new(stream, STANDSTILL);
            match acceptor {
                None => talk(stream, service, leaving).await,
                Some(acceptor) => {
                    // Who does not get through the handshake in time is let go like one without a request.
                    if let Ok(Ok(stream)) = tokio::time::timeout(HEADERS, acceptor.accept(stream)).await {
                        talk(stream, service, leaving).await;
                    }
                }
            }
            drop((seat, one_of));
        });
    }
    leave();
    farewell.send_replace(true);
    // All seats free again: every answer that was under way is out.
    let _ = tokio::time::timeout(FAREWELL, seats.acquire_many(u32::try_from(places.all).unwrap_or(u32::MAX))).await;
}

/// One connection to its end.
async fn talk<S, T>(stream: S, service: T, mut leaving: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    T: HttpService<Incoming, ResBody = axum::body::Body, Error = std::convert::Infallible>,
{
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service);
    tokio::pin!(connection);
    tokio::select! {
        // A client that hangs up, or talks nonsense, does not concern us.
        _ = connection.as_mut() => {}
        _ = leaving.changed() => {
            connection.as_mut().graceful_shutdown();
            let _ = tokio::time::timeout(FAREWELL, connection).await;
        }
    }
}
