//! Random single edits of a finished session: of any row, column, order, key, schema object, file or byte. Each is noticed by the audit, with
//! its place, or changes nothing that the session tells. None panics.

use super::forged::finished;
use super::unguarded::Unguarded;
use crate::material::Noise;
use crate::program::Desk;
use cabjury::store::Session;
use cabjury::verdict::{audit::audit, score::score};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::fs;
use std::path::Path;

/// Edits: a short form here, `CABJURY_EDITS` in `tests/long forge`.
fn edits() -> usize {
    std::env::var("CABJURY_EDITS").ok().and_then(|n| n.parse().ok()).unwrap_or(150)
}

fn below(noise: &mut Noise, n: usize) -> usize {
    (((noise.next() + 1.0) / 2.0 * n as f64) as usize).min(n.saturating_sub(1))
}

/// Everything that a session tells: what any command prints is made of this and of its files.
fn told(folder: &Path) -> Result<String, String> {
    let e = |e: cabjury::store::StoreError| e.to_string();
    let session = Session::open_read(folder).map_err(e)?;
    let mut text = format!("{:?}\n{:?}\n", session.rig().map_err(e)?, session.id().map_err(e)?);
    for key in ["title", "made-at", "last-check", "invented"] {
        text += &format!("{:?}\n", session.note(key).map_err(e)?);
    }
    let (takes, clips, runs) = (session.takes().map_err(e)?, session.clips().map_err(e)?, session.match_runs().map_err(e)?);
    text += &format!("{takes:?}\n{clips:?}\n{runs:?}\n{:?}\n", session.meter_readings().map_err(e)?);
    text += &format!("{:?}\n{:?}\n", session.listeners().map_err(e)?, session.invitations().map_err(e)?);
    for test in session.tests().map_err(e)? {
        let id = test.plan.test.clone();
        text += &format!("{test:?}\n{:?}\n{:?}\n", session.trials(&id).map_err(e)?, session.frozen_result(&id).map_err(e)?);
        text += &format!("{:?}\n{:?}\n", session.sealed_under(&id).map_err(e)?, session.given_up(&id).map_err(e)?);
    }
    for montage in session.montages().map_err(e)? {
        let key = session.montage_key(&montage.id).map_err(e)?;
        text += &format!("{montage:?} {} {}\n{:?}\n", key.nonce, key.text, session.vote_counts(Some(&montage.id)).map_err(e)?);
    }
    text += &format!("{:?}\n{:?}\n", session.vote_counts(None).map_err(e)?, session.chain().map_err(e)?);
    text += &serde_json::to_string(&score(folder, None).map_err(|e| e.to_string())?).unwrap();
    Ok(text.replace(&folder.display().to_string(), "session"))
}

/// A copy to be edited: records copied, sound files as second names of the same bytes.
fn copy(from: &Path, to: &Path) {
    let _ = fs::remove_dir_all(to);
    for part in ["takes", "clips", "reports"] {
        fs::create_dir_all(to.join(part)).unwrap();
        for entry in fs::read_dir(from.join(part)).unwrap().flatten() {
            fs::hard_link(entry.path(), to.join(part).join(entry.file_name())).unwrap();
        }
    }
    fs::create_dir_all(to.join("keys")).unwrap();
    fs::copy(from.join("keys/montage-1.key"), to.join("keys/montage-1.key")).unwrap();
    fs::copy(from.join("session.db"), to.join("session.db")).unwrap();
}

const TABLES: [&str; 13] = [
    "note",
    "rig",
    "take",
    "match_run",
    "clip",
    "meter",
    "listener",
    "test",
    "trial",
    "invitation",
    "montage",
    "vote_count",
    "log",
];

