//! What can still be read of a session whose file is damaged: row by row, around what cannot.

use super::error::StoreError;
use super::files::{PrivateFolder, no_link};
use super::versions::MIGRATIONS;
use rusqlite::{Connection, OpenFlags};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Rows that are looked for one by one behind a place that cannot be read.
const GROPE: i64 = 20_000;

/// The tables and what is read of each, as JSON: the columns of today, then those of older schemas.
const TABLES: [(&str, &[&str]); 13] = [
    ("note", &["json_object('key', key, 'value', value)"]),
    ("rig", &["json_object('record', record)"]),
    ("take", &["json_object('record', record)"]),
    ("match_run", &["json_object('record', record)"]),
    ("clip", &["json_object('record', record)"]),
    ("meter", &["json_object('record', record)"]),
    ("listener", &["json_object('record', record)"]),
    (
        "test",
        &[
            "json_object('record', record, 'context', context, 'result', result, 'given_up', given_up)",
            "json_object('record', record)",
        ],
    ),
    ("trial", &["json_object('record', record)"]),
    ("invitation", &["json_object('code', code, 'test', test, 'listener', listener)"]),
    ("montage", &["json_object('record', record, 'nonce', nonce, 'key_text', key_text)"]),
    ("vote_count", &["json_object('record', record, 'montage', montage)"]),
    ("log", &["json_object('seq', seq, 'at', at, 'what', what, 'subject', subject, 'body', body, 'hash', hash)"]),
];

/// What could be read of one table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Readable {
    /// The table.
    pub table: &'static str,
    /// Its rows as JSON, in their order. They hold the codes of invitations and the keys of montages: never to be printed.
    pub records: Vec<String>,
    /// Where reading failed, in SQLite's words; nothing when all was read.
    pub lost: Option<String>,
}

/// Reads what can be read. Nothing in the folder is changed: a copy is read.
///
/// # Errors
/// [`StoreError::Missing`], [`StoreError::NotASession`]; [`StoreError::Damaged`] when not even the list of tables can be read, nor be put
/// in its place.
pub fn readable(folder: &Path) -> Result<Vec<Readable>, StoreError> {
    super::session::Session::must_be_there(folder)?;
    let copy = PrivateFolder::new()?;
    for name in ["session.db", "session.db-wal"] {
        no_link(&folder.join(name))?;
        copy.take(&folder.join(name))?;
    }
    let damaged = |e: &rusqlite::Error| StoreError::Damaged { folder: folder.to_owned(), what: e.to_string() };
    let path = copy.path().join("session.db");
    let first = match all(&path) {
        Ok(tables) if tables.iter().any(|t| !t.records.is_empty()) => return Ok(tables),
        Ok(_) => None,
        Err(error) => Some(error),
    };
    // The file's head says which page holds what, and it is the same in every session that began alike: one of a fresh session is put in
    // the place of the broken one. A file that was copied as a whole has its pages in another order.
    let broken = std::fs::read(&path).map_err(|e| StoreError::File { path: path.clone(), doing: "reading", source: e })?;
    let mut best: Option<(usize, Vec<Readable>)> = None;
    for whole_copy in [false, true] {
        let grafted = copy.path().join(format!("grafted-{whole_copy}.db"));
        let Ok(true) = graft(&broken, &grafted, &copy.path().join(format!("fresh-{whole_copy}.db")), whole_copy) else {
            continue;
        };
        if let Ok(tables) = all(&grafted) {
            let rows = tables.iter().map(|t| t.records.len()).sum();
            if rows > best.as_ref().map_or(0, |b| b.0) {
                best = Some((rows, tables));
            }
        }
    }
    match (best, first) {
        (Some((_, mut tables)), _) => {
            let what = "the file's head was broken".to_owned();
            tables.iter_mut().for_each(|t| t.lost = t.lost.take().or_else(|| Some(what.clone())));
            Ok(tables)
        }
        (None, Some(error)) => Err(damaged(&error)),
        (None, None) => Err(StoreError::Damaged { folder: folder.to_owned(), what: "not a row can be read".to_owned() }),
    }
}

