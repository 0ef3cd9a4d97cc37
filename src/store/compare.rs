//! Tables held against the replay of their log: by key, by column, by order.

use super::misfit::Misfit;
use crate::model::audio::Sha256Hex;
use rusqlite::types::Value;
use rusqlite::{Connection, Rows, Statement};
use std::cmp::Ordering;

/// A table, and the columns by which its rows are known.
pub(super) struct Table {
    pub(super) name: &'static str,
    keys: &'static [&'static str],
}

/// All tables but the log itself, which is held against its own chain.
pub(super) const TABLES: [Table; 12] = [
    Table { name: "note", keys: &["key"] },
    Table { name: "rig", keys: &["one"] },
    Table { name: "take", keys: &["id"] },
    Table { name: "match_run", keys: &["run"] },
    Table { name: "clip", keys: &["id"] },
    Table { name: "meter", keys: &["seq"] },
    Table { name: "listener", keys: &["code"] },
    Table { name: "test", keys: &["id"] },
    Table { name: "trial", keys: &["id"] },
    Table { name: "invitation", keys: &["test", "listener"] },
    Table { name: "montage", keys: &["id"] },
    Table { name: "vote_count", keys: &["seq"] },
];

/// How a column is held against the log.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Held {
    /// As it is.
    Plain,
    /// The log has its SHA-256.
    Hashed,
    /// The nonce of a montage: its SHA-256, or, of an older program, the nonce itself.
    Nonce,
    /// The key of a montage: nothing beside a hash, and beside a nonce what the audit opens the commitment with.
    Key,
}

fn held(table: &str, column: &str) -> Held {
    match (table, column) {
        ("invitation", "code") => Held::Hashed,
        ("montage", "nonce") => Held::Nonce,
        ("montage", "key_text") => Held::Key,
        _ => Held::Plain,
    }
}

/// Everything that is in one and not, or otherwise, in the other.
pub(super) fn tables(real: &Connection, told: &Connection, found: &mut Vec<Misfit>) -> rusqlite::Result<()> {
    for table in &TABLES {
        let before = found.len();
        rows(table, real, told, found)?;
        if found.len() == before {
            order(table, real, told, found)?;
        }
    }
    Ok(())
}

fn columns(told: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    told.prepare("SELECT name FROM pragma_table_info(?1) ORDER BY cid")?.query_map([table], |row| row.get(0))?.collect()
}

/// A name for people: the table and the row's key.
fn place(table: &Table, key: &[Value]) -> String {
    let words = key.iter().map(|value| match value {
        Value::Integer(n) => n.to_string(),
        Value::Text(text) => text.clone(),
        Value::Null | Value::Real(_) | Value::Blob(_) => "?".to_owned(),
    });
    [table.name.to_owned()].into_iter().chain(words).collect::<Vec<_>>().join(" ")
}

fn next(rows: &mut Rows<'_>, width: usize) -> rusqlite::Result<Option<Vec<Value>>> {
    let Some(row) = rows.next()? else { return Ok(None) };
    let value = |i| -> rusqlite::Result<Value> {
        // Text that is not UTF-8 is no text that this program wrote: it equals nothing.
        let raw = row.get_ref(i)?;
        Ok(Value::try_from(raw).unwrap_or_else(|_| Value::Blob(raw.as_bytes().unwrap_or_default().to_vec())))
    };
    (0..width).map(value).collect::<rusqlite::Result<_>>().map(Some)
}

fn rank(value: &Value) -> (u8, i64, &[u8]) {
    match value {
        Value::Null => (0, 0, &[]),
        Value::Integer(n) => (1, *n, &[]),
        Value::Real(_) => (2, 0, &[]),
        Value::Text(text) => (3, 0, text.as_bytes()),
        Value::Blob(bytes) => (4, 0, bytes),
    }
}

/// The order that SQLite gives to keys: numbers, then text by its bytes.
fn compare(a: &[Value], b: &[Value]) -> Ordering {
    a.iter().map(rank).cmp(b.iter().map(rank))
}

fn rows(table: &Table, real: &Connection, told: &Connection, found: &mut Vec<Misfit>) -> rusqlite::Result<()> {
    let columns = columns(told, table.name)?;
    let keys = table.keys.join(", ");
    let sql = format!("SELECT {keys}, {} FROM {} ORDER BY {keys}", columns.join(", "), table.name);
    let (width, depth) = (table.keys.len() + columns.len(), table.keys.len());
    let (mut of_real, mut of_told): (Statement<'_>, Statement<'_>) = (real.prepare(&sql)?, told.prepare(&sql)?);
    let (mut of_real, mut of_told) = (of_real.query([])?, of_told.query([])?);
    let (mut a, mut b) = (next(&mut of_real, width)?, next(&mut of_told, width)?);
    loop {
        let side = match (&a, &b) {
            (None, None) => return Ok(()),
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (Some(a), Some(b)) => compare(&a[..depth], &b[..depth]),
        };
        match (side, &a, &b) {
            (Ordering::Less, Some(row), _) => {
                found.push(Misfit::new(place(table, &row[..depth]), "the table holds it, and the log does not tell of it"));
            }
            (Ordering::Greater, _, Some(row)) => {
                found.push(Misfit::new(place(table, &row[..depth]), "the log tells of it, and the table does not hold it"));
            }
            (Ordering::Equal, Some(a), Some(b)) => {
                let pairs = columns.iter().zip(a[depth..].iter().zip(&b[depth..]));
                let nonce = columns.iter().position(|c| held(table.name, c) == Held::Nonce).map(|at| depth + at);
                let kept_outside = nonce.is_some_and(|at| a[at] == b[at]);
                let other: Vec<&str> =
                    pairs.filter(|(c, (a, b))| !same(held(table.name, c), a, b, kept_outside)).map(|(c, _)| c.as_str()).collect();
                if !other.is_empty() {
                    let what = format!("the table holds something else than the log tells: {}", other.join(", "));
                    found.push(Misfit::new(place(table, &a[..depth]), what));
                }
            }
            _ => {}
        }
        if side != Ordering::Greater {
            a = next(&mut of_real, width)?;
        }
        if side != Ordering::Less {
            b = next(&mut of_told, width)?;
        }
    }
}

/// `kept_outside`: what stands for the montage's nonce is its hash.
fn same(held: Held, real: &Value, told: &Value, kept_outside: bool) -> bool {
    let hashed = |real: &Value, told: &Value| match (real, told) {
        (Value::Text(real), Value::Text(told)) => Sha256Hex::of(real.as_bytes()).as_str() == told,
        _ => false,
    };
    match held {
        Held::Plain => real == told,
        Held::Hashed => hashed(real, told),
        Held::Nonce => kept_outside || hashed(real, told),
        Held::Key => matches!(real, Value::Text(text) if text.is_empty() == kept_outside),
    }
}

/// Where rows lie in the order of their making, that order is part of what they say.
fn order(table: &Table, real: &Connection, told: &Connection, found: &mut Vec<Misfit>) -> rusqlite::Result<()> {
    let sql = format!("SELECT {} FROM {} ORDER BY rowid", table.keys.join(", "), table.name);
    let (mut of_real, mut of_told) = (real.prepare(&sql)?, told.prepare(&sql)?);
    let (mut of_real, mut of_told) = (of_real.query([])?, of_told.query([])?);
    let width = table.keys.len();
    while let (Some(a), Some(b)) = (next(&mut of_real, width)?, next(&mut of_told, width)?) {
        if a != b {
            found.push(Misfit::new(place(table, &a), "it lies in another order than the log tells"));
            return Ok(());
        }
    }
    Ok(())
}
