//! Somebody at the same computer watches while a trial is open: the session's files, temporary files, the list of processes, open files, the
//! text on the terminal. None of it depends on the order. After the pick the same search finds the order: the search can find.

use crate::program::Desk;
use crate::trial_support::{listening, played_session};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// Everything that can be seen, by the place where it was seen.
fn seen(desk: &Desk, child: &Child, temporary: &Path, said: &str) -> Vec<(String, Vec<u8>)> {
    let process = PathBuf::from(format!("/proc/{}", child.id()));
    let mut all = vec![("the terminal".to_owned(), said.as_bytes().to_vec())];
    for name in ["cmdline", "environ", "comm", "status"] {
        all.push((format!("the process's {name}"), std::fs::read(process.join(name)).unwrap_or_default()));
    }
    // What is mapped, by its name alone: among so many addresses in hexadecimal some c001 stands by chance.
    let maps = std::fs::read_to_string(process.join("maps")).unwrap_or_default();
    let names: Vec<&str> = maps.lines().filter_map(|l| l.split_whitespace().nth(5)).collect();
    all.push(("what the process has mapped".to_owned(), names.join("\n").into_bytes()));
    for entry in std::fs::read_dir(process.join("task")).into_iter().flatten().flatten() {
        all.push(("a thread's name".to_owned(), std::fs::read(entry.path().join("comm")).unwrap_or_default()));
    }
    for entry in std::fs::read_dir(process.join("fd")).into_iter().flatten().flatten() {
        let to = std::fs::read_link(entry.path()).map(|p| p.display().to_string()).unwrap_or_default();
        all.push(("an open file's name".to_owned(), to.into_bytes()));
    }
    for folder in [desk.join("s"), desk.join("s/reports"), temporary.to_owned()] {
        for entry in std::fs::read_dir(folder).unwrap().flatten().filter(|e| e.path().is_file()) {
            all.push((entry.path().display().to_string(), std::fs::read(entry.path()).unwrap()));
        }
    }
    all
}

fn contains(hay: &[u8], needle: &[u8]) -> bool {
    hay.windows(needle.len()).any(|w| w == needle)
}

/// The same as a word of its own.
fn names(hay: &[u8], clip: &str) -> bool {
    let apart = |b: Option<&u8>| b.is_none_or(|b| !b.is_ascii_alphanumeric());
    let found = |(i, w): (usize, &[u8])| {
        w == clip.as_bytes() && apart(i.checked_sub(1).and_then(|i| hay.get(i))) && apart(hay.get(i + w.len()))
    };
    hay.windows(clip.len()).enumerate().any(found)
}

/// Places where an order is told: its record in a file, a clip's name where only one trial's business is.
fn told(seen: &[(String, Vec<u8>)], clips: &[String]) -> Vec<String> {
    let mut out = Vec::new();
    for (place, bytes) in seen {
        for word in ["\"slots\"", "\"order\"", "\"nonce\"", "\"right\""] {
            // The seal of a test has a nonce of its own, in the session's file.
            let of_the_seal = word == "\"nonce\"" && place.contains("session.db");
            if !of_the_seal && contains(bytes, word.as_bytes()) {
                out.push(format!("{word} in {place}"));
            }
        }
        // The sealed plan in the session's file names all clips of the test, and so may its journal.
        if !place.contains("session.db") {
            out.extend(clips.iter().filter(|c| names(bytes, c)).map(|c| format!("{c} in {place}")));
        }
    }
    out
}

fn until(lines: &Receiver<String>, text: &mut String, wanted: &str) {
    loop {
        let line = lines.recv_timeout(Duration::from_secs(120)).unwrap_or_else(|e| panic!("no {wanted:?} ({e}) in: {text}"));
        text.push_str(&line);
        text.push('\n');
        if line.contains(wanted) {
            return;
        }
    }
}

fn answer(input: &mut ChildStdin, lines: &Receiver<String>, text: &mut String) {
    // Until every slot has sounded long enough for a pick to be taken.
    for _ in 0..200 {
        for word in ["a\n", "b\n", "x\n", "pick a\n"] {
            input.write_all(word.as_bytes()).unwrap();
            std::thread::sleep(Duration::from_millis(20));
        }
        while let Ok(line) = lines.try_recv() {
            text.push_str(&line);
            text.push('\n');
            if line.contains("taken down") {
                return;
            }
        }
    }
    panic!("no pick was taken: {text}");
}

#[test]
fn who_watches_the_computer_learns_nothing_before_the_pick() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let clips: Vec<String> = std::fs::read_dir(desk.join("s/clips"))
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().trim_end_matches(".wav").to_owned())
        .chain((1..=9).map(|i| format!("c00{i}")))
        .collect();
    let temporary = desk.join("tmp");
    std::fs::create_dir(&temporary).unwrap();
    let mut child = listening(&desk).env("TMPDIR", &temporary).stderr(Stdio::null()).spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    let output = BufReader::new(child.stdout.take().unwrap());
    let (tell, lines) = channel();
    let reader = std::thread::spawn(move || output.lines().map_while(Result::ok).try_for_each(|l| tell.send(l)));
    let mut text = String::new();
    input.write_all(b"\n\n").unwrap();
    until(&lines, &mut text, "Trial 1");
    for word in ["a\n", "b\n", "x\n"] {
        input.write_all(word.as_bytes()).unwrap();
        std::thread::sleep(Duration::from_millis(40));
        assert_eq!(told(&seen(&desk, &child, &temporary, &text), &clips), [""; 0], "while {word:?} sounds");
    }
    answer(&mut input, &lines, &mut text);
    let after = told(&seen(&desk, &child, &temporary, &text), &clips);
    assert!(names(b"clips/c001.wav", "c001") && !names(b"7fc001ab", "c001"));
    assert!(after.iter().any(|t| t.starts_with("\"slots\"")), "the search finds nothing even where something is: {after:?}");
    assert!(after.iter().all(|t| t.contains("session.db")), "picked or not, only the session's file may know: {after:?}");
    child.kill().unwrap();
    child.wait().unwrap();
    let _ = reader.join().unwrap();
}
