//! The desk under load, as counts and times on this machine: `cargo bench --bench desk`.
//!
//! A release build of the program serves; this process plays the listeners over loopback. Every pick that counts here was acknowledged,
//! which means that it is on disk.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use kept::kept;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

struct Line {
    stream: BufReader<TcpStream>,
    host: String,
    cookie: String,
}

impl Line {
    fn open(host: &str) -> Self {
        let stream = TcpStream::connect(host).unwrap();
        stream.set_nodelay(true).unwrap();
        Self { stream: BufReader::new(stream), host: host.to_owned(), cookie: String::new() }
    }

    fn answer(&mut self) -> (u16, Vec<u8>) {
        let (mut status, mut length) = (0, 0);
        loop {
            let mut line = String::new();
            self.stream.read_line(&mut line).unwrap();
            let line = line.trim_end().to_ascii_lowercase();
            if let Some(rest) = line.strip_prefix("http/1.1 ") {
                status = rest[..3].parse().unwrap();
            } else if let Some(rest) = line.strip_prefix("content-length: ") {
                length = rest.parse().unwrap();
            } else if line.is_empty() {
                break;
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).unwrap();
        (status, body)
    }

    fn head(&self, method: &str, path: &str, length: u64) -> String {
        format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n\r\n",
            self.host, self.cookie
        )
    }

    fn ask(&mut self, method: &str, path: &str, body: &str) -> (u16, Vec<u8>) {
        let head = self.head(method, path, body.len() as u64) + body;
        self.stream.get_mut().write_all(head.as_bytes()).unwrap();
        self.answer()
    }
}

fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cabjury"));
    command.stdin(Stdio::null());
    command
}

fn run(folder: &Path, args: &[&str]) {
    let done = program().args(args).current_dir(folder).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
}

