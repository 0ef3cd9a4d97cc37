//! What can still be read of a session whose file is damaged: row by row, around what cannot.

use super::error::StoreError;
use rusqlite::{Connection, OpenFlags};
use std::collections::BTreeMap;
use std::path::Path;

/// Rows that are looked for one by one behind a place that cannot be read.
const GROPE: i64 = 20_000;

/// The tables and what is read of each, as JSON. Invitations and the keys of blind montages are left where they are: they are secrets.
const TABLES: [(&str, &str); 11] = [
    ("note", "json_object('key', key, 'value', value)"),
    ("rig", "record"),
    ("take", "record"),
    ("match_run", "record"),
    ("clip", "record"),
    ("meter", "record"),
    ("listener", "record"),
    ("test", "record"),
    ("trial", "record"),
    ("montage", "record"),
    ("log", "json_object('seq', seq, 'at', at, 'what', what, 'subject', subject, 'body', body, 'hash', hash)"),
];

/// What could be read of one table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Readable {
    /// The table.
    pub table: &'static str,
    /// Its records as JSON, in the order of their rows.
    pub records: Vec<String>,
    /// Where reading failed, in SQLite's words; nothing when all was read.
    pub lost: Option<String>,
}

/// Reads what can be read. Nothing in the folder is changed.
///
/// # Errors
/// [`StoreError::Missing`], [`StoreError::NotASession`]; [`StoreError::Damaged`] when not even the list of tables can be read.
pub fn readable(folder: &Path) -> Result<Vec<Readable>, StoreError> {
    super::session::Session::must_be_there(folder)?;
    let damaged = |e: &rusqlite::Error| StoreError::Damaged { folder: folder.to_owned(), what: e.to_string() };
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(folder.join("session.db"), flags).map_err(|e| damaged(&e))?;
    connection.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(())).map_err(|e| damaged(&e))?;
    Ok(TABLES.iter().map(|(table, record)| read(&connection, table, record)).collect())
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
