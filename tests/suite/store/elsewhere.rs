//! Sessions that come from elsewhere: nothing in them leads out of their folder, nothing foreign is run, nothing secret is for everybody.

use crate::program::Desk;
use crate::trial_support::played_session;
use rusqlite::Connection;
use std::os::unix::fs::PermissionsExt;

fn kind(desk: &Desk, args: &[&str], code: i32) -> String {
    desk.run(args).ends(code).json()["error"]["kind"].as_str().unwrap_or_default().to_owned()
}

/// Opens the records without their guards.
fn unguarded(desk: &Desk, sql: &str) {
    let db = Connection::open(desk.join("s/session.db")).unwrap();
    db.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    db.execute_batch(sql).unwrap();
}

#[test]
fn a_path_that_leads_out_of_the_folder_is_followed_by_nobody() {
    let desk = Desk::new();
    played_session(&desk, 4);
    std::fs::copy(desk.join("one-1.wav"), desk.join("private.wav")).unwrap();
    unguarded(&desk, "UPDATE take SET record = json_set (record, '$.path', '../private.wav') WHERE id = 't001'");
    assert_eq!(kind(&desk, &["match", "s", "--json"], 4), "untrusted-path");
    let doc = desk.run(&["audit", "s", "--json"]).ends(4).json();
    assert_eq!(doc["problems"][0]["where"], "take t001", "{doc:#}");
}

#[test]
fn a_link_in_the_place_of_a_recording_is_followed_by_nobody() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let take = std::fs::read_dir(desk.join("s/takes")).unwrap().next().unwrap().unwrap().path();
    std::fs::remove_file(&take).unwrap();
    std::os::unix::fs::symlink("/dev/zero", &take).unwrap();
    // It ends, and says why.
    assert_eq!(kind(&desk, &["match", "s", "--json"], 4), "untrusted-path");
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(4).json()["ok"], false);
    // Nor is a folder of recordings that lies elsewhere.
    std::fs::remove_file(&take).unwrap();
    std::fs::rename(desk.join("s/takes"), desk.join("elsewhere")).unwrap();
    std::os::unix::fs::symlink(desk.join("elsewhere"), desk.join("s/takes")).unwrap();
    std::fs::write(desk.join("elsewhere/.mine.part"), "not the program's").unwrap();
    assert_eq!(kind(&desk, &["match", "s", "--json"], 4), "untrusted-path");
    assert!(desk.join("elsewhere/.mine.part").exists(), "the sweep followed a link");
}

#[test]
fn a_hostile_schema_is_not_run() {
    for (sql, words) in [
        // A view in the place of a table that never ends.
        (
            "ALTER TABLE listener RENAME TO hidden; CREATE VIEW listener AS WITH RECURSIVE n (x) AS (SELECT 1 UNION ALL SELECT x + 1 \
             FROM n) SELECT x AS code, 0 AS simulated, '' AS record FROM n",
            "hidden",
        ),
        // A trigger that never ends.
        (
            "CREATE TRIGGER slow BEFORE UPDATE ON take BEGIN SELECT count(*) FROM (WITH RECURSIVE n (x) AS (SELECT 1 UNION ALL \
             SELECT x + 1 FROM n) SELECT x FROM n); END",
            "slow",
        ),
        ("CREATE TABLE more (a)", "more"),
    ] {
        let desk = Desk::new();
        played_session(&desk, 4);
        unguarded(&desk, sql);
        for args in [&["status", "s", "--json"][..], &["withdraw", "s", "--take", "t001", "--reason", "x", "--json"]] {
            let said = desk.run(args).ends(4).json();
            assert_eq!(said["error"]["kind"], "foreign-schema", "{said:#}");
        }
        let doc = desk.run(&["audit", "s", "--json"]).ends(4).json();
        assert!(doc["problems"].to_string().contains(words), "{doc:#}");
        let said = desk.run(&["bundle", "s", "--out", "b.zip", "--json"]).ends(4).json();
        assert_eq!(said["error"]["kind"], "foreign-schema");
    }
}

#[test]
fn what_is_matched_and_sealed_has_the_bytes_that_were_recorded() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let mut takes: Vec<_> = std::fs::read_dir(desk.join("s/takes")).unwrap().map(|e| e.unwrap().path()).collect();
    takes.sort();
    let mut bytes = std::fs::read(&takes[0]).unwrap();
    bytes[40_000..40_600].fill(0);
    std::fs::set_permissions(&takes[0], std::fs::Permissions::from_mode(0o644)).unwrap();
    std::fs::write(&takes[0], bytes).unwrap();
    assert_eq!(kind(&desk, &["match", "s", "--json"], 4), "changed-recording");
    assert_eq!(kind(&desk, &["plan", "s", "--compare", "one,two", "--json"], 4), "changed-recording");
    // Nothing was sealed, nothing was made.
    assert_eq!(
        Connection::open(desk.join("s/session.db")).unwrap().query_row("SELECT count(*) FROM test", [], |r| r.get::<_, i64>(0)),
        Ok(1)
    );
}

#[test]
fn records_are_for_their_owner_alone() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let mode = |name: &str| std::fs::metadata(desk.join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode("s/session.db"), 0o600);
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
    desk.run(&["unbundle", "b.zip", "again"]).ends(0);
    assert_eq!(mode("again/session.db"), 0o600);
}

#[test]
fn what_killed_programs_left_is_swept() {
    let desk = Desk::new();
    played_session(&desk, 4);
    // No process has that number: it is above Linux's largest (proc(5), pid_max: 2^22).
    for name in ["s/takes/.x.wav.part", "s/incoming/4194305-0.wav", ".b.zip.4194305.part", ".b.zip.4194305.db"] {
        std::fs::create_dir_all(desk.join(name).parent().unwrap()).unwrap();
        std::fs::write(desk.join(name), "half").unwrap();
    }
    std::fs::create_dir(desk.join(".again.4194305.part")).unwrap();
    let own = format!("s/incoming/{}-0.wav", std::process::id());
    std::fs::write(desk.join(&own), "on its way").unwrap();
    desk.run(&["withdraw", "s", "--take", "t004", "--reason", "x"]).ends(0);
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
    desk.run(&["unbundle", "b.zip", "again"]).ends(0);
    for name in
        ["s/takes/.x.wav.part", "s/incoming/4194305-0.wav", ".b.zip.4194305.part", ".b.zip.4194305.db", ".again.4194305.part"]
    {
        assert!(!desk.join(name).exists(), "{name} is still there");
    }
    assert!(desk.join(&own).exists(), "an upload of a living program was taken away");
}
