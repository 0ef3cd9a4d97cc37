//! Bundles: the same bytes twice, the same verdicts elsewhere, and nothing hostile or damaged gets in.

use crate::material;
use crate::program::Desk;
use crate::trial_support::simulated_session;
use cabjury::model::outside::{Progress, Unwatched};
use cabjury::publish::bundle::bundle;
use cabjury::publish::unbundle::unbundle;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// All files below a folder with their bytes.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut out = BTreeMap::new();
    let mut todo = vec![folder.to_owned()];
    while let Some(place) = todo.pop() {
        for entry in std::fs::read_dir(place).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                todo.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
                out.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    out
}

/// Asks for the end when it was looked at so many times.
struct Stops(AtomicU32);

impl Progress for Stops {
    fn step(&self, _: &str, _: u64, _: u64) {}
    fn stopped(&self) -> bool {
        self.0.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| Some(n.saturating_sub(1))).unwrap() == 0
    }
}

/// What lies there, without the database's own files of the moment.
fn names(folder: &Path) -> Vec<String> {
    files(folder).into_keys().filter(|name| !name.ends_with("-shm") && !name.ends_with("-wal")).collect()
}

/// Ctrl-C at any moment: the folder is as it was, and the next try is not in its way.
#[test]
fn a_bundle_that_is_stopped_leaves_nothing() {
    let desk = Desk::new();
    simulated_session(&desk, 16);
    let before = names(desk.path());
    let (folder, out) = (desk.join("s"), desk.join("b.zip"));
    let mut looks = 0;
    while let Err(error) = bundle(&folder, &out, false, &Stops(AtomicU32::new(looks))) {
        assert_eq!(error.explain().kind(), "stopped", "{error}");
        assert_eq!(names(desk.path()), before, "something is left after {looks} looks");
        looks += 1;
        assert!(looks < 1000, "it never ends");
    }
    assert!(looks > 8, "only {looks} moments to stop at");
    std::fs::remove_file(&out).unwrap();
    // The signal itself, to the program at work: done or stopped, and nothing half.
    for wait in [20, 60, 120] {
        let mut child = desk.command(&["bundle", "s", "--out", "b.zip"]).spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(wait));
        std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
        if child.wait().unwrap().success() {
            std::fs::remove_file(&out).unwrap();
        }
        assert_eq!(names(desk.path()), before, "after {wait} ms");
    }
}

#[test]
fn the_round_trip_gives_equal_head_verdicts_and_bytes() {
    let desk = Desk::new();
    simulated_session(&desk, 16);
    desk.run(&["rehearse", "s", "--hears", "0.9", "--runs", "10", "--seed", "3", "--keep", "sim"]).ends(0);
    desk.run(&["report", "s"]).ends(0);
    let doc = desk.run(&["bundle", "s", "--out", "b.zip", "--json"]).ends(0).json();
    desk.run(&["bundle", "s", "--out", "again.zip"]).ends(0);
    assert!(std::fs::read(desk.join("b.zip")).unwrap() == std::fs::read(desk.join("again.zip")).unwrap(), "other bytes");
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(3);
    std::fs::create_dir(desk.join("other")).unwrap();
    desk.run(&["unbundle", "b.zip", "other/place"]).ends(0);
    let audit = |folder: &str| desk.run(&["audit", folder, "--json"]).ends(0).json();
    let (here, there) = (audit("s"), audit("other/place"));
    assert_eq!(here["head_sha256"], there["head_sha256"]);
    assert_eq!(doc["head_sha256"], there["head_sha256"]);
    assert_eq!((here["ok"].as_bool(), &here["verdicts"]), (there["ok"].as_bool(), &there["verdicts"]));
    assert_eq!(here["verdicts"].as_array().unwrap().len(), 1);
    let (old, new) = (files(&desk.join("s")), files(&desk.join("other/place")));
    let sound = |name: &&String| name.contains('/');
    assert!(old.keys().filter(sound).eq(new.keys().filter(sound)));
    for (name, bytes) in old.iter().filter(|(name, _)| name.contains('/')) {
        assert!(&new[name] == bytes, "{name}");
    }
    // A session that came in goes on, and goes out again with the same head.
    let third = desk.run(&["bundle", "other/place", "--out", "third.zip", "--json"]).ends(0).json();
    assert_eq!(third["head_sha256"], doc["head_sha256"]);
    desk.run(&["plan", "other/place", "--compare", "one,two"]).ends(0);
    // A folder that holds something is never written into.
    desk.run(&["unbundle", "b.zip", "other/place"]).ends(3);
}

