//! What is sent to the desk that no browser sends: nonsense, heads without an end, forged keys, ten thousand connections. The listener who
//! is in the middle of a trial notices nothing.

use super::killed::{Line, open};
use super::support::{KEY, PORT, host, house};
use crate::program::{Desk as Folder, most_files};
use crate::trial_support::played_session;
use axum::body::Body;
use axum::http::Request;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::Child;
use std::time::{Duration, Instant};

struct Serving {
    child: Child,
    host: String,
    code: String,
    folder: Folder,
}

impl Serving {
    fn new() -> Self {
        let folder = Folder::new();
        played_session(&folder, 3);
        folder.run(&["plan", "s", "--compare", "one,two", "--trials", "100"]).ends(0);
        let (child, host, mut codes) = open(&folder, &["p1"]);
        Self { child, host, code: codes.remove(0), folder }
    }

    /// One whole trial on a line that is kept.
    fn trial(&self, line: &mut Line) {
        let (status, body) = line.ask("POST", &format!("/api/l/{}/trials", self.code), "").unwrap();
        assert_eq!(status, 201, "{body}");
        let trial: serde_json::Value = serde_json::from_str(&body).unwrap();
        let pick = format!("/api/l/{}/trials/{}/pick", self.code, trial["trial"].as_str().unwrap());
        line.hears(&trial).unwrap();
        let (status, body) = line.ask("POST", &pick, r#"{"choice":"A"}"#).unwrap();
        assert_eq!(status, 200, "{body}");
    }

    fn ends_well(mut self, trials: u64) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        let score = self.folder.run(&["score", "s", "--json"]).ends(0).json();
        assert_eq!(score["tests"][1]["done"], trials);
        assert_eq!(self.folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        // A test that failed leaves no desk behind.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Sends bytes, and returns the status of the answer; 0 when the line was only closed.
fn raw(host: &str, bytes: &[u8]) -> u16 {
    let mut stream = TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(120))).unwrap();
    // The desk may hang up before it has read all.
    let _ = stream.write_all(bytes);
    let mut answer = [0u8; 64];
    match stream.read(&mut answer) {
        Ok(n) if n > 12 => std::str::from_utf8(&answer[9..12]).unwrap().parse().unwrap_or(0),
        _ => 0,
    }
}

#[test]
fn nonsense_is_refused_and_the_listener_notices_nothing() {
    let desk = Serving::new();
    let mut line = Line::open(&desk.host).unwrap();
    desk.trial(&mut line);
    let host = &desk.host;
    let head = |first: &str| format!("{first}\r\nHost: {host}\r\nConnection: close\r\n\r\n").into_bytes();
    let api = format!("/api/l/{}", desk.code);
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("no HTTP", b"hello there\r\n\r\n".to_vec()),
        ("TLS", vec![0x16, 3, 1, 2, 0, 1, 0, 1, 0xfc, 3, 3, 13, 10, 13, 10]),
        ("an invented method", head(&format!("FROBNICATE {api} HTTP/1.1"))),
        ("TRACE", head(&format!("TRACE {api} HTTP/1.1"))),
        ("CONNECT", head("CONNECT example.invalid:80 HTTP/1.1")),
        ("a foreign absolute address", head("GET http://example.invalid/ HTTP/1.1")),
        ("steps upwards", head("GET /../../etc/passwd HTTP/1.1")),
        ("steps upwards, escaped", head("GET /assets/..%2f..%2fsession.db HTTP/1.1")),
        ("a file of the session", head("GET /session.db HTTP/1.1")),
        ("a null byte", head("GET /assets/page.css%00.js HTTP/1.1")),
        ("a very long path", head(&format!("GET /{} HTTP/1.1", "x".repeat(20_000)))),
        ("no host", b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n".to_vec()),
        (
            "two hosts",
            format!("GET {api} HTTP/1.1\r\nHost: example.invalid\r\nHost: {host}\r\nConnection: close\r\n\r\n").into_bytes(),
        ),
        ("an old version", b"GET / HTTP/0.9\r\n\r\n".to_vec()),
        ("a header of 64 kB", format!("GET {api} HTTP/1.1\r\nHost: {host}\r\nX: {}\r\n\r\n", "y".repeat(65_536)).into_bytes()),
        ("ten thousand headers", format!("GET {api} HTTP/1.1\r\nHost: {host}\r\n{}\r\n", "a: b\r\n".repeat(10_000)).into_bytes()),
        (
            "a length and chunks at once",
            format!(
                "POST {api}/trials HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nContent-Length: 4\r\n\
                 Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\n\r\n"
            )
            .into_bytes(),
        ),
        (
            "a length below zero",
            format!("POST {api}/trials HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nContent-Length: -1\r\n\r\n")
                .into_bytes(),
        ),
    ];
    for (what, bytes) in cases {
        let status = raw(host, &bytes);
        // A request with both a length and chunks may be read by its chunks (RFC 9112, 6.3) if the line is closed after it.
        let fine = status == 0 || (400..500).contains(&status) || (what.starts_with("a length and chunks") && status == 201);
        assert!(fine, "{what}: {status}");
        if status == 201 {
            continue;
        }
    }
    // Whatever was opened above is the listener's own trial, answered like any other.
    let (_, body) = line.ask("GET", &api, "").unwrap();
    let seat: serde_json::Value = serde_json::from_str(&body).unwrap();
    let mut done = 1;
    if let Some(id) = seat["open_trial"]["trial"].as_str() {
        line.hears(&seat["open_trial"]).unwrap();
        assert_eq!(line.ask("POST", &format!("{api}/trials/{id}/pick"), r#"{"choice":"A"}"#).unwrap().0, 200);
        done += 1;
    }
    desk.trial(&mut line);
    desk.ends_well(done + 1);
}

#[test]
fn heads_without_an_end_are_let_go() {
    let desk = Serving::new();
    let mut line = Line::open(&desk.host).unwrap();
    let slow: Vec<TcpStream> = (0..300)
        .map(|_| {
            let mut stream = TcpStream::connect(&desk.host).unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nHost: 127").unwrap();
            stream
        })
        .collect();
    desk.trial(&mut line);
    // Each of them is closed by the desk, with or without a word.
    for mut stream in slow {
        stream.set_read_timeout(Some(Duration::from_secs(120))).unwrap();
        let mut rest = Vec::new();
        stream.read_to_end(&mut rest).unwrap_or_else(|e| panic!("still open after two minutes: {e}"));
    }
    let mut line = Line::open(&desk.host).unwrap();
    desk.trial(&mut line);
    desk.ends_well(2);
}

#[tokio::test]
async fn ten_thousand_connections_take_no_seat_from_the_listener() {
    let desk = Serving::new();
    let wanted = 10_000.min(most_files().saturating_sub(1000));
    println!("{wanted} connections");
    let host: SocketAddr = desk.host.parse().unwrap();
    let mut held = Vec::new();
    for i in 0..wanted {
        // All from one address: it may have half of the desk's seats.
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        if i % 100 == 99 {
            // The desk has to keep up with taking them.
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        if let Ok(Ok(stream)) = tokio::time::timeout(Duration::from_secs(20), socket.connect(host)).await {
            held.push(stream);
        }
    }
    assert!(held.len() > wanted / 2, "{} of {wanted}", held.len());
    // Another computer gets a seat, and its listener a trial.
    let other = tokio::net::TcpSocket::new_v4().unwrap();
    other.bind("127.0.0.2:0".parse().unwrap()).unwrap();
    let stream = other.connect(host).await.unwrap().into_std().unwrap();
    stream.set_nonblocking(false).unwrap();
    let mut line = Line::over(stream, &desk.host).unwrap();
    desk.trial(&mut line);
    drop(held);
    // Their seats are free again.
    let patience = Instant::now();
    while raw(&desk.host, format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").as_bytes()) == 0 {
        assert!(patience.elapsed() < Duration::from_secs(120), "the seats of the gone are never free");
    }
    desk.ends_well(1);
}

#[tokio::test]
async fn forged_keys_open_nothing() {
    let h = house(2);
    let other = PORT + 1;
    let long = "0".repeat(8000);
    for cookie in [
        format!("cabjury-{other}={KEY}"),
        format!("cabjury-{PORT}={}", &KEY[..31]),
        format!("cabjury-{PORT}={KEY}0"),
        format!("cabjury-{PORT}={}", KEY.to_uppercase()),
        format!("cabjury-{PORT}=\"{KEY}\""),
        format!("cabjury-{PORT}="),
        format!("xcabjury-{PORT}={KEY}"),
        format!("cabjury-{PORT}={long}"),
    ] {
        let request = Request::get("/takes").header("host", host()).header("cookie", &cookie);
        let answer = h.send(request.body(Body::empty()).unwrap()).await;
        assert_eq!(answer.status.as_u16(), 403, "{cookie:.60}");
    }
}
