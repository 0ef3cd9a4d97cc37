//! Sessions of older schemas, made out of new ones: every record as the older program kept it.

use cabjury::store::log::{GENESIS, entry_hash};
use cabjury::store::versions::{APPLICATION_ID, MIGRATIONS};
use rusqlite::Connection;
use serde_json::value::RawValue;
use std::path::Path;

#[derive(serde::Deserialize)]
struct Sealed<'a> {
    #[serde(borrow)]
    sealed: &'a RawValue,
}

#[derive(serde::Deserialize)]
struct Closed<'a> {
    #[serde(borrow)]
    closed: &'a RawValue,
}

#[derive(serde::Deserialize)]
struct Made<'a> {
    #[serde(borrow)]
    made: &'a RawValue,
}

#[derive(serde::Deserialize)]
struct Invited {
    test: String,
}

/// The record within a body that programs before the third schema wrote without anything around it.
fn inner(what: &str, body: &str) -> Option<String> {
    match what {
        "seal" => serde_json::from_str::<Sealed<'_>>(body).ok().map(|b| b.sealed.get().to_owned()),
        "close" => serde_json::from_str::<Closed<'_>>(body).ok().map(|b| b.closed.get().to_owned()),
        "montage" => serde_json::from_str::<Made<'_>>(body).ok().map(|b| b.made.get().to_owned()),
        "invite" => serde_json::from_str::<Invited>(body).ok().map(|b| b.test),
        _ => None,
    }
}

/// An entry's body as the programs before the third schema wrote it; nothing for entries that they did not write.
fn older_body(what: &str, body: &str) -> Option<String> {
    match what {
        "session" | "migrated" => None,
        // What an older program wrote stays as it is.
        _ => Some(inner(what, body).unwrap_or_else(|| body.to_owned())),
    }
}

/// Older programs kept the keys of blind montages among the records.
fn keys_within(to: &Connection, path: &Path) {
    let names: Vec<String> =
        to.prepare("SELECT id FROM montage").unwrap().query_map([], |r| r.get(0)).unwrap().flatten().collect();
    to.execute_batch("DROP TRIGGER montage_keeps_its_key").unwrap();
    for name in names {
        let file = path.parent().unwrap().join(format!("keys/{name}.key"));
        let key: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
        std::fs::remove_file(file).unwrap();
        let (nonce, text) = (key["nonce"].as_str().unwrap(), key["key_text"].as_str().unwrap());
        to.execute("UPDATE montage SET nonce = ?2, key_text = ?3 WHERE id = ?1", (&name, nonce, text)).unwrap();
    }
    let guard = MIGRATIONS[1].split("CREATE TRIGGER montage_keeps_its_key").nth(1).and_then(|t| t.split("END;").next()).unwrap();
    to.execute_batch(&format!("CREATE TRIGGER montage_keeps_its_key{guard}END;")).unwrap();
}

/// Rewrites a session's file as a program of that schema left it.
pub(crate) fn made_older(path: &Path, schema: usize) {
    let old = path.with_extension("old");
    let to = Connection::open(&old).unwrap();
    for sql in &MIGRATIONS[..schema] {
        to.execute_batch(sql).unwrap();
    }
    to.pragma_update(None, "user_version", schema as i64).unwrap();
    to.pragma_update(None, "application_id", APPLICATION_ID).unwrap();
    to.execute("ATTACH ?1 AS new", [path.to_str().unwrap()]).unwrap();
    let mut tables = vec!["rig", "match_run", "meter", "listener", "trial", "invitation"];
    if schema > 1 {
        tables.extend(["montage", "vote_count"]);
    }
    to.execute_batch("INSERT INTO note SELECT * FROM new.note WHERE key <> 'session-id' ORDER BY rowid").unwrap();
    to.execute_batch("INSERT INTO take SELECT id, seq, setup, mic, pass, sha256, channel, record FROM new.take ORDER BY rowid")
        .unwrap();
    to.execute_batch("INSERT INTO test SELECT id, seq, seal, canonical, closed_at, record FROM new.test ORDER BY rowid").unwrap();
    for table in tables {
        to.execute_batch(&format!("INSERT INTO {table} SELECT * FROM new.{table} ORDER BY rowid")).unwrap();
    }
    to.execute_batch("INSERT INTO clip SELECT * FROM new.clip ORDER BY rowid").unwrap();
    if schema > 1 {
        keys_within(&to, path);
    }
    let (mut seq, mut head) = (0, GENESIS.to_owned());
    let mut statement = to.prepare("SELECT at, what, subject, body FROM new.log ORDER BY seq").unwrap();
    let entries = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?))).unwrap();
    for entry in entries.map(|e: rusqlite::Result<(String, String, String, String)>| e.unwrap()).collect::<Vec<_>>() {
        let (at, what, subject, body) = entry;
        let Some(body) = older_body(&what, &body) else { continue };
        seq += 1;
        head = entry_hash(&head, seq, &at, &what, &subject, &body);
        to.execute("INSERT INTO main.log VALUES (?1, ?2, ?3, ?4, ?5, ?6)", (seq, at, what, subject, body, &head)).unwrap();
    }
    drop(statement);
    to.execute_batch("DETACH new").unwrap();
    drop(to);
    for tail in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{tail}", path.display()));
    }
    std::fs::rename(old, path).unwrap();
}