#[test]
fn the_same_session_elsewhere_gives_the_same_report_byte_by_byte() {
    use cabjury::model::outside::StoppedClock;
    use cabjury::publish::report::report;
    let desk = Desk::new();
    simulated_session(&desk, 16);
    desk.run(&["rehearse", "s", "--hears", "0.9", "--runs", "1", "--seed", "3", "--keep", "sim"]).ends(0);
    desk.run(&["check", "s"]).ends(0);
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
    desk.run(&["unbundle", "b.zip", "another-name"]).ends(0);
    let clock = StoppedClock("2026-11-26T20:00:00Z".parse().unwrap());
    for ending in ["html", "md", "json"] {
        let mut texts = Vec::new();
        for folder in ["s", "another-name"] {
            let out = desk.join(&format!("{folder}.{ending}"));
            report(&desk.join(folder), Some(&out), &clock).unwrap();
            // The document of `score` names the folder that was asked about; nothing else may differ.
            texts.push(std::fs::read_to_string(out).unwrap().replace(&desk.join(folder).display().to_string(), "FOLDER"));
        }
        assert!(texts[0] == texts[1], "{ending} differs");
    }
    // Numbers and text of the report are those of `score` and `audit`.
    let text = std::fs::read_to_string(desk.join("s.json")).unwrap();
    let everything: serde_json::Value = serde_json::from_str(&text).unwrap();
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(everything["score"]["tests"], score["tests"]);
    assert_eq!(everything["audit"]["head_sha256"], desk.run(&["audit", "s", "--json"]).ends(0).json()["head_sha256"]);
    let html = std::fs::read_to_string(desk.join("s.html")).unwrap();
    let sentence = score["tests"][0]["sentence"].as_str().unwrap().replace("p = ", "p\u{a0}=\u{a0}");
    assert!(html.contains(&sentence), "{sentence}");
}

#[test]
fn numbers_travel_without_recordings_and_say_so() {
    let desk = Desk::new();
    simulated_session(&desk, 16);
    desk.run(&["rehearse", "s", "--hears", "0.9", "--runs", "10", "--seed", "3", "--keep", "sim"]).ends(0);
    desk.run(&["bundle", "s", "--without-audio", "--out", "n.zip"]).ends(0);
    desk.run(&["unbundle", "n.zip", "t"]).ends(0);
    let (here, there) = (desk.run(&["score", "s", "--json"]).ends(0).json(), desk.run(&["score", "t", "--json"]).ends(0).json());
    assert_eq!(here["tests"], there["tests"]);
    let audit = desk.run(&["audit", "t", "--json"]).ends(0).json();
    assert_eq!((audit["ok"].as_bool(), audit["unverified_files"].as_u64()), (Some(true), Some(8)));
    // A file that is there is still looked at.
    let planned = files(&desk.join("s")).into_iter().find(|(n, _)| n.starts_with("clips/")).unwrap();
    std::fs::write(desk.join("t").join(&planned.0), b"other").unwrap();
    assert_eq!(desk.run(&["audit", "t", "--json"]).ends(4).json()["ok"], false);
}

/// A small session: two short takes.
fn small(desk: &Desk) {
    let rate = 8_000;
    let di = material::riff(1.6, rate);
    material::write_wav(&desk.join("a.wav"), rate, &di);
    material::write_wav(&desk.join("b.wav"), rate, &material::peaking(&di, rate, 300.0, 1.0, 3.0));
    desk.run(&["new", "s", "one=a.wav", "two=b.wav"]).ends(0);
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
}

/// Two thousand changed bundles: each is refused without a trace, or gives exactly the session that was bundled (a changed byte may lie in
/// a field of the format that nobody reads).
#[test]
fn two_thousand_changed_bundles_never_get_in() {
    let desk = Desk::new();
    small(&desk);
    let bytes = std::fs::read(desk.join("b.zip")).unwrap();
    desk.run(&["unbundle", "b.zip", "whole"]).ends(0);
    let whole = files(&desk.join("whole"));
    let mut random = material::Noise(9);
    let mut pick = |n: usize| ((random.next() * 0.5 + 0.5) * n as f64) as usize % n;
    let (mut refused, mut harmless) = (0, 0);
    for round in 0..2000 {
        let mut changed = bytes.clone();
        let at = pick(changed.len());
        match round % 5 {
            0 => changed[at] ^= 1 << pick(8),
            1 => changed.truncate(at),
            2 => drop(changed.splice(at..at, [0x50, 0x4b, 1, 2])),
            3 => {
                let end = (at + 1 + pick(64)).min(changed.len());
                drop(changed.drain(at..end));
            }
            _ => {
                // The directory at the end is where the format's structure lies.
                let tail = changed.len() - 1 - pick(600.min(changed.len()));
                changed[tail] = pick(256) as u8;
            }
        }
        let (file, into) = (desk.join("x.zip"), desk.join("x"));
        std::fs::write(&file, &changed).unwrap();
        match unbundle(&file, &into, &Unwatched) {
            Ok(_) => {
                assert!(files(&into) == whole, "round {round}: another session came in");
                std::fs::remove_dir_all(&into).unwrap();
                harmless += 1;
            }
            Err(error) => {
                assert!(!error.explain().next().is_empty());
                refused += 1;
            }
        }
        let left: Vec<_> = std::fs::read_dir(desk.path()).unwrap().flatten().map(|e| e.file_name()).collect();
        assert!(!left.iter().any(|n| n.to_string_lossy().ends_with(".part") || n == "x"), "{left:?}");
    }
    assert!(refused > 1500 && harmless < 500, "{refused} refused, {harmless} harmless");
}

