//! The desk is killed at random moments while several listeners answer: no acknowledged pick is lost. Thirty rounds here, 200 by
//! `tests/long desk-kills`.

use crate::material::Noise;
use crate::program::Desk as Folder;
use crate::trial_support::played_session;
use cabjury::model::trial::TrialState;
use cabjury::store::Session;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A connection that is kept alive, as a browser's is.
pub(super) struct Line {
    stream: BufReader<TcpStream>,
    host: String,
}

impl Line {
    pub(super) fn open(host: &str) -> std::io::Result<Self> {
        Self::over(TcpStream::connect(host)?, host)
    }

    /// Over a connection that is there.
    pub(super) fn over(stream: TcpStream, host: &str) -> std::io::Result<Self> {
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(90)))?;
        Ok(Self { stream: BufReader::new(stream), host: host.to_owned() })
    }

    /// Fetches every slot of an opened trial.
    pub(super) fn hears(&mut self, trial: &serde_json::Value) -> std::io::Result<()> {
        for slot in trial["slots"].as_array().unwrap() {
            let (status, _) = self.ask("GET", slot["audio"].as_str().unwrap(), "")?;
            assert!(matches!(status, 200 | 429), "{status}");
        }
        Ok(())
    }

    /// Status and body of an answer that was read to its end.
    pub(super) fn ask(&mut self, method: &str, path: &str, body: &str) -> std::io::Result<(u16, String)> {
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.host,
            body.len()
        );
        self.stream.get_mut().write_all(head.as_bytes())?;
        let (mut status, mut length) = (0, 0);
        loop {
            let mut line = String::new();
            if self.stream.read_line(&mut line)? == 0 {
                return Err(std::io::ErrorKind::UnexpectedEof.into());
            }
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
        self.stream.read_exact(&mut body)?;
        Ok((status, String::from_utf8_lossy(&body).into_owned()))
    }
}

/// A desk with its listeners' codes.
pub(super) fn open(folder: &Folder, listeners: &[&str]) -> (Child, String, Vec<String>) {
    let mut args = vec!["desk", "s", "--json", "--test", "test-2", "--invite"];
    args.extend(listeners);
    let mut child = folder.command(&args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let ready: serde_json::Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line:?}"));
    let urls: Vec<&str> = ready["invitations"].as_array().unwrap().iter().map(|i| i["url"].as_str().unwrap()).collect();
    let host = urls[0].trim_start_matches("http://").split('/').next().unwrap().to_owned();
    (child, host, urls.iter().map(|u| u.rsplit('/').next().unwrap().to_owned()).collect())
}

/// Answers until the line breaks; every acknowledged trial is taken down.
fn listen(host: &str, code: &str, acknowledged: &Mutex<BTreeSet<String>>) {
    let Ok(mut line) = Line::open(host) else { return };
    loop {
        let Ok((status, body)) = line.ask("POST", &format!("/api/l/{code}/trials"), "") else { return };
        assert_eq!(status, 201, "{body}");
        let trial: serde_json::Value = serde_json::from_str(&body).unwrap();
        let id = trial["trial"].as_str().unwrap().to_owned();
        if line.hears(&trial).is_err() {
            return;
        }
        let Ok((status, body)) = line.ask("POST", &format!("/api/l/{code}/trials/{id}/pick"), r#"{"choice":"A"}"#) else {
            return;
        };
        assert_eq!(status, 200, "{body}");
        acknowledged.lock().unwrap().insert(id);
    }
}

#[test]
fn a_killed_desk_loses_no_acknowledged_pick() {
    let rounds = std::env::var("CABJURY_ROUNDS").ok().and_then(|r| r.parse().ok()).unwrap_or(30);
    let folder = Folder::new();
    played_session(&folder, 3);
    let names = ["p1", "p2", "p3", "p4", "p5", "p6"];
    folder.run(&["plan", "s", "--compare", "one,two", "--trials", "1000", "--listeners", "6"]).ends(0);
    let acknowledged = Arc::new(Mutex::new(BTreeSet::new()));
    let mut noise = Noise(77);
    for _ in 0..rounds {
        let (mut child, host, codes) = open(&folder, &names);
        let listeners: Vec<_> = codes
            .into_iter()
            .map(|code| {
                let (host, acknowledged) = (host.clone(), Arc::clone(&acknowledged));
                std::thread::spawn(move || listen(&host, &code, &acknowledged))
            })
            .collect();
        // First something has to happen, on however busy a machine; from then on the time of death is random. Some tens of milliseconds:
        // the planned 6000 answers have to last for all rounds.
        let before = acknowledged.lock().unwrap().len();
        let patience = std::time::Instant::now();
        while acknowledged.lock().unwrap().len() < before + 3 && patience.elapsed() < Duration::from_secs(90) {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_micros(
            ((noise.next() + 1.0) * 16_000.0 * 100.0 / (100.0f64).max(rounds as f64)) as u64,
        ));
        child.kill().unwrap();
        child.wait().unwrap();
        for listener in listeners {
            listener.join().unwrap();
        }
        let session = Session::open_read(&folder.join("s")).unwrap();
        let test = cabjury::model::ids::TestId::new("test-2").unwrap();
        let answered: BTreeSet<String> = session
            .trials(&test)
            .unwrap()
            .into_iter()
            .filter(|t| matches!(t.state, TrialState::Answered { .. }))
            .map(|t| t.id.to_string())
            .collect();
        let told = acknowledged.lock().unwrap();
        assert!(told.is_subset(&answered), "an acknowledged pick is lost");
        // At most one pick of each listener may be on disk without its acknowledgement, in each round.
        assert!(answered.len() <= told.len() + 6 * rounds);
    }
    let told = acknowledged.lock().unwrap().len();
    assert!(told >= 3 * rounds, "only {told} picks in {rounds} rounds: the desk was killed before anything happened");
    let audit = folder.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!(audit["ok"], true, "{audit:#}");
}
