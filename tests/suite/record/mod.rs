//! The tool plays the DI and records every mic itself.

mod broken;
mod deck;
mod evening;
mod keys;
mod pulse;
mod tape;

use crate::program::Desk;
use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// The sheet that the demo ships: two unlike drivers, series on 16 ohm and parallel on 4 ohm, a mic on each cone.
const SHEET: &str = include_str!("../../../sessions/demo-rig.toml");
/// Readings that fit it: 6.5 + 6.9 ohm of coil in series, and in parallel 1/(1/6.5 + 1/6.9).
const READINGS: [(&str, &str); 2] = [("s16", "13.4"), ("p4", "3.35")];

fn session(desk: &Desk) {
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
}

/// `record` line by line, as a person sits before it: what stands on the page is read, then something is typed.
struct Sitter {
    child: Child,
    keys: Option<ChildStdin>,
    lines: Receiver<String>,
    /// Everything that was said.
    heard: Vec<String>,
    waiting: VecDeque<String>,
}

/// What stands on the page: the title between brackets, and everything up to the keys.
#[derive(Debug, Clone)]
struct Seen {
    title: String,
    text: String,
}

impl Seen {
    fn setup(&self) -> &str {
        self.title.rsplit(' ').next().unwrap()
    }
    fn has(&self, text: &str) -> bool {
        self.text.contains(text)
    }
}

impl Sitter {
    fn new(mut command: Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (tell, lines) = channel();
        std::thread::spawn(move || out.lines().map_while(Result::ok).all(|l| tell.send(l).is_ok()));
        let keys = child.stdin.take();
        Self { child, keys, lines, heard: Vec::new(), waiting: VecDeque::new() }
    }

    fn record(desk: &Desk, more: &[&str]) -> Self {
        let mut args = vec!["record", "s", "--device", "simulated-fastest"];
        args.extend(more);
        Self::new(desk.command(&args))
    }

    /// The next page, complete with its keys; none when the program has ended.
    fn sees(&mut self) -> Option<Seen> {
        let (mut title, mut text) = (None, String::new());
        let since = Instant::now();
        loop {
            assert!(since.elapsed() < Duration::from_secs(240), "nothing more is said: {:#?}", self.heard);
            let line = match self.waiting.pop_front() {
                Some(line) => line,
                None => match self.lines.recv_timeout(Duration::from_millis(200)) {
                    Ok(line) => line,
                    Err(RecvTimeoutError::Timeout) => continue,
                    Err(RecvTimeoutError::Disconnected) => return None,
                },
            };
            self.heard.push(line.clone());
            text.push_str(&line);
            text.push('\n');
            if let Some(rest) = line.strip_prefix('[') {
                title = rest.split(']').next().map(str::to_owned);
            }
            if let Some(title) = title.clone().filter(|_| line.starts_with("  (")) {
                return Some(Seen { title, text });
            }
        }
    }

    fn types(&mut self, line: &str) {
        let keys = self.keys.as_mut().unwrap();
        // The program may have ended by itself.
        let _ = writeln!(keys, "{line}").and_then(|()| keys.flush());
    }

    /// Goes on as a careful person does: reads what is asked, sets the level on the meters, presses Enter; `wish` may do something else first.
    fn goes_on(&mut self, wish: &mut dyn FnMut(&mut Self, &Seen) -> bool) {
        while let Some(seen) = self.sees() {
            if wish(self, &seen) {
                continue;
            }
            if seen.has("type the ohms") {
                let reading = READINGS.iter().find(|(s, _)| *s == seen.setup()).unwrap().1;
                self.types(reading);
            } else if seen.has("The DI plays: set the levels") {
                if seen.has("Output at -18") {
                    self.types("");
                } else {
                    self.types("+");
                }
            } else if !seen.has("It warms up") && !seen.has("stop at once") && !seen.has("All passes are recorded") {
                self.types("");
            }
        }
    }

    fn ends(mut self, code: i32) -> String {
        self.keys = None;
        let since = Instant::now();
        while let Some(_more) = self.sees() {}
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(since.elapsed() < Duration::from_secs(120), "it does not end: {:#?}", self.heard);
            std::thread::sleep(Duration::from_millis(10));
        };
        let mut err = String::new();
        std::io::Read::read_to_string(self.child.stderr.as_mut().unwrap(), &mut err).unwrap();
        assert!(!err.contains("panicked"), "{err}");
        assert_eq!(status.code(), Some(code), "{}\n{err}", self.heard.join("\n"));
        self.heard.join("\n")
    }
}

impl Drop for Sitter {
    fn drop(&mut self) {
        // Best effort: the test is over either way.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