fn changed(value: &Value, noise: &mut Noise) -> Value {
    match value {
        Value::Integer(n) => Value::Integer(n + [-1, 1, 1000][below(noise, 3)]),
        Value::Text(text) if !text.is_empty() => {
            let mut chars: Vec<char> = text.chars().collect();
            let at = below(noise, chars.len());
            match below(noise, 4) {
                0 => chars[at] = if chars[at] == '1' { '2' } else { '1' },
                1 => drop(chars.remove(at)),
                2 => chars.insert(at, ['x', ' ', '\u{202e}'][below(noise, 3)]),
                _ => chars.truncate(at),
            }
            Value::Text(chars.into_iter().collect())
        }
        Value::Null => Value::Text("x".to_owned()),
        _ => Value::Text("{}".to_owned()),
    }
}

/// One edit of the tables, in words; nothing where SQLite's own rules (uniqueness, checks) forbid it or nothing was changed.
fn edit_row(db: &Connection, noise: &mut Noise) -> Option<String> {
    let table = TABLES[below(noise, TABLES.len())];
    let rows: Vec<i64> =
        db.prepare(&format!("SELECT rowid FROM {table}")).ok()?.query_map([], |r| r.get(0)).ok()?.flatten().collect();
    let columns: Vec<String> =
        db.prepare("SELECT name FROM pragma_table_info(?1)").ok()?.query_map([table], |r| r.get(0)).ok()?.flatten().collect();
    if rows.is_empty() {
        return None;
    }
    let (row, other) = (rows[below(noise, rows.len())], rows[below(noise, rows.len())]);
    let column = &columns[below(noise, columns.len())];
    let what = match below(noise, 6) {
        0 | 1 => {
            let value: Value =
                db.query_row(&format!("SELECT {column} FROM {table} WHERE rowid = ?1"), [row], |r| r.get(0)).ok()?;
            let new = changed(&value, noise);
            db.execute(&format!("UPDATE {table} SET {column} = ?1 WHERE rowid = ?2"), (&new, row)).ok()?;
            format!("{table}.{column} of row {row} becomes {new:?}").chars().take(200).collect()
        }
        2 => {
            db.execute(&format!("DELETE FROM {table} WHERE rowid = ?1"), [row]).ok()?;
            format!("row {row} of {table} deleted")
        }
        3 => {
            let sql = format!("UPDATE {table} SET {column} = (SELECT {column} FROM {table} WHERE rowid = ?1) WHERE rowid = ?2");
            db.execute(&sql, [row, other]).ok()?;
            format!("{table}.{column} of row {row} copied over row {other}")
        }
        4 => {
            db.execute(&format!("UPDATE {table} SET rowid = rowid + 1000 WHERE rowid = ?1"), [row]).ok()?;
            format!("row {row} of {table} moved to the end")
        }
        _ => {
            let list = columns.join(", ");
            let values: Vec<String> = columns
                .iter()
                .map(|c| match c.as_str() {
                    "id" | "key" | "code" | "sha256" => format!("{c} || 'x'"),
                    "seq" | "run" | "one" => format!("{c} + 1000"),
                    _ => c.clone(),
                })
                .collect();
            let sql = format!("INSERT INTO {table} ({list}) SELECT {} FROM {table} WHERE rowid = ?1", values.join(", "));
            db.execute(&sql, [row]).ok()?;
            format!("row {row} of {table} doubled under another key")
        }
    };
    Some(what)
}

fn edit_schema(db: &Connection, noise: &mut Noise) -> Option<String> {
    let objects: Vec<(String, String)> = db
        .prepare("SELECT type, name FROM sqlite_schema WHERE sql IS NOT NULL")
        .ok()?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
        .ok()?
        .flatten()
        .collect();
    let (kind, name) = &objects[below(noise, objects.len())];
    let table = TABLES[below(noise, TABLES.len())];
    let sql = match below(noise, 8) {
        0 | 1 => format!("DROP {kind} {name}"),
        2 => format!("CREATE TRIGGER more AFTER INSERT ON {table} BEGIN SELECT 1; END"),
        3 => "CREATE TABLE more (a TEXT)".to_owned(),
        4 => format!("CREATE INDEX more ON {table} (rowid + 0)").replace("rowid + 0", "1 + 1"),
        5 => format!("ALTER TABLE {table} ADD COLUMN more TEXT"),
        6 => format!(
            "ALTER TABLE {table} RENAME TO hidden; CREATE VIEW {table} AS \
             WITH RECURSIVE n (x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT h.* FROM hidden h, n"
        ),
        _ => ["PRAGMA user_version = 2", "PRAGMA user_version = 9", "PRAGMA application_id = 1"][below(noise, 3)].to_owned(),
    };
    db.execute_batch("PRAGMA foreign_keys = OFF").ok()?;
    db.execute_batch(&sql).ok()?;
    Some(sql)
}

