//! What listeners take home, and what is published.

use super::played::{Evening, places};
use crate::program::{Desk, Said};
use crate::trial_support::{listening, played_session};
use serde_json::Value;
use std::io::Write;

/// Types what a listener types until the program ends.
fn listens(desk: &Desk, more: &[&str]) -> Said {
    let mut command = listening(desk);
    command.args(more);
    let mut child = command.spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    let feeder = std::thread::spawn(move || {
        for line in std::iter::once("\n").chain(["a\n", "b\n", "x\n", "pick a\n"].into_iter().cycle()) {
            std::thread::sleep(std::time::Duration::from_millis(12));
            if input.write_all(line.as_bytes()).is_err() {
                return;
            }
        }
    });
    let said = Said::new("listen".to_owned(), child.wait_with_output().unwrap());
    feeder.join().unwrap();
    said
}

#[test]
fn the_terminal_player_saves_a_receipt_that_fits_and_shows_its_line() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let said = listens(&desk, &["--receipt", "mine.json", "--qr"]).ends(0);
    let file: Value = serde_json::from_str(&std::fs::read_to_string(desk.join("mine.json")).unwrap()).unwrap();
    assert_eq!((&file["format"], &file["test"]), (&"cabjury receipt 1".into(), &"test-1".into()));
    let trials = file["trials"].as_array().unwrap();
    assert!(!trials.is_empty());
    // No name of a setup, a take or a listener is in it.
    let text = file.to_string();
    assert!(!["one", "two", "t001", "\"me\""].iter().any(|w| text.contains(w)), "{text}");
    let head = trials.last().unwrap()["head_sha256"].as_str().unwrap();
    let line = format!("cabjury {} test-1 {}", file["session_id"].as_str().unwrap(), &head[..20]);
    assert!(said.out.contains(&line), "{}", said.out);
    assert!(said.out.contains('\u{2588}'), "a code for a camera: {}", said.out);
    let doc = desk.run(&["audit", "s", "--json", "--receipts", "mine.json"]).ends(0).json();
    assert_eq!(doc["witnesses"]["receipts"][0]["listener"], "me");
    // The line alone is found as well.
    desk.run(&["audit", "s", "--published", &line]).ends(0);
    // A file is never written over, and nothing begins before that is clear.
    let said = listens(&desk, &["--receipt", "mine.json"]);
    assert_eq!(said.code, 3, "{}", said.err);
}

#[test]
fn receipts_of_single_picks_fit_as_well_as_the_whole() {
    let evening = Evening::new();
    let whole: Value = serde_json::from_str(&std::fs::read_to_string(&evening.receipts[0]).unwrap()).unwrap();
    let single = |trial: &Value| {
        let mut one = trial.clone();
        one["session_id"] = whole["session_id"].clone();
        one["test"] = whole["test"].clone();
        one
    };
    let all: Vec<Value> = whole["trials"].as_array().unwrap().iter().map(single).collect();
    std::fs::write(evening.desk.join("one.json"), all[0].to_string()).unwrap();
    std::fs::write(evening.desk.join("all.json"), Value::Array(all).to_string()).unwrap();
    let doc = evening.audit(0, &["s", "--receipts", "one.json", "all.json"]);
    let numbers: Vec<_> =
        doc["witnesses"]["receipts"].as_array().unwrap().iter().map(|r| (r["trials"].clone(), r["answers"].clone())).collect();
    assert_eq!(numbers, [(1.into(), 12.into()), (12.into(), 12.into())]);
    // Any one of its facts changed is named with its trial.
    for key in ["commitment_sha256", "head_sha256", "trial"] {
        let mut changed = whole.clone();
        let value = changed["trials"][3][key].as_str().unwrap().to_owned();
        let swapped = if value.starts_with('0') { value.replacen('0', "1", 1) } else { format!("0{}", &value[1..]) };
        changed["trials"][3][key] = swapped.into();
        std::fs::write(evening.desk.join("changed.json"), changed.to_string()).unwrap();
        let doc = evening.audit(4, &["s", "--receipts", "changed.json"]);
        let trial = changed["trials"][3]["trial"].as_str().unwrap();
        assert_eq!(places(&doc), [format!("changed.json, trial {trial}")], "{key}");
    }
}

#[test]
fn an_audit_without_anything_new_writes_nothing() {
    let evening = Evening::new();
    let bytes = || std::fs::read(evening.desk.join("s/session.db")).unwrap();
    let before = bytes();
    for args in [&["audit", "s"][..], &["audit", "s", "--receipts", evening.receipt(0), "--keep-nothing"], &["audit", "s", "s"]] {
        evening.desk.run(args).ends(0);
    }
    assert!(bytes() == before);
}

#[test]
fn what_is_published_stands_in_plan_close_report_and_captions() {
    let desk = Desk::new();
    played_session(&desk, 6);
    let sealed = desk.run(&["plan", "s", "--compare", "one,two", "--trials", "5", "--yes", "--qr", "seal.svg"]).ends(0).out;
    let line = sealed.lines().map(str::trim).find(|l| l.starts_with("cabjury ")).unwrap().to_owned();
    assert!(line.contains(" test-2 "), "{line}");
    desk.run(&["audit", "s", "--published", &line]).ends(0);
    // The picture says the line and nothing else: read back by its modules' number, for there is no camera here.
    let picture = std::fs::read_to_string(desk.join("seal.svg")).unwrap();
    assert!(picture.contains("<svg") && picture.contains("<path"));
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "5", "--yes", "--qr", "seal.svg"]).ends(3);
    let error = cabjury::web::qr_picture(&desk.join("long.svg"), &"x".repeat(5_000)).unwrap_err();
    assert_eq!(error.explain().kind(), "too-long");
    let doc = desk.run(&["close", "s", "--test", "test-2", "--json"]).ends(0).json();
    let closed = doc["fingerprint"]["line"].as_str().unwrap();
    assert_ne!(closed, line);
    let doc = desk.run(&["audit", "s", "--published", closed, "--json"]).ends(0).json();
    assert_eq!(doc["witnesses"]["published"]["digits"], closed.split(' ').next_back().unwrap());
    desk.run(&["report", "s", "--out", "r.md"]).ends(0);
    assert!(std::fs::read_to_string(desk.join("r.md")).unwrap().contains(closed));
    let doc = desk.run(&["montage", "s", "--blind", "--out", "m", "--json"]).ends(0).json();
    let line = doc["fingerprint"].as_str().unwrap();
    for name in ["captions.vtt", "captions.srt", "chapter-times.txt"] {
        let text = std::fs::read_to_string(desk.join("m").join(name)).unwrap();
        // A caption has room for the digits alone; they are what `audit --published` looks for.
        let wanted = if name == "captions.srt" { line.rsplit(' ').next().unwrap() } else { line };
        assert_eq!(text.matches(wanted).count(), 1, "{name}: {text}");
    }
    desk.run(&["audit", "s", "--published", line]).ends(0);
}
