//! A published test, its replicas, and visitors with a browser's cookie.

use super::cluster::Cluster;
use crate::program::Desk as Folder;
use crate::trial_support::matched_session;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A replica as a process.
pub(super) struct Replica {
    child: Child,
    pub(super) host: String,
    pub(super) engineer: String,
}

impl Replica {
    /// As a power cut ends it.
    pub(super) fn cut(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// What it holds in memory now.
    pub(super) fn memory_mb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<f64>().unwrap() / 1024.0
    }

    /// SIGTERM: the exit code.
    pub(super) fn ends(mut self) -> Option<i32> {
        Command::new("kill").arg(self.child.id().to_string()).status().unwrap();
        self.child.wait().unwrap().code()
    }
}

impl Drop for Replica {
    fn drop(&mut self) {
        self.cut();
    }
}

/// A session with a test for an audience, and its database.
pub(super) struct Hall {
    pub(super) folder: Folder,
    pub(super) cluster: Cluster,
    /// The test's name in the hall.
    pub(super) test: String,
}

/// What a visitor was answered.
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) head: String,
    pub(super) body: Vec<u8>,
}

impl Answer {
    pub(super) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    #[track_caller]
    pub(super) fn is(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}\n{}", self.head, String::from_utf8_lossy(&self.body));
        self
    }

    /// A line of the head, in small letters.
    pub(super) fn header(&self, name: &str) -> Option<String> {
        self.head.lines().find_map(|l| l.strip_prefix(&format!("{name}: ")).map(str::to_owned))
    }
}

impl Hall {
    /// A session whose test of so many trials was published, four sounds of each clip.
    pub(super) fn published(trials: u32) -> Self {
        Self::published_in(Cluster::start(), trials)
    }

    pub(super) fn published_in(cluster: Cluster, trials: u32) -> Self {
        let mut hall = Self::sealed_in(cluster, trials);
        let doc = hall.run(&[
            "hall",
            "publish",
            "s",
            "--test",
            "test-1",
            "--sound",
            "sound",
            "--key",
            "key",
            "--variants",
            "4",
            "--json",
        ]);
        hall.test = doc["hall"].as_str().unwrap().to_owned();
        hall
    }

    /// The same before it is published.
    pub(super) fn sealed(trials: u32) -> Self {
        Self::sealed_in(Cluster::start(), trials)
    }

    fn sealed_in(cluster: Cluster, trials: u32) -> Self {
        let folder = Folder::new();
        matched_session(&folder);
        let trials = trials.to_string();
        folder.run(&["plan", "s", "--compare", "one,two", "--audience", "--design", "paired", "--trials", &trials]).ends(0);
        Self { folder, cluster, test: String::new() }
    }

    pub(super) fn command(&self, args: &[&str]) -> Command {
        let mut command = self.folder.command(args);
        command.env("CABJURY_HALL_DATABASE", self.cluster.url());
        command
    }

    /// Runs a command that ends well, and gives its document.
    #[track_caller]
    pub(super) fn run(&self, args: &[&str]) -> Value {
        let out = self.command(args).output().unwrap();
        let text = String::from_utf8_lossy(&out.stdout).into_owned();
        assert!(out.status.success(), "{args:?}\n{text}\n{}", String::from_utf8_lossy(&out.stderr));
        serde_json::from_str(&text).unwrap_or(Value::Null)
    }

    /// Runs a command that is refused, and gives the error's kind.
    #[track_caller]
    pub(super) fn refused(&self, args: &[&str], code: i32) -> String {
        let out = self.command(args).output().unwrap();
        let doc: Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(out.status.code(), Some(code), "{doc}");
        doc["error"]["kind"].as_str().unwrap().to_owned()
    }

