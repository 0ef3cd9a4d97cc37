//! `rescue`: exports what can still be read of a session whose file is damaged. What the tables have lost is looked for in the log, which
//! holds every record a second time.

use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::sound::read::hash_file;
use crate::sound::write::write_new;
use crate::store::log::{GENESIS, entry_hash};
use crate::store::rescue::{Readable, readable};
use serde::Serialize;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The file that is written.
pub const FILE: &str = "records.jsonl";

/// What became of one table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TableDoc {
    /// The table.
    pub table: &'static str,
    /// Records read from it.
    pub read: usize,
    /// Records that only the log still had.
    pub from_log: usize,
    /// Where reading failed; null when all of it was read.
    pub lost: Option<String>,
}

/// The log's chain as far as it can be followed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChainDoc {
    /// Entries that could be read.
    pub read: usize,
    /// The chain holds from the first entry to this one.
    pub holds_to: i64,
}

/// Recordings and clips by what their bytes say.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct FilesDoc {
    /// With the very bytes that were recorded.
    pub intact: Vec<String>,
    /// With other bytes.
    pub changed: Vec<String>,
    /// Not there, or not readable.
    pub missing: Vec<String>,
}

/// The document of `rescue`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RescueDoc {
    /// The damaged session.
    pub session: String,
    /// The file with all that could be read, one record per line.
    pub written: String,
    /// True when nothing was lost: the file was not damaged.
    pub complete: bool,
    /// By table.
    pub tables: Vec<TableDoc>,
    /// The log.
    pub chain: ChainDoc,
    /// Recordings and clips under the session's folder.
    pub files: FilesDoc,
    /// Answered trials among the records.
    pub picks: usize,
}

/// The table that a log entry's body is a record of, and the field that names it.
fn table_of(what: &str) -> Option<&'static str> {
    match what {
        "take" | "withdraw" => Some("take"),
        "listener" => Some("listener"),
        "seal" | "close" => Some("test"),
        "open" | "pick" | "void" => Some("trial"),
        "montage" | "reveal" => Some("montage"),
        "rig" => Some("rig"),
        _ => None,
    }
}

fn name_of(table: &str, record: &Value) -> Option<String> {
    let field = match table {
        "listener" => &record["code"],
        "test" => &record["plan"]["test"],
        "rig" => return Some("rig".to_owned()),
        "match_run" => return record["run"].as_u64().map(|run| run.to_string()),
        _ => &record["id"],
    };
    field.as_str().map(str::to_owned)
}

/// Whether a record may be the one that its table held: bodies that are no records (a test's name at an invitation) are not.
fn parsed(text: &str) -> Option<Value> {
    serde_json::from_str::<Value>(text).ok().filter(Value::is_object)
}

/// The records of a log entry's body: one, or a matching run with its clips.
fn bodies(what: &str, body: &str) -> Vec<(&'static str, Value)> {
    if what == "match" {
        let Ok((run, clips)) = serde_json::from_str::<(Value, Vec<Value>)>(body) else { return Vec::new() };
        return std::iter::once(("match_run", run)).chain(clips.into_iter().map(|clip| ("clip", clip))).collect();
    }
    table_of(what).into_iter().filter_map(|table| Some((table, parsed(body)?))).collect()
}

/// Follows the chain from its beginning, and gathers the last body of every record that the log tells of.
fn from_log(log: &Readable) -> (ChainDoc, BTreeMap<(&'static str, String), Value>) {
    let mut told = BTreeMap::new();
    let (mut head, mut holds_to, mut broken) = (GENESIS.to_owned(), 0, false);
    for entry in log.records.iter().filter_map(|text| parsed(text)) {
        let text = |key: &str| entry[key].as_str().unwrap_or_default();
        let seq = entry["seq"].as_i64().unwrap_or_default();
        let hash = entry_hash(&head, seq, text("at"), text("what"), text("subject"), text("body"));
        broken |= seq != holds_to + 1 || hash != text("hash");
        if !broken {
            (head, holds_to) = (hash, seq);
        }
        for (table, body) in bodies(text("what"), text("body")) {
            if let Some(name) = name_of(table, &body) {
                told.insert((table, name), body);
            }
        }
    }
    (ChainDoc { read: log.records.len(), holds_to }, told)
}

/// Reads what can be read and writes it into a new folder.
///
/// # Errors
/// Not a session; nothing at all can be read; the new folder is taken or cannot be written.
pub fn rescue(folder: &Path, to: &Path) -> Result<RescueDoc, Failure> {
    if to.symlink_metadata().is_ok() {
        let message = format!("{} exists already", to.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, to, message, "name a new folder"));
    }
    let tables = readable(folder)?;
    let log = tables.iter().find(|t| t.table == "log").cloned();
    let (chain, mut told) = log.as_ref().map_or((ChainDoc { read: 0, holds_to: 0 }, BTreeMap::new()), from_log);
    let mut lines = String::new();
    let (mut docs, mut files, mut picks) = (Vec::new(), FilesDoc::default(), 0);
    let mut looked_at = BTreeSet::new();
    for table in &tables {
        let mut take = |source: &str, record: Value| {
            picks += usize::from(table.table == "trial" && record["state"]["state"] == "answered");
            if let ("take" | "clip", Some(path), Some(hash)) = (table.table, record["path"].as_str(), record["sha256"].as_str())
                && looked_at.insert(path.to_owned())
            {
                look(folder, path, hash, &mut files);
            }
            let line = serde_json::json!({ "table": table.table, "source": source, "record": record });
            lines.push_str(&line.to_string());
            lines.push('\n');
        };
        for record in table.records.iter().filter_map(|text| parsed(text)) {
            if let Some(name) = name_of(table.table, &record) {
                told.remove(&(table.table, name));
            }
            take("table", record);
        }
        // What the table does not hold and the log tells of: only where the table could not be read to its end.
        let mut only_told = Vec::new();
        if table.lost.is_some() {
            only_told = told.iter().filter(|((of, _), _)| *of == table.table).map(|(_, record)| record.clone()).collect();
        }
        let from_log = only_told.len();
        only_told.into_iter().for_each(|record| take("log", record));
        docs.push(TableDoc { table: table.table, read: table.records.len(), from_log, lost: table.lost.clone() });
    }
    std::fs::create_dir_all(to).map_err(|e| {
        let message = format!("{} cannot be made: {e}", to.display());
        Failure::at_path("cannot-write", Fate::Failed, to, message, "choose a place that you may write to")
    })?;
    let path = to.join(FILE);
    write_new(&path, lines.as_bytes())?;
    let complete = docs.iter().all(|d| d.lost.is_none());
    Ok(RescueDoc {
        session: folder.display().to_string(),
        written: path.display().to_string(),
        complete,
        tables: docs,
        chain,
        files,
        picks,
    })
}

fn look(folder: &Path, path: &str, hash: &str, into: &mut FilesDoc) {
    match hash_file(&folder.join(path)) {
        Ok(found) if Sha256Hex::as_str(&found) == hash => into.intact.push(path.to_owned()),
        Ok(_) => into.changed.push(path.to_owned()),
        Err(_) => into.missing.push(path.to_owned()),
    }
}
