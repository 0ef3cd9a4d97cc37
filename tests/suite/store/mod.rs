//! Session folder, migrations, log chain.

mod elsewhere;
mod forge;
mod forged;
mod killed;
pub(crate) mod older;
pub(crate) mod unguarded;

use crate::program::Desk;
use cabjury::model::explain::{Explain, Fate};
use cabjury::store::versions::{MIGRATIONS, newest};
use cabjury::store::{Session, StoreError};
use jiff::Timestamp;
use rusqlite::Connection;

fn now() -> Timestamp {
    Timestamp::now()
}

#[test]
fn all_migrations_apply_to_an_empty_file() {
    let connection = Connection::open_in_memory().unwrap();
    for sql in MIGRATIONS {
        connection.execute_batch(sql).unwrap();
    }
    let strict: i64 = connection
        .query_row(
            "SELECT count(*) FROM pragma_table_list WHERE strict = 0 AND schema = 'main' AND name NOT LIKE 'sqlite_%'",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(strict, 0, "a table is not STRICT");
}

#[test]
fn pragmas_are_what_a_power_cut_asks_for() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    let session = Session::create(&folder, None, now()).unwrap();
    let other = Connection::open(folder.join("session.db")).unwrap();
    let mode: String = other.query_row("PRAGMA journal_mode", [], |r| r.get(0)).unwrap();
    assert_eq!(mode, "wal");
    drop(session);
}

#[test]
fn a_second_writer_is_told_at_once_and_a_reader_is_not_kept_out() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    let _first = Session::create(&folder, Some("mine"), now()).unwrap();
    let error = Session::open_write(&folder, now()).unwrap_err();
    assert!(matches!(error, StoreError::Locked { .. }), "{error}");
    assert_eq!((error.kind(), error.fate()), ("session-locked", Fate::Failed));
    let reader = Session::open_read(&folder).unwrap();
    assert_eq!(reader.note("title").unwrap().as_deref(), Some("mine"));
}

#[test]
fn a_second_process_is_told_at_once() {
    let desk = Desk::new();
    let _first = Session::create(&desk.join("s"), None, now()).unwrap();
    let said = desk.run(&["withdraw", "s", "--take", "t001", "--reason", "x", "--json"]).ends(1);
    assert_eq!(said.json()["error"]["kind"], "session-locked");
}

#[test]
fn a_newer_session_is_refused_untouched() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    drop(Session::create(&folder, None, now()).unwrap());
    let connection = Connection::open(folder.join("session.db")).unwrap();
    connection.pragma_update(None, "user_version", newest() + 1).unwrap();
    connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    drop(connection);
    let before = std::fs::read(folder.join("session.db")).unwrap();
    for error in [Session::open_read(&folder).unwrap_err(), Session::open_write(&folder, now()).unwrap_err()] {
        assert_eq!((error.kind(), error.fate()), ("newer-session", Fate::Refused), "{error}");
    }
    assert_eq!(std::fs::read(folder.join("session.db")).unwrap(), before, "the newer file was touched");
}

/// A session as a program of the first or second schema left it behind: the tables, the log and the triggers of that day.
fn of_schema(desk: &Desk, schema: usize) {
    crate::trial_support::simulated_session(desk, 16);
    desk.run(&["rehearse", "s", "--hears", "0.9", "--runs", "1", "--seed", "3", "--keep", "sim"]).ends(0);
    crate::store::older::made_older(&desk.join("s/session.db"), schema);
}

