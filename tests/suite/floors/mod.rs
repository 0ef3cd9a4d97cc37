//! The rooms import only what the table in DEVELOPERS.md allows.
//!
//! The table is the rule: this test reads it, reads every `crate::room` path and every outside crate's name in `src`, and names each
//! arrow that the table does not allow. It is std-only on purpose, so that nothing but the text decides.

mod circles;
mod kinds;
mod picture;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// What one row of the table allows.
#[derive(Debug, Default)]
struct Room {
    floor: Option<u8>,
    may_use: BTreeSet<String>,
    crates: BTreeSet<String>,
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn words(cell: &str) -> Vec<String> {
    cell.split(',').map(|w| w.trim().trim_matches('`').to_owned()).filter(|w| !w.is_empty() && w != "-").collect()
}

/// Reads the floors table: rooms, what they may use, crates that a room alone may name, crates that every room may name.
fn table(text: &str) -> (BTreeMap<String, Room>, BTreeSet<String>) {
    let mut rooms: BTreeMap<String, Room> = BTreeMap::new();
    let mut any = BTreeSet::new();
    let rows = text.lines().skip_while(|l| !l.starts_with("| floor")).skip(2).take_while(|l| l.starts_with('|'));
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        assert!(cells.len() >= 4, "the floors table has a row with fewer than four cells: {row}");
        let crates: BTreeSet<String> = words(cells[3]).into_iter().map(|c| c.replace('-', "_")).collect();
        if cells[0] == "any" {
            any = crates;
            continue;
        }
        let name = cells[1].trim_matches('`').trim_end_matches(".rs").to_owned();
        let floor = cells[0].parse().ok();
        let mut may_use = BTreeSet::new();
        for word in words(cells[2]) {
            match word.as_str() {
                floor if floor.starts_with("floor ") => {
                    let number = floor["floor ".len()..].parse().ok();
                    may_use.extend(rooms.iter().filter(|(_, r)| r.floor == number && number.is_some()).map(|(n, _)| n.clone()));
                }
                "all above" => may_use.extend(rooms.keys().cloned()),
                room => {
                    may_use.insert(room.to_owned());
                }
            }
        }
        rooms.insert(name, Room { floor, may_use, crates });
    }
    (rooms, any)
}

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The source without comments and string literals, which may name anything.
fn code_only(text: &str) -> String {
    let mut out = String::new();
    let mut chars = text.chars().peekable();
    let mut before = ' ';
    while let Some(c) = chars.next() {
        match c {
            '/' if chars.peek() == Some(&'/') => {
                for d in chars.by_ref() {
                    if d == '\n' {
                        out.push('\n');
                        break;
                    }
                }
            }
            '/' if chars.peek() == Some(&'*') => {
                let mut last = ' ';
                for d in chars.by_ref() {
                    if last == '*' && d == '/' {
                        break;
                    }
                    last = d;
                }
            }
            '"' if before != '\'' => {
                let raw = out.ends_with('r') || out.ends_with('#');
                let hashes = out.chars().rev().take_while(|h| *h == '#').count();
                let mut escaped = false;
                while let Some(d) = chars.next() {
                    if raw {
                        if d == '"' {
                            let mut seen = 0;
                            while seen < hashes && chars.peek() == Some(&'#') {
                                chars.next();
                                seen += 1;
                            }
                            if seen == hashes {
                                break;
                            }
                        }
                    } else if escaped {
                        escaped = false;
                    } else if d == '\\' {
                        escaped = true;
                    } else if d == '"' {
                        break;
                    }
                }
                out.push_str("\"\"");
            }
            _ => out.push(c),
        }
        before = c;
    }
    out
}

/// Every identifier that is followed by `::`, with the one before it if that is joined by `::` too; groups `a::{b, c}` are opened.
fn heads(code: &str) -> Vec<(Option<String>, String)> {
    let mut found = Vec::new();
    let bytes = code.as_bytes();
    let ident = |b: u8| b.is_ascii_alphanumeric() || b == b'_';
    let mut i = 0;
    while i < bytes.len() {
        if ident(bytes[i]) && (i == 0 || !ident(bytes[i - 1])) {
            let start = i;
            while i < bytes.len() && ident(bytes[i]) {
                i += 1;
            }
            let word = &code[start..i];
            let joined_before = start >= 2 && &code[start - 2..start] == "::";
            if word == "crate" && code[i..].starts_with("::{") {
                for part in group(&code[i + 3..]) {
                    found.push((Some("crate".to_owned()), part));
                }
            } else if word == "crate" && code[i..].starts_with("::") {
                let rest: String = code[i + 2..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                found.push((Some("crate".to_owned()), rest));
            } else if code[i..].starts_with("::") && !joined_before {
                found.push((None, word.to_owned()));
            }
        } else {
            i += 1;
        }
    }
    found
}

/// First words of the members of an opened `{` group.
fn group(text: &str) -> Vec<String> {
    let (mut depth, mut parts, mut part) = (1, Vec::new(), String::new());
    for c in text.chars() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ => {}
        }
        if depth == 0 || (depth == 1 && c == ',') {
            parts.push(std::mem::take(&mut part));
            if depth == 0 {
                break;
            }
        } else {
            part.push(c);
        }
    }
    let first = |p: &String| p.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    parts.iter().map(first).filter(|w| !w.is_empty()).collect()
}

