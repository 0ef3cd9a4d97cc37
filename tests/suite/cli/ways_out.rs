//! Refusals that no golden file of messages meets, each brought about as a person would: its kind, its exit code, a message and a way out.

use crate::player::terminal::Terminal;
use crate::program::Desk;
use crate::{material, trial_support};
use rusqlite::Connection;
use std::io::Write;
use std::process::Stdio;

/// Runs a line that is refused, and looks at what a program is told.
#[track_caller]
fn refuses(desk: &Desk, code: i32, kind: &str, args: &[&str]) {
    let error = desk.run(&[args, &["--json"]].concat()).ends(code).json()["error"].clone();
    assert_eq!(error["kind"], kind, "{args:?}: {error}");
    for part in ["message", "next"] {
        assert!(error[part].as_str().is_some_and(|t| t.len() > 10), "{args:?}: {error}");
    }
}

fn sound(desk: &Desk, name: &str, samples: &[f64]) {
    material::write_wav(&desk.join(name), 48_000, samples);
}

#[test]
fn takes_and_runs_that_cannot_be_put_right_so() {
    let desk = Desk::new();
    trial_support::matched_session(&desk);
    let di = material::riff(3.4, 48_000);
    sound(&desk, "di.wav", &di);
    sound(&desk, "di-2.wav", &material::noisy(&di, -60.0, 9));
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    refuses(&desk, 3, "di-in-use", &["take", "s", "di-2.wav", "--di"]);
    refuses(&desk, 3, "the-di", &["reassign", "s", "--take", "t005", "--setup", "one", "--reason", "by mistake"]);
    desk.run(&["match", "s"]).ends(0);
    desk.run(&["withdraw", "s", "--run", "1", "--reason", "too short"]).ends(0);
    refuses(&desk, 3, "given-up-already", &["withdraw", "s", "--run", "1", "--reason", "again"]);
    // A bounce in which the DI is, twice, is not cut unasked; noise is none.
    sound(&desk, "bounce.wav", &[material::later(&di, 4_000), material::later(&di, 9_000)].concat());
    refuses(&desk, 3, "not-asked", &["take", "s", "bounce.wav", "--split", "--setup", "one"]);
    sound(&desk, "noise.wav", &material::noisy(&vec![0.0; 400_000], -20.0, 4));
    refuses(&desk, 4, "no-repeats", &["take", "s", "noise.wav", "--split", "--setup", "one"]);
    desk.run(&["new", "few", "one=one-1.wav"]).ends(0);
    refuses(&desk, 3, "too-few-takes", &["match", "few"]);
    refuses(&desk, 3, "too-few-setups", &["runsheet", "few"]);
    // Both sound, and neither ever above the absolute gate of -70 LUFS (ITU-R BS.1770-5).
    let faint: Vec<f64> = di.iter().map(|v| 6e-4 * v).collect();
    sound(&desk, "faint-1.wav", &faint);
    sound(&desk, "faint-2.wav", &material::later(&faint, 40));
    refuses(&desk, 4, "nothing-shared", &["level", "faint-1.wav", "faint-2.wav", "--out", "levelled"]);
    assert!(!desk.join("levelled").exists());
    // A file of 24 bits ends at full scale.
    refuses(&desk, 2, "wrong-use", &["level", "one-1.wav", "two-1.wav", "--ceiling", "0.5", "--out", "levelled"]);
    assert!(!desk.join("levelled").exists());
    refuses(&desk, 2, "confirm", &["take", "s", "noise.wav", "--setup", "one", "--confirm", "silence", "--reason", "it is so"]);
    refuses(&desk, 4, "out-of-range", &["load", "A", "--driver", "A=0", "--tap", "8"]);
    refuses(&desk, 4, "out-of-range", &["load", "A", "--driver", "A=8,0", "--tap", "8"]);
}

#[test]
fn folders_and_files_that_will_not_do() {
    let desk = Desk::new();
    trial_support::matched_session(&desk);
    refuses(&desk, 4, "unreadable-folder", &["sessions", "nowhere"]);
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
    refuses(&desk, 3, "folder-taken", &["unbundle", "b.zip", "s"]);
    refuses(&desk, 1, "cannot-write", &["sheet", "s", "--new", "--out", "nowhere/rig.toml"]);
    std::fs::write(desk.join("rig.toml"), include_str!("../../../sessions/demo-rig.toml")).unwrap();
    desk.run(&["new", "described", "--sheet", "rig.toml"]).ends(0);
    refuses(&desk, 3, "rig-described", &["sheet", "described", "--new", "--out", "other.toml"]);
    std::fs::create_dir_all(desk.join("config/cabjury")).unwrap();
    std::fs::write(desk.join("config/cabjury/defaults.toml"), "trails = 20\n").unwrap();
    refuses(&desk, 4, "faulty-defaults", &["plan", "s", "--compare", "one,two"]);
    std::fs::remove_file(desk.join("config/cabjury/defaults.toml")).unwrap();
    // Bytes that are no text, where an answer is asked for.
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "4"]).ends(0);
    let mut command = trial_support::listening(&desk);
    let mut child = command.arg("--json").spawn().unwrap();
    let mut keys = child.stdin.take().unwrap();
    keys.write_all(b"\n\xff\xfe\n").unwrap();
    drop(keys);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["error"]["kind"], "input", "{document}");
    // A clip whose bytes changed is not played.
    for entry in std::fs::read_dir(desk.join("s/clips")).unwrap() {
        spoil(&entry.unwrap().path());
    }
    refuses(&desk, 4, "clip-changed", &["listen", "s", "--listener", "bob", "--plain", "--device", "silent-fastest"]);
    refuses(&desk, 4, "clip-changed", &["montage", "s", "--out", "m"]);
}