#[test]
fn a_session_of_an_older_program_is_brought_up_to_date_with_a_copy_beside_it() {
    let desk = Desk::new();
    of_schema(&desk, 1);
    let db = |name: &str| Connection::open(desk.join(name)).unwrap();
    let version = |c: &Connection| c.query_row("PRAGMA user_version", [], |r| r.get::<_, i64>(0)).unwrap();
    assert_eq!(version(&db("s/session.db")), 1);
    // A command that only reads is enough.
    let audit = desk.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!((audit["ok"].as_bool(), audit["verdicts"].as_array().unwrap().len()), (Some(true), 1));
    assert_eq!((version(&db("s/session.db")), version(&db("s/session-schema-1.db"))), (newest(), 1));
    let count = |c: &Connection| c.query_row("SELECT count(*) FROM log", [], |r| r.get::<_, i64>(0)).unwrap();
    // What was never logged is logged now: the session's id, and what the log left out.
    assert_eq!(count(&db("s/session.db")), count(&db("s/session-schema-1.db")) + 2);
    desk.run(&["montage", "s", "--blind", "--out", "m"]).ends(0);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// A session that a program of the second schema made (its demo with seed 7, bundled without sound), and the same as one of the first
/// schema: they open, verify and score what that program scored.
#[test]
fn sessions_of_older_programs_score_the_same() {
    let packed = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/sessions/schema-2.zip.gz");
    let desk = Desk::new();
    let bundle = std::process::Command::new("gzip").args(["-dc", packed]).output().unwrap().stdout;
    std::fs::write(desk.join("old.zip"), bundle).unwrap();
    for schema in [2, 1] {
        desk.run(&["unbundle", "old.zip", "s"]).ends(0);
        if schema == 1 {
            crate::store::older::made_older(&desk.join("s/session.db"), 1);
        }
        let audit = desk.run(&["audit", "s", "--json"]).ends(0).json();
        assert_eq!((&audit["ok"], &audit["records"]), (&true.into(), &208.into()), "{audit:#}");
        let tests = desk.run(&["score", "s", "--json"]).ends(0).json()["tests"].clone();
        for (test, done, correct, p) in [(0, 48, 39, 7.610_913_055_344_798e-6), (1, 16, 8, 0.598_190_307_617_187_1)] {
            assert_eq!((&tests[test]["done"], &tests[test]["correct"]), (&done.into(), &correct.into()), "schema {schema}");
            assert!((tests[test]["p_value"].as_f64().unwrap() / p - 1.0).abs() < 1e-12, "schema {schema}");
        }
        desk.run(&["status", "s"]).ends(0);
        std::fs::remove_dir_all(desk.join("s")).unwrap();
    }
}

#[test]
fn an_older_session_that_somebody_writes_is_left_alone_until_they_are_done() {
    let desk = Desk::new();
    of_schema(&desk, 1);
    let lock = std::fs::OpenOptions::new().write(true).open(desk.join("s/session.lock")).unwrap();
    lock.try_lock().unwrap();
    assert_eq!(desk.run(&["status", "s", "--json"]).ends(1).json()["error"]["kind"], "session-locked");
    drop(lock);
    desk.run(&["status", "s"]).ends(0);
}

#[test]
fn what_is_no_session_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().to_owned();
    assert_eq!(Session::open_read(&folder.join("nothing")).unwrap_err().kind(), "missing-folder");
    assert_eq!(Session::open_read(&folder).unwrap_err().kind(), "not-a-session");
    std::fs::write(folder.join("session.db"), "not a database, but long enough to look like one, surely it is").unwrap();
    assert_eq!(Session::open_read(&folder).unwrap_err().kind(), "damaged-session");
    let taken = Session::create(&folder, None, now()).unwrap_err();
    assert_eq!((taken.kind(), taken.fate()), ("exists-already", Fate::Refused));
}