/// Writes the small session's bundle anew, with something changed on the way.
fn forged(desk: &Desk, name: &str, change: &dyn Fn(&mut Entries)) -> std::path::PathBuf {
    let mut zip = zip::ZipArchive::new(std::fs::File::open(desk.join("b.zip")).unwrap()).unwrap();
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let mut entries = Vec::new();
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).unwrap();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        entries.push((entry.name().unwrap().into_owned(), bytes, stored));
    }
    change(&mut entries);
    let path = desk.join(name);
    let mut out = ZipWriter::new(std::fs::File::create(&path).unwrap());
    for (name, bytes, options) in entries {
        out.start_file(name, options).unwrap();
        out.write_all(&bytes).unwrap();
    }
    out.finish().unwrap();
    path
}

type Entries = Vec<(String, Vec<u8>, SimpleFileOptions)>;

/// Changes the manifest's text.
fn manifest<'a>(change: &'a dyn Fn(String) -> String) -> impl Fn(&mut Entries) + 'a {
    move |entries| {
        let text = String::from_utf8(entries[0].1.clone()).unwrap();
        entries[0].1 = change(text).into_bytes();
    }
}

/// A case: the bundle's name, what is changed, what is said.
type Case<'a> = (&'a str, Box<dyn Fn(&mut Entries) + 'a>, &'a str);

#[test]
fn hostile_and_newer_bundles_are_refused_by_name() {
    let desk = Desk::new();
    small(&desk);
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let paths = |to: &'static str| {
        move |text: String| {
            let at = text.find("takes/").unwrap();
            let end = at + text[at..].find('"').unwrap();
            format!("{}{to}{}", &text[..at], &text[end..])
        }
    };
    let (up, absolute) = (paths("../../evil.wav"), paths("/etc/evil.wav"));
    let cases: Vec<Case<'_>> = vec![
        ("up.zip", Box::new(manifest(&up)), "which a session cannot hold"),
        ("absolute.zip", Box::new(manifest(&absolute)), "which a session cannot hold"),
        ("more.zip", Box::new(|e| e.push(("takes/more.wav".to_owned(), vec![1], stored))), "is not in its manifest"),
        ("away.zip", Box::new(|e| drop(e.pop())), "but not in the bundle"),
        ("link.zip", Box::new(|e| e[1].2 = stored.unix_permissions(0o120_777)), "is not a plainly stored file"),
        ("edited.zip", Box::new(|e| e.last_mut().unwrap().1[60] ^= 1), "has other bytes than its manifest says"),
        ("newer.zip", Box::new(manifest(&|t| t.replace("\"schema\": 3", "\"schema\": 4"))), "newer cabjury"),
        ("format.zip", Box::new(manifest(&|t| t.replace("bundle 1", "bundle 2"))), "newer cabjury"),
        ("none.zip", Box::new(|e| drop(e.remove(0))), "has no manifest"),
        ("swell.zip", Box::new(manifest(&|t| t.replacen("\"bytes\": ", "\"bytes\": 99999999", 1))), "has another size there"),
    ];
    for (name, change, said) in &cases {
        let path = forged(&desk, name, change.as_ref());
        // A link's mode is lost by the writer's own way of files; the entry is patched where the mode lies.
        if *name == "link.zip" {
            let mut bytes = std::fs::read(&path).unwrap();
            let at = bytes.windows(4).enumerate().filter(|(_, w)| *w == b"PK\x01\x02").map(|(i, _)| i).nth(1).unwrap();
            bytes[at + 38..at + 42].copy_from_slice(&(0o120_777u32 << 16).to_le_bytes());
            std::fs::write(&path, bytes).unwrap();
        }
        let error = desk.run(&["unbundle", name, "x", "--json"]).ends(4).json()["error"].clone();
        let message = error["message"].as_str().unwrap();
        assert!(message.contains(name) && message.contains(said), "{name}: {message}");
        assert!(!desk.join("x").exists() && !desk.path().parent().unwrap().join("evil.wav").exists());
    }
    desk.run(&["unbundle", "a.wav", "x"]).ends(4);
    desk.run(&["unbundle", "none-at-all.zip", "x"]).ends(4);
    // An edited log, with a manifest that agrees: the chain tells.
    desk.run(&["unbundle", "b.zip", "edited"]).ends(0);
    let db = rusqlite::Connection::open(desk.join("edited/session.db")).unwrap();
    db.execute_batch("DROP TRIGGER log_is_append_only_1; UPDATE log SET body = 'other' WHERE seq = 2;").unwrap();
    drop(db);
    desk.run(&["bundle", "edited", "--out", "chain.zip"]).ends(0);
    let error = desk.run(&["unbundle", "chain.zip", "x", "--json"]).ends(4).json()["error"].clone();
    assert!(error["message"].as_str().unwrap().contains("log entry 2"), "{error}");
}