/// The crate names that Cargo.toml lists as dependencies of the program, with `_` for `-`.
fn dependencies(manifest: &str) -> BTreeSet<String> {
    let mut section = "";
    let mut names = BTreeSet::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            section = line.trim_matches(['[', ']']);
        } else if (section == "dependencies" || section.ends_with(".dependencies"))
            && let Some((name, _)) = line.split_once('=')
        {
            let name = name.trim().split('.').next().unwrap_or_default();
            names.insert(name.replace('-', "_"));
        }
    }
    names
}

/// Names each arrow in `code` of `room` that the table does not allow.
fn offences(
    room: &str,
    code: &str,
    rooms: &BTreeMap<String, Room>,
    any: &BTreeSet<String>,
    outside: &BTreeSet<String>,
) -> Vec<String> {
    let allowed = &rooms[room];
    let mut wrong = Vec::new();
    for (parent, word) in heads(code) {
        let from_crate = parent.as_deref() == Some("crate");
        if from_crate && rooms.contains_key(&word) && word != room && !allowed.may_use.contains(&word) {
            wrong.push(format!("{room} may not use the room {word}"));
        }
        if !from_crate && outside.contains(&word) && !any.contains(&word) && !allowed.crates.contains(&word) {
            wrong.push(format!("{room} may not name the crate {word}"));
        }
    }
    wrong.dedup();
    wrong
}

fn rules() -> (BTreeMap<String, Room>, BTreeSet<String>, BTreeSet<String>) {
    let guide = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let (rooms, any) = table(&guide);
    let outside = dependencies(&fs::read_to_string(root().join("Cargo.toml")).unwrap());
    (rooms, any, outside)
}

#[test]
fn every_import_is_in_the_table() {
    let (rooms, any, outside) = rules();
    let mut files = Vec::new();
    sources(&root().join("src"), &mut files);
    let (mut wrong, mut arrows) = (Vec::new(), 0);
    for file in &files {
        let inside = file.strip_prefix(root().join("src")).unwrap();
        let first = inside.components().next().unwrap().as_os_str().to_string_lossy();
        let room = first.trim_end_matches(".rs");
        if room == "lib" {
            continue;
        }
        assert!(rooms.contains_key(room), "{} lies in no room of the floors table", file.display());
        let code = code_only(&fs::read_to_string(file).unwrap());
        arrows += heads(&code).iter().filter(|(p, _)| p.as_deref() == Some("crate")).count();
        wrong.extend(offences(room, &code, &rooms, &any, &outside).into_iter().map(|w| format!("{}: {w}", inside.display())));
    }
    assert!(arrows > 20, "only {arrows} arrows were read: the reader of imports is broken");
    assert!(wrong.is_empty(), "imports that the table in DEVELOPERS.md does not allow:\n{}", wrong.join("\n"));
}

#[test]
fn every_room_of_the_table_exists_and_every_crate_is_placed() {
    let (rooms, any, outside) = rules();
    assert!(rooms.len() >= 11, "the floors table has only {} rooms", rooms.len());
    for room in rooms.keys() {
        let there = root().join("src").join(room).is_dir() || root().join("src").join(format!("{room}.rs")).is_file();
        assert!(there, "the table names the room {room}, which src does not have");
    }
    let placed: BTreeSet<_> = rooms.values().flat_map(|r| r.crates.iter()).chain(&any).collect();
    let lost: Vec<_> = outside.iter().filter(|c| !placed.contains(c)).collect();
    assert!(lost.is_empty(), "crates of Cargo.toml that no row of the table places: {lost:?}");
}

#[test]
fn a_forbidden_arrow_is_found() {
    let (rooms, any, outside) = rules();
    let find = |room: &str, code: &str| offences(room, &code_only(code), &rooms, &any, &outside);
    assert_eq!(find("signal", "use crate::store::Session;"), ["signal may not use the room store"]);
    assert_eq!(find("model", "use crate::{units::Ohm, circuit::load};"), ["model may not use the room circuit"]);
    assert_eq!(find("stats", "let c = rusqlite::Connection::open(p);"), ["stats may not name the crate rusqlite"]);
    assert_eq!(find("report", "fn f() -> crate::signal::X {}"), ["report may not use the room signal"]);
    assert!(find("signal", "// crate::store::x\nlet a = \"rusqlite::x\"; use crate::units::Ohm;").is_empty());
}

/// A file has one idea, and fits on a few screens.
#[test]
fn no_file_has_over_four_hundred_lines() {
    let mut files = Vec::new();
    sources(&root().join("src"), &mut files);
    assert!(files.len() > 300, "the sources were not found");
    let length = |f: &PathBuf| fs::read_to_string(f).unwrap().lines().count();
    let long: Vec<_> = files.iter().map(|f| (length(f), f)).filter(|(lines, _)| *lines > 400).collect();
    assert!(long.is_empty(), "{long:?}");
}