fn tone(path: &Path, seconds: u32, hz: f32) {
    let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut state = 7u32;
    for n in 0..seconds * 48_000 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let t = n as f32 / 48_000.0;
        let noise = (state >> 8) as f32 / 16_777_216.0 - 0.5;
        let v = 0.2 * noise * (1.0 + (t * hz).sin());
        writer.write_sample((v * 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

fn desk(folder: &Path, listeners: usize) -> (Child, serde_json::Value) {
    let names: Vec<String> = (0..listeners).map(|n| format!("p{n}")).collect();
    let mut child = program();
    child.args(["desk", "s", "--json", "--invite"]).args(&names).current_dir(folder).stdout(Stdio::piped());
    let mut child = child.spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    (child, serde_json::from_str(&line).unwrap())
}

fn memory_mb(child: &Child, what: &str) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    let line = text.lines().find(|l| l.starts_with(what)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

/// The cookie that the key is exchanged for.
fn let_in(host: &str, key: &str) -> String {
    let mut line = Line::open(host);
    let head = line.head("GET", &format!("/?key={key}"), 0);
    line.stream.get_mut().write_all(head.as_bytes()).unwrap();
    let mut cookie = String::new();
    loop {
        let mut text = String::new();
        line.stream.read_line(&mut text).unwrap();
        if let Some(rest) = text.trim_end().to_ascii_lowercase().strip_prefix("set-cookie: ") {
            cookie = rest.split(';').next().unwrap().to_owned();
        } else if text.trim_end().is_empty() {
            return cookie;
        }
    }
}

/// Listeners who start together: each fetches all slots of a trial of 10 s clips, as WAV or as FLAC.
fn slots_at_once(folder: &Path, count: usize, form: &'static str) {
    let (mut child, ready) = desk(folder, count);
    let urls: Vec<String> =
        ready["invitations"].as_array().unwrap().iter().map(|i| i["url"].as_str().unwrap().to_owned()).collect();
    let host = urls[0].trim_start_matches("http://").split('/').next().unwrap().to_owned();
    let threads: Vec<_> = urls
        .into_iter()
        .map(|url| {
            let host = host.clone();
            std::thread::spawn(move || {
                let code = url.rsplit('/').next().unwrap().to_owned();
                let mut line = Line::open(&host);
                let (status, body) = line.ask("POST", &format!("/api/l/{code}/trials"), "");
                assert_eq!(status, 201, "{}", String::from_utf8_lossy(&body));
                let trial: serde_json::Value = serde_json::from_slice(&body).unwrap();
                let mut times = Vec::new();
                for slot in trial["slots"].as_array().unwrap() {
                    let asked = Instant::now();
                    let (status, body) = line.ask("GET", slot[form].as_str().unwrap(), "");
                    assert_eq!(status, 200, "{}", String::from_utf8_lossy(&body));
                    times.push((asked.elapsed(), body.len()));
                }
                times
            })
        })
        .collect();
    let mut times: Vec<(Duration, usize)> = threads.into_iter().flat_map(|t| t.join().unwrap()).collect();
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].0.as_secs_f64();
    kept(&format!("{count} listeners fetch slots of 10 s ({form}) 99 %"), at(0.99), "s");
    kept(&format!("memory with {count} listeners who fetch slots ({form})"), memory_mb(&child, "VmHWM"), "MB");
    println!(
        "{count} listeners start together, slots of 10 s ({form}, {:.1} MB each): {:.2} s (median), {:.2} s (99 %), {:.2} s (worst); desk at {:.0} MB at most",
        times[0].1 as f64 / 1e6,
        at(0.5),
        at(0.99),
        at(1.0),
        memory_mb(&child, "VmHWM")
    );
    child.kill().unwrap();
    child.wait().unwrap();
}

/// Thirty who take nothing of what they asked for.
fn slow_readers(folder: &Path) {
    let (mut child, ready) = desk(folder, 30);
    let urls: Vec<String> =
        ready["invitations"].as_array().unwrap().iter().map(|i| i["url"].as_str().unwrap().to_owned()).collect();
    let host = urls[0].trim_start_matches("http://").split('/').next().unwrap().to_owned();
    let mut held = Vec::new();
    for url in urls {
        let code = url.rsplit('/').next().unwrap();
        let mut line = Line::open(&host);
        let (_, body) = line.ask("POST", &format!("/api/l/{code}/trials"), "");
        let trial: serde_json::Value = serde_json::from_slice(&body).unwrap();
        let head = line.head("GET", trial["slots"][0]["audio"].as_str().unwrap(), 0);
        line.stream.get_mut().write_all(head.as_bytes()).unwrap();
        held.push(line);
    }
    std::thread::sleep(Duration::from_secs(2));
    println!("30 readers who take nothing: desk at {:.0} MB", memory_mb(&child, "VmRSS"));
    child.kill().unwrap();
    child.wait().unwrap();
}

fn listeners_at_once(folder: &Path, count: usize) {
    let (mut child, ready) = desk(folder, count);
    let urls: Vec<String> =
        ready["invitations"].as_array().unwrap().iter().map(|i| i["url"].as_str().unwrap().to_owned()).collect();
    let host = urls[0].trim_start_matches("http://").split('/').next().unwrap().to_owned();
    let started = Instant::now();
    let threads: Vec<_> = urls
        .into_iter()
        .enumerate()
        .map(|(n, url)| {
            let host = host.clone();
            std::thread::spawn(move || {
                let code = url.rsplit('/').next().unwrap().to_owned();
                let mut line = Line::open(&host);
                // People do not all press at the same moment, but near enough: within a second.
                std::thread::sleep(Duration::from_millis((n as u64 * 37) % 1000));
                let mut times = Vec::new();
                for _ in 0..6 {
                    let (status, body) = line.ask("POST", &format!("/api/l/{code}/trials"), "");
                    assert_eq!(status, 201, "{}", String::from_utf8_lossy(&body));
                    let trial: serde_json::Value = serde_json::from_slice(&body).unwrap();
                    let path = format!("/api/l/{code}/trials/{}/pick", trial["trial"].as_str().unwrap());
                    for slot in trial["slots"].as_array().unwrap() {
                        assert_eq!(line.ask("GET", slot["audio"].as_str().unwrap(), "").0, 200);
                    }
                    let asked = Instant::now();
                    let (status, _) = line.ask("POST", &path, r#"{"choice":"A"}"#);
                    assert_eq!(status, 200);
                    times.push(asked.elapsed());
                    std::thread::sleep(Duration::from_millis(150));
                }
                times
            })
        })
        .collect();
    let mut times: Vec<Duration> = threads.into_iter().flat_map(|t| t.join().unwrap()).collect();
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1000.0;
    kept(&format!("a pick of {count} listeners acknowledged 99 %"), at(0.99), "ms");
    println!(
        "{count} listeners at once: {} picks in {:.1} s, acknowledged after {:.1} ms (median), {:.1} ms (99 %), {:.1} ms (worst)",
        times.len(),
        started.elapsed().as_secs_f64(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    println!("  memory of the desk: {:.0} MB at most", memory_mb(&child, "VmHWM"));
    let mut held: Vec<Line> = (0..1000).map(|_| Line::open(&host)).collect();
    for line in &mut held {
        assert_eq!(line.ask("GET", "/assets/listen.css", "").0, 200);
    }
    println!("1000 connections held, each answered; memory {:.0} MB", memory_mb(&child, "VmRSS"));
    drop(held);
    child.kill().unwrap();
    child.wait().unwrap();
}

fn first_paint(folder: &Path) {
    let (mut child, ready) = desk(folder, 1);
    let url = ready["invitations"][0]["url"].as_str().unwrap().to_owned();
    let (host, code) = (url.trim_start_matches("http://").split('/').next().unwrap(), url.rsplit('/').next().unwrap());
    let mut line = Line::open(host);
    let started = Instant::now();
    let mut bytes = 0;
    for path in [
        format!("/l/{code}"),
        "/assets/listen.css".into(),
        "/assets/listen.js".into(),
        "/assets/player.js".into(),
        format!("/api/l/{code}"),
    ] {
        bytes += line.ask("GET", &path, "").1.len();
    }
    kept("the listening page", bytes as f64 / 1e3, "kB");
    println!("the listening page: {bytes} bytes, all answered in {:.1} ms on loopback", started.elapsed().as_secs_f64() * 1000.0);
    child.kill().unwrap();
    child.wait().unwrap();
}

fn large_upload(folder: &Path) {
    let (mut child, ready) = desk(folder, 1);
    let url = ready["url"].as_str().unwrap();
    let host = url.trim_start_matches("http://").split('/').next().unwrap();
    let mut line = Line::open(host);
    line.cookie = let_in(host, ready["key"].as_str().unwrap());
    let size: u64 = 1 << 30;
    let before = memory_mb(&child, "VmHWM");
    let head = line.head("POST", "/takes/upload?name=large.bin&setup=one&mic=main", size);
    line.stream.get_mut().write_all(head.as_bytes()).unwrap();
    let block = vec![0x55u8; 1 << 20];
    let started = Instant::now();
    for _ in 0..1024 {
        line.stream.get_mut().write_all(&block).unwrap();
    }
    let received = started.elapsed();
    let (status, body) = line.answer();
    kept("memory after an upload of 1 GiB", memory_mb(&child, "VmHWM"), "MB");
    println!(
        "an upload of 1 GiB (no recording, so it is refused at its end: {status}): received in {:.1} s, memory {:.0} MB before, {:.0} MB at most",
        received.as_secs_f64(),
        before,
        memory_mb(&child, "VmHWM")
    );
    assert!(status == 422 || status == 409, "{}", String::from_utf8_lossy(&body));
    child.kill().unwrap();
    child.wait().unwrap();
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    tone(&at.join("one.wav"), 3, 20.0);
    tone(&at.join("two.wav"), 3, 33.0);
    run(at, &["new", "s", "one=one.wav", "two=two.wav"]);
    run(at, &["match", "s", "--as-recorded"]);
    run(at, &["plan", "s", "--compare", "one,two", "--as-recorded", "--trials", "6", "--listeners", "201"]);
    first_paint(at);
    listeners_at_once(at, 200);
    large_upload(at);
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    tone(&at.join("one.wav"), 10, 20.0);
    tone(&at.join("two.wav"), 10, 33.0);
    run(at, &["new", "s", "one=one.wav", "two=two.wav"]);
    run(at, &["match", "s", "--as-recorded"]);
    run(at, &["plan", "s", "--compare", "one,two", "--as-recorded", "--trials", "6", "--listeners", "1000"]);
    slots_at_once(at, 200, "audio");
    slots_at_once(at, 200, "flac");
    slow_readers(at);
}
