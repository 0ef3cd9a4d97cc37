//! The tables, indexes and triggers that a session has, and none beside them.

use super::misfit::Misfit;
use super::versions::MIGRATIONS;
use rusqlite::{Connection, OptionalExtension};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// By kind and name: the text that made it (nothing for the indexes that SQLite makes itself).
type Objects = BTreeMap<(String, String), Option<String>>;

fn objects(connection: &Connection) -> rusqlite::Result<Objects> {
    connection
        .prepare("SELECT type, name, sql FROM sqlite_schema")?
        .query_map([], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))?
        .collect()
}

/// What a session of that schema has. Made once for each: a session is opened for every page that is shown.
fn wanted(version: usize) -> rusqlite::Result<Objects> {
    static MADE: Mutex<BTreeMap<usize, Objects>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(known) = made.get(&version) {
        return Ok(known.clone());
    }
    let connection = Connection::open_in_memory()?;
    for sql in MIGRATIONS.iter().take(version) {
        connection.execute_batch(sql)?;
    }
    let objects = objects(&connection)?;
    made.insert(version, objects.clone());
    Ok(objects)
}

/// Everything about the schema that is not as the newest migrations make it.
pub(super) fn misfits(connection: &Connection) -> rusqlite::Result<Vec<Misfit>> {
    let (found, mut wanted) = (objects(connection)?, wanted(MIGRATIONS.len())?);
    let mut out = Vec::new();
    for ((kind, name), sql) in found {
        let place = format!("{kind} {name}");
        match wanted.remove(&(kind, name)) {
            Some(known) if known == sql => {}
            Some(_) => out.push(Misfit::new(place, "it is not as this program makes it")),
            None => out.push(Misfit::new(place, "this program makes nothing of that name")),
        }
    }
    out.extend(wanted.into_keys().map(|(kind, name)| Misfit::new(format!("{kind} {name}"), "it is missing")));
    Ok(out)
}

/// What must not be asked anything: the first object that could make a query of this program do something else. A missing trigger is a
/// matter of the audit alone; everything else is looked at before any table is.
pub(super) fn refused(connection: &Connection, version: i64) -> rusqlite::Result<Option<String>> {
    let (found, mut wanted) = (objects(connection)?, wanted(usize::try_from(version).unwrap_or(0))?);
    for ((kind, name), sql) in found {
        let place = format!("{kind} {name:?}");
        match wanted.remove(&(kind, name)) {
            Some(known) if known == sql => {}
            Some(_) => return Ok(Some(format!("its {place} is not as this program makes it"))),
            None => return Ok(Some(format!("it has a {place}, which this program does not make"))),
        }
    }
    let missing = wanted.into_keys().find(|(kind, _)| kind != "trigger");
    Ok(missing.map(|(kind, name)| format!("its {kind} {name:?} is missing")))
}

/// Indexes against tables, and every row against its table's rules, in SQLite's words.
pub(super) fn integrity(connection: &Connection) -> rusqlite::Result<Vec<Misfit>> {
    let words: Vec<String> = connection
        .prepare("PRAGMA integrity_check(20)")?
        .query_map([], |row| row.get::<_, String>(0))?
        .collect::<rusqlite::Result<_>>()?;
    let mut out: Vec<Misfit> = words.into_iter().filter(|w| w != "ok").map(|w| Misfit::new("session.db", w)).collect();
    let stray: Option<String> =
        connection.query_row("SELECT \"table\" FROM pragma_foreign_key_check LIMIT 1", [], |row| row.get(0)).optional()?;
    out.extend(stray.map(|table| Misfit::new(table, "it refers to a record that is not there")));
    Ok(out)
}