/// Turns a sample over, though the file may be read-only.
fn spoil(path: &std::path::Path) {
    let mut bytes = std::fs::read(path).unwrap();
    let last = bytes.len() - 3;
    bytes[last] ^= 0x55;
    std::fs::remove_file(path).unwrap();
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn votes_need_answers_and_a_montage() {
    let desk = Desk::new();
    trial_support::matched_session(&desk);
    desk.run(&["montage", "s", "--blind", "--out", "m1"]).ends(0);
    std::fs::write(desk.join("empty.csv"), "person,clip,choice\n").unwrap();
    refuses(&desk, 4, "no-votes", &["votes", "s", "empty.csv"]);
    desk.run(&["montage", "s", "--blind", "--out", "m2"]).ends(0);
    std::fs::write(desk.join("votes.csv"), "person,clip,choice\nann,1,one\n").unwrap();
    refuses(&desk, 3, "which-montage", &["votes", "s", "votes.csv"]);
    // A key that was tampered with opens nothing.
    let key = desk.join("s/keys/montage-1.key");
    let text = std::fs::read_to_string(&key).unwrap();
    std::fs::remove_file(&key).unwrap();
    std::fs::write(&key, text.replacen("one", "two", 1)).unwrap();
    refuses(&desk, 4, "key-damaged", &["votes", "s", "votes.csv", "--montage", "montage-1"]);
    refuses(&desk, 4, "key-damaged", &["montage", "s", "--reveal", "montage-1"]);
}

/// The store without its guards, as a database editor opens it.
fn opened(desk: &Desk) -> Connection {
    let db = Connection::open(desk.join("s/session.db")).unwrap();
    let names: Vec<String> = db
        .prepare("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    names.iter().for_each(|name| db.execute_batch(&format!("DROP TRIGGER \"{name}\"")).unwrap());
    db
}

#[test]
fn what_was_kept_and_cannot_be_read_is_said() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 2);
    desk.run(&["check", "s"]).ends(0);
    desk.run(&["listen", "s", "--listener", "me", "--plain", "--device", "silent-fastest"]).ends(0);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    let db = opened(&desk);
    assert_eq!(db.execute("UPDATE note SET value = 'nonsense' WHERE key = 'last-check'", []).unwrap(), 1);
    refuses(&desk, 1, "damaged-note", &["report", "s", "--out", "r.html"]);
    assert_eq!(db.execute("UPDATE test SET result = 'nonsense'", []).unwrap(), 1);
    refuses(&desk, 4, "damaged-session", &["score", "s"]);
    // What is not there yet cannot be worked out from records either.
    let other = Desk::new();
    trial_support::played_session(&other, 2);
    let session = cabjury::store::Session::open_read(&other.join("s")).unwrap();
    let test = cabjury::model::ids::TestId::new("test-1").unwrap();
    let refused = cabjury::verdict::closing::recompute(&session, &test).unwrap_err();
    assert_eq!(refused.explain().kind(), "test-open");
}

/// A further test is asked about on a terminal, and "no" seals nothing.
#[test]
fn a_further_test_that_was_not_wanted_is_not_sealed() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &["plan", "s", "--compare", "one,two", "--trials", "4"]);
    terminal.waits_for("Seal it? [y/N]");
    terminal.press("n\r");
    terminal.waits_for("seal a further test");
    terminal.ends(Some(3));
    let tests = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"].as_array().unwrap().len();
    assert_eq!(tests, 1);
}

/// No sound card at all, on every machine: ALSA is told of none.
#[test]
fn a_machine_without_a_sound_card_says_so() {
    let desk = Desk::new();
    std::fs::write(desk.join("rig.toml"), include_str!("../../../sessions/demo-rig.toml")).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    sound(&desk, "di.wav", &material::riff(3.0, 48_000));
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    std::fs::write(desk.join("none.conf"), "").unwrap();
    let told = |args: &[&str]| {
        let mut command = desk.command(&[args, &["--json"]].concat());
        let output = command.env("ALSA_CONFIG_PATH", desk.join("none.conf")).stderr(Stdio::piped()).output().unwrap();
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
        (output.status.code(), document["error"]["kind"].as_str().unwrap_or_default().to_owned())
    };
    let mic = ["--mic", "1=close-a", "--mic", "2=close-b"];
    let record = |more: &[&str]| told(&[&["record", "s"][..], &mic, more].concat());
    assert_eq!(record(&[]), (Some(1), "no-input".to_owned()));
    assert_eq!(record(&["--input", "nowhere"]), (Some(1), "no-such-input".to_owned()));
    // The listener's player needs an output, and says what to do without one.
    let other = Desk::new();
    trial_support::played_session(&other, 2);
    let listened = other.join("s").display().to_string();
    assert_eq!(told(&["listen", &listened, "--listener", "me", "--plain"]), (Some(1), "no-device".to_owned()));
    // One input cannot hear two mics.
    assert_eq!(told(&["record", "s", "--mic", "1=close-a", "--mic", "1=close-b"]), (Some(2), "patch".to_owned()));
}