fn all(path: &Path) -> rusqlite::Result<Vec<Readable>> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags)?;
    // Views and triggers of a file from elsewhere are never run: only tables are asked, and the asking ends.
    let end = std::time::Instant::now() + std::time::Duration::from_secs(120);
    connection.progress_handler(1_000_000, Some(move || std::time::Instant::now() > end))?;
    connection.execute_batch("PRAGMA trusted_schema = OFF; PRAGMA query_only = ON")?;
    let tables: BTreeSet<String> = connection
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND sql NOT LIKE '%VIRTUAL%'")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let read_one = |(table, columns): &(&'static str, &[&str])| {
        if !tables.contains(*table) {
            // The first schema had neither montages nor counts of answers.
            let lost = !matches!(*table, "montage" | "vote_count");
            return Readable { table, records: Vec::new(), lost: lost.then(|| "it is not there".to_owned()) };
        }
        let fits = |c: &&&str| connection.prepare(&format!("SELECT {c} FROM {table}")).is_ok();
        let record = columns.iter().find(fits).or(columns.last()).copied().unwrap_or("NULL");
        read(&connection, table, record)
    };
    Ok(TABLES.iter().map(read_one).collect())
}

/// Puts the pages of a fresh session's list of tables into a broken file. False where that cannot fit.
fn graft(broken: &[u8], to: &Path, fresh: &Path, whole_copy: bool) -> rusqlite::Result<bool> {
    let connection = Connection::open(fresh)?;
    for sql in MIGRATIONS {
        connection.execute_batch(sql)?;
    }
    if whole_copy {
        connection.execute_batch("VACUUM")?;
    }
    let page = connection.query_row("PRAGMA page_size", [], |r| r.get::<_, u32>(0))? as usize;
    let pages: Vec<u32> = connection
        .prepare("SELECT pageno FROM dbstat WHERE name = 'sqlite_schema'")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    drop(connection);
    let Ok(fresh) = std::fs::read(fresh) else { return Ok(false) };
    let mut bytes = broken.to_vec();
    bytes.truncate(bytes.len() / page * page);
    for number in pages {
        let number = number as usize;
        let place = (number - 1) * page..number * page;
        let (Some(to), Some(from)) = (bytes.get_mut(place.clone()), fresh.get(place)) else { return Ok(false) };
        to.copy_from_slice(from);
    }
    // Number of pages, and no list of free ones (database file format, SQLite's documentation: offsets 28, 32, 36).
    let count = u32::try_from(bytes.len() / page).unwrap_or(0);
    bytes[28..32].copy_from_slice(&count.to_be_bytes());
    bytes[32..40].fill(0);
    Ok(std::fs::write(to, bytes).is_ok())
}

fn read(connection: &Connection, table: &'static str, record: &str) -> Readable {
    let mut found: BTreeMap<i64, String> = BTreeMap::new();
    let Err(first) = scan(connection, &format!("SELECT rowid, {record} FROM {table} ORDER BY rowid"), &mut found) else {
        return Readable { table, records: found.into_values().collect(), lost: None };
    };
    // From the other end, then what lies between one by one: a row may be whole on a page that no walk reaches.
    let before = found.keys().next_back().copied().unwrap_or(0);
    let _ =
        scan(connection, &format!("SELECT rowid, {record} FROM {table} WHERE rowid > {before} ORDER BY rowid DESC"), &mut found);
    let after = found.range(before + 1..).next().map_or(before + GROPE, |(row, _)| *row);
    for row in before + 1..after.min(before + GROPE) {
        let _ = scan(connection, &format!("SELECT rowid, {record} FROM {table} WHERE rowid = {row}"), &mut found);
    }
    Readable { table, records: found.into_values().collect(), lost: Some(first.to_string()) }
}

/// Takes rows until the end or the first that cannot be read.
fn scan(connection: &Connection, sql: &str, into: &mut BTreeMap<i64, String>) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        // A row whose text is broken is passed over; those behind it may be whole.
        if let (Ok(id), Ok(text)) = (row.get(0), row.get(1)) {
            into.insert(id, text);
        }
    }
    Ok(())
}
