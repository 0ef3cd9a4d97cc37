//! A damaged session is diagnosed, and what can still be read of it is saved.

use super::tells;
use crate::program::Desk;
use crate::trial_support::simulated_session;
use serde_json::Value;
use std::collections::BTreeSet;

fn records(desk: &Desk, to: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(desk.join(to).join("records.jsonl")).unwrap();
    text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}

fn picked(records: &[Value]) -> BTreeSet<String> {
    let trial = |r: &&Value| r["table"] == "trial" && r["record"]["state"]["state"] == "answered";
    records.iter().filter(trial).map(|r| r["record"]["id"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn a_damaged_session_is_named_and_what_is_left_is_saved() {
    let desk = Desk::new();
    simulated_session(&desk, 100);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let whole = desk.run(&["rescue", "s", "all", "--json"]).ends(0).json();
    assert_eq!((&whole["complete"], &whole["picks"]), (&true.into(), &100.into()), "{whole:#}");
    assert_eq!(whole["chain"]["read"], whole["chain"]["holds_to"]);
    let all = picked(&records(&desk, "all"));
    assert_eq!(all.len(), 100);

    // Pages of the file are overwritten one after another: whatever page it is, nothing panics, and what is written is true.
    let bytes = std::fs::read(desk.join("s/session.db")).unwrap();
    let pages = bytes.len() / 4096;
    let (mut saved, mut from_log, mut unreadable) = (0, 0, 0);
    for page in 0..pages {
        let mut broken = bytes.clone();
        broken[page * 4096..(page + 1) * 4096].iter_mut().enumerate().for_each(|(i, b)| *b = (i * 37 + page) as u8);
        std::fs::write(desk.join("s/session.db"), &broken).unwrap();
        let to = format!("saved{page}");
        if desk.run(&["rescue", "s", "probe"]).code != 0 && !desk.join("probe").exists() {
            // The file's head and the few pages with the list of tables: without them nothing tells which page holds what.
            tells(&desk.run(&["rescue", "s", &to]).ends(4), &["damaged", "backup"]);
            unreadable += 1;
            continue;
        }
        std::fs::remove_dir_all(desk.join("probe")).unwrap();
        let said = desk.run(&["rescue", "s", &to, "--json"]);
        assert!(said.code == 0 || said.code == 4, "page {page}: {}", said.err);
        let doc = said.json();
        let found = picked(&records(&desk, &to));
        assert!(found.is_subset(&all), "page {page}: a pick that never was");
        saved += found.len();
        from_log += doc["tables"].as_array().unwrap().iter().map(|t| t["from_log"].as_u64().unwrap()).sum::<u64>();
        assert_eq!(doc["files"]["changed"], serde_json::json!([]));
        std::fs::remove_dir_all(desk.join(&to)).unwrap();
    }
    assert!((1..=6).contains(&unreadable), "{unreadable} of {pages} pages lead to nothing at all");
    // One page in some dozens is lost: nearly everything is saved, most of the rest out of the log.
    assert!(saved as f64 > 0.97 * 100.0 * (pages - unreadable) as f64, "{saved} of {}", 100 * (pages - unreadable));
    assert!(from_log > 0, "the log was never needed: the test breaks nothing");

    // Reading such a session otherwise says what it is and what to do.
    std::fs::write(desk.join("s/session.db"), b"this was a session once").unwrap();
    tells(&desk.run(&["score", "s"]).ends(4), &["damaged", "cabjury rescue"]);
    // The folder that is written is never an old one.
    tells(&desk.run(&["rescue", "s", "all"]).ends(3), &["exists already"]);
}