    pub(super) fn begin(&self, more: &[&str]) -> Child {
        let mut args = vec!["hall", "serve", "--json", "--key", "key", "--sound", "sound", "--listen", "127.0.0.1:0"];
        args.extend(more);
        self.command(&args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap()
    }

    pub(super) fn ready(mut child: Child) -> Replica {
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let ready: Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line:?}"));
        let text = |key: &str| ready[key].as_str().unwrap().to_owned();
        Replica { child, host: text("listen"), engineer: text("engineer") }
    }

    pub(super) fn replica(&self) -> Replica {
        Self::ready(self.begin(&[]))
    }

    pub(super) fn visitor(&self, host: &str) -> Visitor {
        let page = ask(host, "GET", &format!("/h/{}", self.test), "", "").unwrap().is(200);
        let cookie = page.header("set-cookie").expect("a place").split(';').next().unwrap().to_owned();
        Visitor { cookie, test: self.test.clone() }
    }
}

/// A request over a connection of its own. The head comes back in small letters.
pub(super) fn ask(host: &str, method: &str, path: &str, cookie: &str, body: &str) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(host)?;
    stream.set_read_timeout(Some(Duration::from_secs(30)))?;
    let cookie = if cookie.is_empty() { String::new() } else { format!("Cookie: {cookie}\r\n") };
    let kind = if body.is_empty() { "" } else { "Content-Type: application/json\r\n" };
    let length = body.len();
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{cookie}{kind}Content-Length: {length}\r\n\r\n{body}"
    )?;
    let mut all = Vec::new();
    stream.read_to_end(&mut all)?;
    let end = all.windows(4).position(|w| w == b"\r\n\r\n").ok_or(std::io::ErrorKind::UnexpectedEof)?;
    let head = String::from_utf8_lossy(&all[..end]).replace("\r\n", "\n");
    let mut lines = head.lines();
    let status =
        lines.next().and_then(|l| l.split(' ').nth(1)).and_then(|s| s.parse().ok()).ok_or(std::io::ErrorKind::InvalidData)?;
    let lower = |l: &str| l.split_once(": ").map_or_else(|| l.to_owned(), |(n, v)| format!("{}: {v}", n.to_ascii_lowercase()));
    let head = lines.map(lower).collect::<Vec<_>>().join("\n");
    Ok(Answer { status, head, body: all[end + 4..].to_vec() })
}

/// A browser's place.
#[derive(Clone)]
pub(super) struct Visitor {
    pub(super) cookie: String,
    pub(super) test: String,
}

/// How a pick is sent: every slot reported as heard.
pub(super) fn picked(trial: &Value, choice: &str) -> String {
    let heard: Vec<Value> = trial["slots"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| serde_json::json!({ "label": s["label"], "times": 1, "ms": 400 }))
        .collect();
    serde_json::json!({ "choice": choice, "heard": heard }).to_string()
}

/// Three slots cannot have sounded sooner.
pub(super) const LISTENS: Duration = Duration::from_millis(950);

impl Visitor {
    pub(super) fn ask(&self, host: &str, method: &str, path: &str, body: &str) -> std::io::Result<Answer> {
        ask(host, method, &format!("/api/h/{}{path}", self.test), &self.cookie, body)
    }

    pub(super) fn opens(&self, host: &str) -> Value {
        self.ask(host, "POST", "/trials", "").unwrap().is(201).json()
    }

    pub(super) fn picks(&self, host: &str, trial: &Value, choice: &str) -> std::io::Result<Answer> {
        self.ask(host, "POST", &format!("/trials/{}/pick", trial["trial"].as_str().unwrap()), &picked(trial, choice))
    }

    /// Answers so many trials, each by what `choose` says of its number.
    pub(super) fn answers(&self, host: &str, trials: u32, choose: impl Fn(u32) -> &'static str) -> Vec<Value> {
        let mut receipts = Vec::new();
        for number in 1..=trials {
            let trial = self.opens(host);
            std::thread::sleep(LISTENS);
            let answer = self.picks(host, &trial, choose(number)).unwrap().is(200).json();
            receipts.push(answer["receipt"].clone());
        }
        receipts
    }
}
