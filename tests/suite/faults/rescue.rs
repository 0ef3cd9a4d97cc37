//! A damaged session is diagnosed, and what can still be read of it becomes a session again.

use super::tells;
use crate::program::Desk;
use crate::trial_support::simulated_session;
use cabjury::model::ids::TestId;
use cabjury::model::trial::TrialState;
use cabjury::store::Session;
use rusqlite::Connection;
use std::collections::BTreeSet;

fn picked(desk: &Desk, folder: &str) -> BTreeSet<String> {
    let session = Session::open_read(&desk.join(folder)).unwrap();
    let ids = session.tests().unwrap().into_iter().map(|t| t.plan.test);
    let trials = ids.flat_map(|id: TestId| session.trials(&id).unwrap());
    trials.filter(|t| matches!(t.state, TrialState::Answered { .. })).map(|t| t.id.to_string()).collect()
}

/// A session with something in every table.
fn full(desk: &Desk) {
    simulated_session(desk, 60);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    desk.run(&["montage", "s", "--blind", "--out", "m"]).ends(0);
    Connection::open(desk.join("s/session.db")).unwrap().execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
}

#[test]
fn a_whole_session_is_given_back_as_it_was() {
    let desk = Desk::new();
    full(&desk);
    let doc = desk.run(&["rescue", "s", "all", "--json"]).ends(0).json();
    assert_eq!((&doc["complete"], &doc["picks"]), (&true.into(), &60.into()), "{doc:#}");
    let head = |folder: &str| desk.run(&["audit", folder, "--json"]).ends(0).json()["head_sha256"].clone();
    assert_eq!(head("all"), head("s"), "the log is the same to its last entry");
    let score = |folder: &str| desk.run(&["score", folder, "--json"]).ends(0).json()["tests"].clone();
    assert_eq!(score("all"), score("s"));
    // The folder that is written is never an old one.
    tells(&desk.run(&["rescue", "s", "all"]).ends(3), &["exists already"]);
}

#[test]
fn every_page_may_be_overwritten_and_a_session_comes_back() {
    let desk = Desk::new();
    full(&desk);
    let all = picked(&desk, "s");
    assert_eq!(all.len(), 60);
    let bytes = std::fs::read(desk.join("s/session.db")).unwrap();
    let pages = bytes.len() / 4096;
    let (mut saved, mut gaps) = (0, 0);
    for page in 0..pages {
        let mut broken = bytes.clone();
        broken[page * 4096..(page + 1) * 4096].iter_mut().enumerate().for_each(|(i, b)| *b = (i * 37 + page) as u8);
        std::fs::write(desk.join("s/session.db"), &broken).unwrap();
        let said = desk.run(&["rescue", "s", "back", "--json"]);
        assert!(said.code == 0 || said.code == 4, "page {page}: {}", said.err);
        let doc = said.json();
        assert!(doc["error"].is_null(), "page {page}: {doc:#}");
        let found = picked(&desk, "back");
        assert!(found.is_subset(&all), "page {page}: a pick that never was");
        saved += found.len();
        // It opens, it scores, it verifies, and its gaps are named.
        let audit = desk.run(&["audit", "back", "--json"]).ends(0).json();
        let named = audit["remarks"].to_string().contains("rescued");
        let lost = !doc["gaps"]["lost"].as_array().unwrap().is_empty();
        assert!(named || !lost, "page {page}: {audit:#}");
        gaps += usize::from(named);
        desk.run(&["score", "back", "--json"]).ends(0);
        std::fs::remove_dir_all(desk.join("back")).unwrap();
    }
    assert!(saved as f64 > 0.97 * (60 * pages) as f64, "{saved} of {}", 60 * pages);
    assert!(gaps > 0, "no page held any of the log: the test breaks nothing");
}

#[test]
fn a_table_that_is_gone_comes_back_out_of_the_log_and_the_log_out_of_the_tables() {
    let desk = Desk::new();
    full(&desk);
    let bytes = std::fs::read(desk.join("s/session.db")).unwrap();
    let score = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"].clone();
    for table in ["note", "rig", "take", "match_run", "clip", "meter", "listener", "test", "trial", "vote_count", "log"] {
        std::fs::write(desk.join("s/session.db"), &bytes).unwrap();
        let db = Connection::open(desk.join("s/session.db")).unwrap();
        db.execute_batch(&format!("PRAGMA foreign_keys = OFF; DROP TABLE {table}; PRAGMA wal_checkpoint(TRUNCATE)")).unwrap();
        drop(db);
        let doc = desk.run(&["rescue", "s", "back", "--json"]).json();
        assert!(doc["error"].is_null(), "{table}: {doc:#}");
        assert_eq!(desk.run(&["score", "back", "--json"]).ends(0).json()["tests"], score, "{table}");
        let audit = desk.run(&["audit", "back", "--json"]).ends(0).json();
        assert_eq!(audit["remarks"].as_array().unwrap().is_empty(), table != "log", "{table}: {audit:#}");
        std::fs::remove_dir_all(desk.join("back")).unwrap();
    }
}

#[test]
fn the_recordings_alone_become_a_session() {
    let desk = Desk::new();
    full(&desk);
    for broken in [Some("this was a session once"), None] {
        match broken {
            Some(text) => std::fs::write(desk.join("s/session.db"), text).unwrap(),
            None => std::fs::remove_file(desk.join("s/session.db")).unwrap(),
        }
        let doc = desk.run(&["rescue", "s", "back", "--json"]).ends(4).json();
        assert_eq!(doc["files"]["unrecorded"].as_array().unwrap().len(), 4, "{doc:#}");
        let session = Session::open_read(&desk.join("back")).unwrap();
        assert_eq!(session.takes().unwrap().len(), 4);
        desk.run(&["audit", "back"]).ends(0);
        drop(session);
        std::fs::remove_dir_all(desk.join("back")).unwrap();
    }
    // Reading such a session otherwise says what it is and what to do; a folder with nothing in it is no session at all.
    std::fs::write(desk.join("s/session.db"), b"this was a session once").unwrap();
    tells(&desk.run(&["score", "s"]).ends(4), &["damaged", "cabjury rescue"]);
    std::fs::create_dir(desk.join("empty")).unwrap();
    tells(&desk.run(&["rescue", "empty", "back"]).ends(4), &["no recording"]);
}