fn edit_file(folder: &Path, noise: &mut Noise) -> Option<String> {
    let part = ["takes", "clips"][below(noise, 2)];
    let mut files: Vec<_> = fs::read_dir(folder.join(part)).ok()?.flatten().map(|e| e.path()).collect();
    files.sort();
    let path = &files[below(noise, files.len())];
    let mut bytes = fs::read(path).ok()?;
    let at = below(noise, bytes.len());
    // The name is given up first: the bytes belong to the session that is copied as well.
    fs::remove_file(path).ok()?;
    let what = match below(noise, 5) {
        0 => {
            bytes[at] ^= 1 << below(noise, 8);
            fs::write(path, bytes).ok()?;
            "a bit turned"
        }
        1 => {
            bytes.truncate(at);
            fs::write(path, bytes).ok()?;
            "cut"
        }
        2 => {
            std::os::unix::fs::symlink("/dev/zero", path).ok()?;
            "a link to /dev/zero"
        }
        3 => {
            fs::create_dir(path).ok()?;
            "a folder"
        }
        _ => "gone",
    };
    Some(format!("{} is {what}", path.display()))
}

fn edit_byte(folder: &Path, noise: &mut Noise) -> Option<String> {
    let path = folder.join("session.db");
    let mut bytes = fs::read(&path).ok()?;
    let at = below(noise, bytes.len());
    bytes[at] ^= 1 << below(noise, 8);
    fs::write(&path, bytes).ok()?;
    Some(format!("bit of byte {at} of session.db turned"))
}

fn edit(folder: &Path, noise: &mut Noise) -> Option<String> {
    match below(noise, 10) {
        0 => return edit_file(folder, noise),
        1 => return edit_byte(folder, noise),
        _ => {}
    }
    let db = Connection::open(folder.join("session.db")).unwrap();
    if below(noise, 8) == 0 {
        return edit_schema(&db, noise);
    }
    db.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    edit_row(&Unguarded::new(db), noise)
}

#[test]
fn every_random_edit_is_noticed_or_changes_nothing() {
    let desk = Desk::new();
    finished(&desk);
    let (original, forged) = (desk.join("s"), desk.join("forged"));
    Connection::open(original.join("session.db")).unwrap().execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    let before = told(&original).unwrap();
    let mut noise = Noise(19);
    let (mut made, mut noticed, mut harmless) = (0, 0, 0);
    while made < edits() {
        copy(&original, &forged);
        let Some(what) = edit(&forged, &mut noise) else { continue };
        made += 1;
        match audit(&forged) {
            Ok(doc) if doc.ok => {
                assert_eq!(told(&forged).as_ref(), Ok(&before), "not noticed: {what}");
                harmless += 1;
            }
            Ok(doc) => {
                assert!(doc.problems.iter().all(|p| !p.place.is_empty() && !p.what.is_empty()), "{what}: {:?}", doc.problems);
                noticed += 1;
            }
            // Not even opened, with a reason.
            Err(error) => {
                assert!(!error.to_string().is_empty());
                noticed += 1;
            }
        }
    }
    println!("{made} edits: {noticed} noticed, {harmless} changed nothing that is told");
    assert!(noticed > made / 2 && harmless < made / 2, "{noticed} noticed, {harmless} harmless");
}
