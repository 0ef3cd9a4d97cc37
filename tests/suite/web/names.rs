//! Who is answered, under which name, and what is remembered of whom: codes are looked at first, and the book of the limiter is bounded.

use super::support::{House, KEY, PORT, host, house, send};
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::Request;
use cabjury::model::outside::SystemClock;
use cabjury::testing::desk::Desk;
use cabjury::web::{App, Place, PublicName};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::process::Stdio;
use std::sync::Arc;
use tokio_rustls::rustls;

static CLOCK: SystemClock = SystemClock;

fn get(path: &str, host: &str) -> axum::http::request::Builder {
    Request::get(path).header("host", host)
}

#[tokio::test]
async fn two_hosts_are_refused() {
    let h = house(2);
    // RFC 9112, section 3.2: a request with more than one Host line is answered with 400.
    let two = get(&h.at(""), &host()).header("host", host()).body(Body::empty()).unwrap();
    let said = h.send(two).await.is(400);
    assert_eq!(said.json()["error"]["kind"], "two-hosts");
}

#[tokio::test]
async fn wrong_codes_are_not_remembered_and_are_stopped() {
    let h = house(2);
    let long = "a".repeat(30_000);
    for path in [format!("/api/l/{long}/noise"), format!("/api/l/{long}"), format!("/l/{long}"), "/api/l/a%2fb/noise".to_owned()]
    {
        h.get(&path).await.is(404);
    }
    assert_eq!(h.app.limits.lines(), 0, "what cannot be a code was counted");
    let mut last = 0;
    for n in 0..400 {
        last = h.get(&format!("/api/l/{n:032x}/noise")).await.status.as_u16();
    }
    assert_eq!(last, 429);
    assert_eq!(h.app.limits.lines(), 1, "one line for the address they came from");
    // Somebody else is not held up by it.
    let mut other = get(&h.at(""), &host()).body(Body::empty()).unwrap();
    other.extensions_mut().insert(ConnectInfo(SocketAddr::from(([192, 0, 2, 7], 5000))));
    h.send(other).await.is(200);
}

#[test]
fn the_book_of_the_limiter_is_bounded() {
    let limits = cabjury::web::limits::Limits::default();
    let what = cabjury::web::limits::What::WrongCode;
    for n in 0..50_000u32 {
        limits.from(what, IpAddr::from(n.to_be_bytes()), 100);
    }
    assert!(limits.lines() <= 10_001, "{}", limits.lines());
    // Whoever came too late for a line of their own is counted with all the others.
    assert!(!limits.from(what, IpAddr::from([203, 0, 113, 9]), 100));
    // An IPv6 household has one line, not 2^64.
    let limits = cabjury::web::limits::Limits::default();
    for n in 0..300u128 {
        limits.from(what, IpAddr::from((0x2001_0db8_u128 << 96 | n).to_be_bytes()), 100);
    }
    assert_eq!(limits.lines(), 1);
}

fn behind_a_proxy() -> House {
    let mut h = house(4);
    h.app.desk.stop();
    let desk = Desk::open(&h.folder.join("s"), &CLOCK).unwrap();
    let place = Place {
        address: SocketAddr::from(([127, 0, 0, 1], PORT)),
        lan: false,
        tls: false,
        public: Some(PublicName::new("Desk.example.org").unwrap()),
    };
    h.app = App::at(desk, KEY.to_owned(), place, &CLOCK);
    h
}

async fn of(app: &Arc<App>, request: axum::http::request::Builder) -> super::support::Answer {
    let mut request = request.body(Body::empty()).unwrap();
    request.extensions_mut().insert(ConnectInfo(SocketAddr::from(([127, 0, 0, 1], 5000))));
    send(app, request).await
}

#[tokio::test]
async fn a_public_name_is_answered_and_no_other() {
    let h = behind_a_proxy();
    for (name, status) in [
        ("desk.example.org", 200),
        ("DESK.example.org:443", 200),
        ("desk.example.org:4711", 200),
        ("127.0.0.1:4711", 200),
        ("desk.example.org:80x", 421),
        ("desk.example.org.", 421),
        ("evil.example.org", 421),
        ("xdesk.example.org", 421),
        ("127.0.0.1", 421),
    ] {
        of(&h.app, get(&h.at(""), name)).await.is(status);
    }
    // What a browser sends of the page that the proxy encrypts, and of others.
    for (origin, status) in [("https://desk.example.org", 303), ("https://evil.example.org", 403), ("null", 403)] {
        let cookie = super::support::cookie(&h.app);
        let form = Request::post("/close").header("host", "desk.example.org").header("origin", origin).header("cookie", cookie);
        let form = form.header("content-type", "application/x-www-form-urlencoded");
        of(&h.app, form).await.is(status);
    }
    let tests = of(&h.app, get("/listeners", "desk.example.org").header("cookie", super::support::cookie(&h.app))).await.text();
    assert!(tests.contains(&format!("https://desk.example.org/l/{}", h.code)), "{tests}");
    let let_in = of(&h.app, get(&format!("/?key={KEY}"), "desk.example.org")).await.is(303);
    assert!(let_in.headers["set-cookie"].to_str().unwrap().ends_with("; Secure"));
    assert_eq!(PublicName::new("a b").unwrap_err().explain().kind(), "public-name");
    for wrong in ["", "https://a.example", "a/b", "a..b", "-a", "a b", "a:x", "a@b"] {
        assert!(PublicName::new(wrong).is_err(), "{wrong}");
    }
}

