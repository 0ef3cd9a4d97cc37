//! The known forgeries: each is found, and found in its place.

use super::unguarded::Unguarded;
use crate::program::Desk;
use crate::trial_support::simulated_session;
use rusqlite::Connection;
use serde_json::Value;
use std::process::Command;

/// A finished session with something in nearly every table.
pub(crate) fn finished(desk: &Desk) {
    simulated_session(desk, 12);
    desk.run(&["rehearse", "s", "--hears", "0.6", "--runs", "1", "--seed", "3", "--keep", "sim"]).ends(0);
    desk.run(&["montage", "s", "--blind", "--out", "m"]).ends(0);
    desk.run(&["audit", "s"]).ends(0);
}

/// A copy of the session with the guards off, edited, audited: the problems.
fn audited(desk: &Desk, edit: &str) -> Vec<(String, String)> {
    let _ = std::fs::remove_dir_all(desk.join("f"));
    assert!(Command::new("cp").arg("-r").arg(desk.join("s")).arg(desk.join("f")).status().unwrap().success());
    let db = Unguarded::new(Connection::open(desk.join("f/session.db")).unwrap());
    db.execute_batch(edit).unwrap_or_else(|e| panic!("{edit}: {e}"));
    drop(db);
    let said = desk.run(&["audit", "f", "--json"]);
    let doc = said.json();
    let problems = doc["problems"].as_array().unwrap_or_else(|| panic!("{edit}: {doc:#}")).clone();
    assert_eq!(said.code, if problems.is_empty() { 0 } else { 4 }, "{edit}");
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    problems.iter().map(|p| (text(&p["where"]), text(&p["what"]))).collect()
}

#[test]
fn every_known_forgery_is_found_in_its_place() {
    let desk = Desk::new();
    finished(&desk);
    assert_eq!(audited(&desk, ""), vec![], "the copy itself verifies");
    for (edit, place) in [
        // One right trial's record copied over the others: "21 of 16 right" was verified.
        (
            "UPDATE trial SET record = (SELECT record FROM trial WHERE json_extract (record, '$.state.right') = 1 LIMIT 1) \
             WHERE json_extract (record, '$.state.right') = 0",
            "trial ",
        ),
        ("UPDATE test SET canonical = replace (canonical, 'listeners: 1', 'listeners: 2')", "test test-1"),
        ("UPDATE take SET setup = CASE setup WHEN 'one' THEN 'two' ELSE 'one' END", "take t001"),
        (
            "UPDATE take SET record = json_set (record, '$.setup', 'one') WHERE json_extract (record, '$.setup') = 'two'",
            "take t002",
        ),
        ("UPDATE clip SET setup = CASE setup WHEN 'one' THEN 'two' ELSE 'one' END", "clip c001"),
        ("UPDATE clip SET record = (SELECT record FROM clip WHERE id = 'c002') WHERE id = 'c001'", "clip c001"),
        ("DELETE FROM rig", "rig 1"),
        ("UPDATE note SET value = 'Another title' WHERE key = 'title'", "note title"),
        ("INSERT INTO note VALUES ('invented', 'never said')", "note invented"),
        ("INSERT INTO meter VALUES (99, 'w', '{}')", "meter 99"),
        ("INSERT INTO vote_count VALUES (7, NULL, '{}')", "vote_count 7"),
        ("UPDATE listener SET simulated = 0", "listener sim"),
        ("UPDATE listener SET record = json_set (record, '$.simulated', json ('false'))", "listener sim"),
        ("DELETE FROM trial WHERE seq = 3", "trial "),
        ("UPDATE trial SET seq = seq + 100 WHERE seq = 3", "trial "),
        ("UPDATE montage SET record = json_set (record, '$.clips', 99)", "montage montage-1"),
        ("UPDATE montage SET key_text = '[]'", "montage montage-1"),
        ("UPDATE montage SET key_text = '[]', nonce = 'a1'", "montage montage-1"),
        ("UPDATE montage SET nonce = replace (nonce, substr (nonce, 1, 1), 'x')", "montage montage-1"),
        ("CREATE TRIGGER extra AFTER INSERT ON log BEGIN DELETE FROM note; END", "trigger extra"),
        ("CREATE INDEX extra ON trial (state)", "index extra"),
        ("CREATE VIEW extra AS SELECT 1", "view extra"),
        ("CREATE TABLE extra (a)", "table extra"),
        ("DROP INDEX trial_by_test", "index trial_by_test"),
        ("DELETE FROM log WHERE seq = (SELECT max (seq) FROM log WHERE what = 'pick')", "log entry"),
    ] {
        let problems = audited(&desk, edit);
        assert!(problems.iter().any(|(p, _)| p.starts_with(place)), "{edit}: {problems:?}");
    }
}

/// However records are forged, nobody answers more trials than there were.
#[test]
fn no_count_is_larger_than_the_plan() {
    let desk = Desk::new();
    simulated_session(&desk, 4);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "sim"]).ends(0);
    let db = Connection::open(desk.join("s/session.db")).unwrap();
    // Another trial, made of one that was right, with an id of its own.
    db.execute_batch(
        "INSERT INTO trial SELECT 'f' || id, seq + 100, test, listener, state, commitment, json_set (record, '$.id', 'f' || id) FROM trial",
    )
    .unwrap();
    drop(db);
    let test = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0].clone();
    // What was frozen when the test closed stays, and nothing counts the forged answers.
    assert_eq!((&test["done"], &test["trials"], &test["correct"]), (&4.into(), &4.into(), &4.into()), "{test:#}");
    desk.run(&["audit", "s"]).ends(4);
}

#[test]
fn dropped_guards_are_missed() {
    let desk = Desk::new();
    finished(&desk);
    let db = Connection::open(desk.join("s/session.db")).unwrap();
    db.execute_batch("DROP TRIGGER trial_ends_once").unwrap();
    drop(db);
    let doc = desk.run(&["audit", "s", "--json"]).ends(4).json();
    assert_eq!(doc["problems"][0]["where"], "trigger trial_ends_once", "{doc:#}");
}
