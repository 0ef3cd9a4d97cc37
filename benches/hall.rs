//! The hall under load: `cargo bench --features hall --bench hall`.
//!
//! Open loop: visitors begin their trials at a fixed rate, whatever the hall does, and times count from when a request was due. Beside it, in
//! the same run on the same cluster, pgbench writes the same two rows of a trial. Everything goes over loopback and a socket of this machine.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

#[path = "../tests/suite/hall/cluster.rs"]
#[expect(dead_code, reason = "the tests' faults are not wanted here")]
mod cluster;

use cluster::Cluster;
use kept::kept;
use serde_json::Value;
use std::io::{BufRead, BufReader as Lines};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;

const TRIALS: u32 = 12;
const SECONDS: u64 = 8;
/// Three slots cannot have sounded sooner.
const LISTENS: Duration = Duration::from_millis(950);

fn program(folder: &Path, cluster: &Cluster) -> Command {
    let mut command = Command::new(std::env::var("CABJURY").unwrap_or(env!("CARGO_BIN_EXE_cabjury").to_owned()));
    command.current_dir(folder).env("CABJURY_HALL_DATABASE", cluster.url()).stdin(Stdio::null());
    command
}

fn run(folder: &Path, cluster: &Cluster, args: &[&str]) -> String {
    let done = program(folder, cluster).args(args).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

fn tone(path: &Path, hz: f32) {
    let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut state = 7u32;
    for n in 0..4 * 48_000 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = (state >> 9) as f32 / 8_388_608.0 - 0.5;
        let tone = (std::f32::consts::TAU * hz * n as f32 / 48_000.0).sin();
        writer.write_sample(((0.2 * tone + 0.2 * noise) * 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

struct Replica(Child, String);

impl Replica {
    fn start(folder: &Path, cluster: &Cluster) -> Self {
        let args = [
            "hall",
            "serve",
            "--json",
            "--key",
            "key",
            "--listen",
            "127.0.0.1:0",
            "--connections",
            "24",
            "--per-address",
            "4000000000",
        ];
        let mut child = program(folder, cluster).args(args).stdout(Stdio::piped()).stderr(Stdio::inherit()).spawn().unwrap();
        let mut line = String::new();
        Lines::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let ready: Value = serde_json::from_str(&line).unwrap();
        Self(child, ready["listen"].as_str().unwrap().to_owned())
    }

    /// Memory in MB and processor time in seconds so far.
    fn used(&self) -> (f64, f64) {
        let read = |name: &str| std::fs::read_to_string(format!("/proc/{}/{name}", self.0.id())).unwrap();
        let rss = read("status").lines().find_map(|l| l.strip_prefix("VmRSS:").map(str::to_owned)).unwrap();
        let kb: f64 = rss.trim().trim_end_matches(" kB").parse().unwrap();
        let stat = read("stat");
        let ticks: f64 =
            stat.rsplit(')').next().unwrap().split_whitespace().skip(11).take(2).map(|t| t.parse::<f64>().unwrap()).sum();
        (kb / 1024.0, ticks / 100.0)
    }
}

impl Drop for Replica {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Connections that are kept, as a web server in front keeps them.
#[derive(Clone)]
struct Line(Arc<Mutex<Vec<BufReader<TcpStream>>>>, String);

impl Line {
    async fn ask(&self, method: &str, path: &str, cookie: &str, body: &str) -> std::io::Result<(u16, String, Vec<u8>)> {
        let kept = self.0.lock().unwrap().pop();
        let mut stream = match kept {
            Some(stream) => stream,
            None => {
                let stream = TcpStream::connect(&self.1).await?;
                stream.set_nodelay(true)?;
                BufReader::new(stream)
            }
        };
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nCookie: {cookie}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.1,
            body.len()
        );
        stream.get_mut().write_all(head.as_bytes()).await?;
        let (mut status, mut length, mut cookie) = (0, 0, String::new());
        loop {
            let mut line = String::new();
            if stream.read_line(&mut line).await? == 0 {
                return Err(std::io::ErrorKind::UnexpectedEof.into());
            }
            let line = line.trim_end();
            if let Some(rest) = line.strip_prefix("HTTP/1.1 ") {
                status = rest[..3].parse().unwrap();
            } else if let Some(rest) = line.strip_prefix("content-length: ") {
                length = rest.parse().unwrap();
            } else if let Some(rest) = line.strip_prefix("set-cookie: ") {
                cookie = rest.split(';').next().unwrap().to_owned();
            } else if line.is_empty() {
                break;
            }
        }
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await?;
        self.0.lock().unwrap().push(stream);
        Ok((status, cookie, body))
    }
}

/// A trial from its due time on: seconds until it was open, and from when the pick was due until it was acknowledged.
async fn trial(line: Line, test: String, cookie: String, due: Instant) -> Option<(f64, f64)> {
    let (status, _, body) = line.ask("POST", &format!("/api/h/{test}/trials"), &cookie, "").await.ok()?;
    let opened = due.elapsed().as_secs_f64();
    if status != 201 {
        return None;
    }
    let trial: Value = serde_json::from_slice(&body).unwrap();
    let heard: Vec<Value> = ["A", "B", "X"].iter().map(|l| serde_json::json!({ "label": l, "times": 1, "ms": 400 })).collect();
    let body = serde_json::json!({ "choice": "A", "heard": heard }).to_string();
    tokio::time::sleep(LISTENS).await;
    let due = Instant::now();
    let path = format!("/api/h/{test}/trials/{}/pick", trial["trial"].as_str().unwrap());
    let (status, ..) = line.ask("POST", &path, &cookie, &body).await.ok()?;
    (status == 200).then(|| (opened, due.elapsed().as_secs_f64()))
}

fn at(sorted: &[f64], share: f64) -> f64 {
    sorted.get(((sorted.len() as f64 * share) as usize).min(sorted.len().saturating_sub(1))).map_or(f64::NAN, |s| 1e3 * s)
}

async fn load(replicas: &[Replica], test: &str, rate: u64) {
    let lines: Vec<Line> = replicas.iter().map(|r| Line(Arc::default(), r.1.clone())).collect();
    let people = (rate * SECONDS).div_ceil(u64::from(TRIALS)).max(2 * rate);
    let mut cookies = Vec::new();
    for n in 0..people {
        let (_, cookie, _) = lines[n as usize % lines.len()].ask("GET", &format!("/h/{test}"), "", "").await.unwrap();
        cookies.push(cookie);
    }
    let before: Vec<_> = replicas.iter().map(Replica::used).collect();
    let (begun, mut going) = (Instant::now(), Vec::new());
    for n in 0..rate * SECONDS {
        let due = begun + Duration::from_secs_f64(n as f64 / rate as f64);
        tokio::time::sleep_until(due.into()).await;
        let line = lines[n as usize % lines.len()].clone();
        going.push(tokio::spawn(trial(line, test.to_owned(), cookies[(n % people) as usize].clone(), due)));
    }
    let (mut opened, mut picked, mut failed) = (Vec::new(), Vec::new(), 0);
    for one in going {
        match one.await.unwrap() {
            Some((o, p)) => {
                opened.push(o);
                picked.push(p);
            }
            None => failed += 1,
        }
    }
    let seconds = begun.elapsed().as_secs_f64() - LISTENS.as_secs_f64();
    opened.sort_by(f64::total_cmp);
    picked.sort_by(f64::total_cmp);
    let used: Vec<String> = replicas
        .iter()
        .zip(&before)
        .map(|(r, b)| (r.used(), b))
        .map(|(now, b)| format!("{:.0} MB {:.0} %", now.0, 100.0 * (now.1 - b.1) / seconds))
        .collect();
    kept(&format!("{} replicas at {rate} trials/s", replicas.len()), 2.0 * picked.len() as f64 / seconds, "commits/s");
    println!(
        "{} replicas, {rate:>5} trials/s due: {:>6.0} commits/s, opened p50 {:.1} p99 {:.1} p99.9 {:.1} ms, picked p50 {:.1} p99 {:.1} p99.9 {:.1} ms, {failed} failed; {}",
        replicas.len(),
        2.0 * picked.len() as f64 / seconds,
        at(&opened, 0.5),
        at(&opened, 0.99),
        at(&opened, 0.999),
        at(&picked, 0.5),
        at(&picked, 0.99),
        at(&picked, 0.999),
        used.join(", ")
    );
}

/// The same two rows by pgbench, each a transaction of its own.
fn pgbench(folder: &Path, cluster: &Cluster, test: &str) {
    let script = format!(
        "insert into hall_trials (trial, test, visitor, number, commitment, sealed) select decode(md5(random()::text), 'hex'), test, \
         decode(md5(random()::text), 'hex'), 1, decode(md5(random()::text) || md5(random()::text), 'hex'), decode(repeat('5a', 131), 'hex') \
         from hall_tests where test = decode('{test}', 'hex') and closed_at is null returning quote_literal(encode(trial, 'hex')) as t \\gset\n\
         insert into hall_picks (trial, choice, heard) select decode(:t, 'hex'), 'A', repeat('h', 110) from hall_tests where test = \
         decode('{test}', 'hex') and closed_at is null on conflict do nothing returning picked_at;\n"
    );
    let file = folder.join("insert.sql");
    std::fs::write(&file, script).unwrap();
    // The cluster's user reads it.
    std::fs::set_permissions(folder, std::os::unix::fs::PermissionsExt::from_mode(0o755)).unwrap();
    for clients in ["8", "24"] {
        let socket = cluster.socket();
        let script = file.display().to_string();
        let args = ["-h", &socket, "-U", "hall", "-n", "-c", clients, "-j", "2", "-T", "6", "-f", &script, "hall"];
        let out = cluster.command("pgbench", &args).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let text = String::from_utf8(out.stdout).unwrap();
        let tps: f64 =
            text.lines().find_map(|l| l.strip_prefix("tps = ")).and_then(|l| l.split(' ').next()).unwrap().parse().unwrap();
        kept(&format!("pgbench with {clients} clients"), 2.0 * tps, "commits/s");
        println!("pgbench, {clients} clients, the same two rows: {:.0} commits/s", 2.0 * tps);
    }
}

fn main() {
    let folder = tempfile::TempDir::with_prefix("cabjury-bench-").unwrap();
    let (cluster, path) = (Cluster::start(), folder.path());
    tone(&path.join("one.wav"), 220.0);
    tone(&path.join("two.wav"), 330.0);
    for args in [&["new", "s", "one=one.wav", "two=two.wav"][..], &["match", "s"]] {
        run(path, &cluster, args);
    }
    run(path, &cluster, &["plan", "s", "--compare", "one,two", "--audience", "--trials", &TRIALS.to_string()]);
    let doc: Value = serde_json::from_str(&run(
        path,
        &cluster,
        &["hall", "publish", "s", "--test", "test-1", "--sound", "sound", "--key", "key", "--variants", "8", "--json"],
    ))
    .unwrap();
    let test = doc["hall"].as_str().unwrap().to_owned();
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let most: u64 = std::env::var("CABJURY_RATE").ok().and_then(|r| r.parse().ok()).unwrap_or(800);
    pgbench(path, &cluster, &test);
    for replicas in 1..=3 {
        let all: Vec<Replica> = (0..replicas).map(|_| Replica::start(path, &cluster)).collect();
        let mut rate = 50;
        while rate <= most {
            runtime.block_on(load(&all, &test, rate));
            rate *= 2;
        }
    }
    pgbench(path, &cluster, &test);
}