#[tokio::test]
async fn behind_a_proxy_each_address_counts_for_itself() {
    let h = behind_a_proxy();
    let wrong = |n: u32, from: &'static str| get(&format!("/api/l/{n:032x}"), "desk.example.org").header("x-forwarded-for", from);
    for n in 0..200 {
        // What a client claims itself stands before what the proxy adds.
        of(&h.app, wrong(n, "198.51.100.9, 203.0.113.4")).await;
    }
    of(&h.app, wrong(1, "203.0.113.4")).await.is(429);
    of(&h.app, wrong(1, "198.51.100.9")).await.is(404);
    of(&h.app, get(&h.at(""), "desk.example.org").header("x-forwarded-for", "198.51.100.9")).await.is(200);
    // Without a proxy nobody may say where they come from.
    let h = house(2);
    for n in 0..200 {
        of(&h.app, Request::get(format!("/api/l/{n:032x}")).header("host", host()).header("x-forwarded-for", "203.0.113.4"))
            .await;
    }
    of(&h.app, Request::get(h.at("")).header("host", host()).header("x-forwarded-for", "198.51.100.9")).await.is(429);
}

fn talk_encrypted(host: &str, pem: &[u8], request: &str) -> Result<String, String> {
    use rustls::pki_types::pem::PemObject;
    let mut roots = rustls::RootCertStore::empty();
    roots.add(rustls::pki_types::CertificateDer::from_pem_slice(pem).unwrap()).unwrap();
    let config = rustls::ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = rustls::pki_types::ServerName::try_from("127.0.0.1").unwrap();
    let client = rustls::ClientConnection::new(Arc::new(config), name).unwrap();
    let mut line = rustls::StreamOwned::new(client, TcpStream::connect(host).map_err(|e| e.to_string())?);
    line.write_all(request.as_bytes()).map_err(|e| e.to_string())?;
    let mut answer = Vec::new();
    // The desk closes the connection without a farewell of TLS's own; what was said before counts.
    let _ = line.read_to_end(&mut answer);
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

fn encrypted(folder: &crate::program::Desk, args: &[&str]) -> (std::process::Child, serde_json::Value) {
    let mut command = folder.command(&[&["desk", "s", "--json", "--invite", "ann"], args].concat());
    let mut child = command.stdout(Stdio::piped()).stdin(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    (child, serde_json::from_str(&line).unwrap())
}

/// A certificate of the desk's own, and then the very same files given by hand.
#[test]
fn an_encrypted_desk_answers_who_trusts_its_certificate() {
    let folder = crate::program::Desk::new();
    crate::trial_support::played_session(&folder, 2);
    let mut prints = Vec::new();
    for args in [&["--tls-make"] as &[&str], &["--tls-make"], &["--tls", "s/tls/certificate.pem", "s/tls/key.pem"]] {
        let (mut child, ready) = encrypted(&folder, args);
        let url = ready["invitations"][0]["url"].as_str().unwrap();
        assert!(url.starts_with("https://127.0.0.1:") && ready["url"].as_str().unwrap().starts_with("https://"), "{ready}");
        let (host, code) = (url.split('/').nth(2).unwrap(), url.rsplit('/').next().unwrap());
        let pem = std::fs::read(folder.join("s/tls/certificate.pem")).unwrap();
        let request = format!("GET /api/l/{code} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
        let answer = talk_encrypted(host, &pem, &request).unwrap();
        assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("\"phase\":\"ready\""), "{answer}");
        let key = ready["key"].as_str().unwrap();
        let let_in =
            talk_encrypted(host, &pem, &format!("GET /?key={key} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"))
                .unwrap();
        assert!(let_in.contains("; Secure") && !let_in.contains(key), "{let_in}");
        // Unencrypted, nothing is said.
        let mut plain = TcpStream::connect(host).unwrap();
        plain.write_all(request.as_bytes()).unwrap();
        let mut said = Vec::new();
        let _ = plain.read_to_end(&mut said);
        assert!(!String::from_utf8_lossy(&said).contains("HTTP/1.1 200"));
        prints.push(ready["certificate_sha256"].as_str().unwrap().to_owned());
        child.kill().unwrap();
        child.wait().unwrap();
    }
    assert_eq!((prints[0].len(), &prints[0], &prints[0]), (95, &prints[1], &prints[2]), "made once, and kept");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(folder.join("s/tls/key.pem")).unwrap().permissions().mode();
        assert_eq!(mode & 0o077, 0, "others can read the key");
    }
    std::fs::write(folder.join("not.pem"), "nothing").unwrap();
    let refused = folder.run(&["desk", "s", "--json", "--tls", "not.pem", "s/tls/key.pem"]).ends(4).json();
    assert_eq!(refused["error"]["kind"], "certificate");
    folder.run(&["desk", "s", "--public-name", "https://x"]).ends(2);
}