#[test]
fn the_chain_holds_and_shows_every_tampering() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    let mut session = Session::create(&folder, Some("one"), now()).unwrap();
    for k in 0..20 {
        session.set_note("key", &format!("value {k}"), now()).unwrap();
    }
    let chain = session.chain().unwrap();
    // Id, time of making, title, and twenty notes.
    assert_eq!((chain.records, chain.breaks.len()), (23, 0));
    drop(session);
    let tampered = |sql: &str| {
        let copy = tempfile::tempdir().unwrap();
        std::fs::copy(folder.join("session.db"), copy.path().join("session.db")).unwrap();
        let connection = Connection::open(copy.path().join("session.db")).unwrap();
        assert!(connection.execute_batch("UPDATE log SET body = 'x' WHERE seq = 3").is_err(), "the log let itself be changed");
        connection.execute_batch("DROP TRIGGER log_is_append_only_1; DROP TRIGGER log_is_append_only_2;").unwrap();
        connection.execute_batch(sql).unwrap();
        drop(connection);
        Session::open_read(copy.path()).unwrap().chain().unwrap()
    };
    for sql in [
        "UPDATE log SET body = 'value 99' WHERE seq = 5",
        "UPDATE log SET at = '2000-01-01T00:00:00Z' WHERE seq = 5",
        "DELETE FROM log WHERE seq = 5",
        "UPDATE log SET hash = (SELECT hash FROM log WHERE seq = 4) WHERE seq = 5",
    ] {
        assert!(!tampered(sql).breaks.is_empty(), "{sql} was not seen");
    }
    // What the chain alone cannot see is a cut tail: the head changes, which is why the report prints it.
    let cut = tampered("DELETE FROM log WHERE seq > 10");
    assert!(cut.breaks.is_empty() && cut.head != chain.head);
}

/// A program that starts another one duplicates its open files for a moment: the lock of a session that was closed must not live on in
/// the other one. (flock(2): unlocking by any one of the duplicates unlocks them all; closing one of them does not.)
#[test]
fn a_closed_session_can_be_opened_at_once_though_programs_are_being_started() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    drop(Session::create(&folder, None, now()).unwrap());
    let done = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                while !done.load(std::sync::atomic::Ordering::Relaxed) {
                    let _ = std::process::Command::new("true").status();
                }
            });
        }
        let locked = (0..2000).filter(|_| Session::open_write(&folder, now()).is_err()).count();
        done.store(true, std::sync::atomic::Ordering::Relaxed);
        assert_eq!(locked, 0);
    });
}

/// A long chain is walked in pieces side by side: they find what one walk finds, however it is cut and wherever it was changed.
#[test]
fn a_chain_in_pieces_is_the_chain() {
    let changes = [
        "",
        "UPDATE log SET body = '\"other\"' WHERE seq = 7",
        "UPDATE log SET hash = replace (hash, '0', '1') WHERE seq = 12",
        "DELETE FROM log WHERE seq = 1",
        "DELETE FROM log WHERE seq BETWEEN 9 AND 14",
        "UPDATE log SET seq = -3 WHERE seq = 4",
        "DELETE FROM log",
    ];
    for change in changes {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("s");
        let mut session = Session::create(&folder, None, now()).unwrap();
        for n in 0..20 {
            session.log_event("device", "x", &n, now()).unwrap();
        }
        drop(session);
        let db = Connection::open(folder.join("session.db")).unwrap();
        db.execute_batch("DROP TRIGGER log_is_append_only_1; DROP TRIGGER log_is_append_only_2").unwrap();
        db.execute_batch(change).unwrap();
        drop(db);
        let session = Session::open_read(&folder).unwrap();
        let whole = session.chain().unwrap();
        assert_eq!(whole.breaks.is_empty(), change.is_empty() || change == "DELETE FROM log", "{change}");
        for entries in [1, 2, 3, 7, 20, 21, 22, 1000] {
            let pieces = session.chain_pieces(entries).unwrap();
            let walked: Vec<_> = pieces.into_iter().map(|p| session.chain_piece(p).unwrap()).collect();
            assert_eq!(walked.iter().map(|w| w.records).sum::<u64>(), whole.records, "{change}, {entries}");
            assert_eq!(walked.iter().flat_map(|w| w.breaks.clone()).collect::<Vec<_>>(), whole.breaks, "{change}, {entries}");
            assert!(entries > 7 || walked.len() > 2 || whole.records == 0);
        }
    }
}
