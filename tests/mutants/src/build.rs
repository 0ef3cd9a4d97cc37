//! One build with every mutant in it.

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::merge::{Mutant, merge};

const ROOMS: [&str; 4] = ["circuit", "signal", "stats", "trial"];

/// What came of the merging.
pub struct Build {
    /// The suite's program.
    pub suite: PathBuf,
    /// The copy of the project in which it has to run.
    pub tree: PathBuf,
    /// Where outcomes are kept.
    pub work: PathBuf,
    /// Every mutant of the list by its number.
    pub mutants: BTreeMap<u32, Mutant>,
    /// The place at which the switch asks for a mutant, for those that are in the build.
    pub site: BTreeMap<u32, u32>,
    /// Mutants that do not compile.
    pub unviable: BTreeSet<u32>,
}

/// Runs a command and gives its output; what failed is said.
fn output(command: &mut Command) -> Result<String, Box<dyn Error>> {
    let out = command.output().map_err(|e| format!("{command:?}: {e}"))?;
    if !out.status.success() {
        return Err(
            format!("{command:?}: {}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr)).into()
        );
    }
    Ok(String::from_utf8(out.stdout)?)
}

fn list() -> Result<BTreeMap<u32, Mutant>, Box<dyn Error>> {
    let mut command = Command::new("cargo");
    command.args(["mutants", "--list", "--json"]);
    for room in ROOMS {
        command.args(["-f", &format!("src/{room}/**")]);
    }
    let entries: Vec<Value> = serde_json::from_str(&output(&mut command)?)?;
    Ok((1..).zip(&entries).filter_map(|(id, e)| Mutant::read(id, e)).map(|m| (m.id, m)).collect())
}

/// Writes a file unless it is so already: what did not change is not built again.
fn write(path: &Path, bytes: &[u8]) -> Result<(), Box<dyn Error>> {
    if fs::read(path).is_ok_and(|old| old == bytes) {
        return Ok(());
    }
    Ok(fs::write(path, bytes)?)
}

/// A copy of what git knows of, and of the recordings that the tests fetched, without the lints.
fn copy(tree: &Path, merged: &BTreeSet<&String>) -> Result<(), Box<dyn Error>> {
    let known = output(Command::new("git").args(["ls-files", "--cached", "--others", "--exclude-standard"]))?;
    let fetched = fs::read_dir("tests/fetched").into_iter().flatten().flatten().map(|e| e.path().display().to_string());
    for name in known.lines().map(str::to_owned).chain(fetched) {
        let to = tree.join(&name);
        if let Some(dir) = to.parent() {
            fs::create_dir_all(dir)?;
        }
        if Path::new(&name).is_file() {
            let bytes = fs::read(&name)?;
            if !merged.contains(&name) && name != "Cargo.toml" && name != "src/lib.rs" {
                write(&to, &bytes)?;
            }
        }
    }
    let manifest = fs::read_to_string("Cargo.toml")?;
    let (before, rest) = manifest.split_once("[lints.rust]").ok_or("Cargo.toml has no lints")?;
    let (_, after) = rest.split_once("[profile.dev]").ok_or("Cargo.toml has no profile")?;
    // The switches slow the code down; the optimiser makes up for some of it.
    let after = after.replacen("opt-level = 1", "opt-level = 2", 1);
    write(&tree.join("Cargo.toml"), format!("{before}[profile.dev]{after}").as_bytes())?;
    let lib = fs::read_to_string("src/lib.rs")?;
    let allow = "#![allow(warnings, arithmetic_overflow, unconditional_recursion, unconditional_panic)]\n";
    write(&tree.join("src/lib.rs"), format!("{allow}{lib}\npub mod mutant;\n").as_bytes())?;
    write(&tree.join("src/mutant.rs"), include_bytes!("switch.rs"))
}

/// The numbers behind a mark, with the byte ranges between the marks of each.
fn ranges(text: &str, open: char, close: char) -> Vec<(u32, std::ops::Range<usize>)> {
    let mut found = Vec::new();
    for (at, _) in text.match_indices(&format!("/*{open}")) {
        let Some(id) = text[at + 3..].split_once("*/").and_then(|(n, _)| n.parse().ok()) else { continue };
        if let Some(length) = text[at..].find(&format!("/*{close}{id}*/")) {
            found.push((id, at..at + length));
        }
    }
    found
}

/// The mutants that an error of the compiler stands in; without one, all of the innermost place around it.
fn blamed(text: &str, error: std::ops::Range<usize>) -> Vec<u32> {
    let inside = |r: &std::ops::Range<usize>| r.start <= error.start && error.end <= r.end;
    let arms = ranges(text, 'M', 'E');
    if let Some((id, _)) = arms.iter().find(|(_, r)| inside(r)) {
        return vec![*id];
    }
    let Some((_, group)) = ranges(text, 'G', 'H').into_iter().filter(|(_, r)| inside(r)).min_by_key(|(_, r)| r.len()) else {
        // A `match` that needs the arm that was to go: the error stands at its head.
        let next = arms.iter().find(|(_, r)| r.start > error.end && text[r.clone()].contains("*/crate::mutant::at("));
        return next.map(|(id, _)| *id).into_iter().collect();
    };
    arms.into_iter().filter(|(_, r)| group.start <= r.start && r.end <= group.end).map(|(id, _)| id).collect()
}

/// The mutants that the compiler refuses, empty when it is content.
fn refused(tree: &Path) -> Result<BTreeSet<u32>, Box<dyn Error>> {
    let out =
        Command::new("cargo").current_dir(tree).args(["check", "--locked", "--lib", "--message-format", "json"]).output()?;
    let mut blame = BTreeSet::new();
    let mut other = String::new();
    for line in String::from_utf8_lossy(&out.stdout).lines() {
        let Ok(message) = serde_json::from_str::<Value>(line) else { continue };
        let message = &message["message"];
        if message["level"] != "error" {
            continue;
        }
        let mut ids = Vec::new();
        for span in message["spans"].as_array().into_iter().flatten().filter(|s| s["is_primary"] == true) {
            let (Some(file), Some(start), Some(end)) =
                (span["file_name"].as_str(), span["byte_start"].as_u64(), span["byte_end"].as_u64())
            else {
                continue;
            };
            if let Ok(text) = fs::read_to_string(tree.join(file)) {
                ids.extend(blamed(&text, start as usize..end as usize));
            }
        }
        if ids.is_empty() {
            other.push_str(message["rendered"].as_str().unwrap_or_default());
        }
        blame.extend(ids);
    }
    if !out.status.success() && blame.is_empty() {
        return Err(format!("the merged source does not compile:\n{other}{}", String::from_utf8_lossy(&out.stderr)).into());
    }
    Ok(blame)
}

/// Merges, drops what does not compile, builds the suite.
pub fn build() -> Result<Build, Box<dyn Error>> {
    let work = std::env::current_dir()?.join("target/mutants");
    let tree = work.join("tree");
    fs::create_dir_all(&work)?;
    let mutants = list()?;
    let files: BTreeSet<&String> = mutants.values().map(|m| &m.file).collect();
    copy(&tree, &files)?;
    let refusals = work.join("unviable.txt");
    let known: BTreeSet<String> = fs::read_to_string(&refusals).unwrap_or_default().lines().map(str::to_owned).collect();
    let mut unviable: BTreeSet<u32> = mutants.values().filter(|m| known.contains(&m.name)).map(|m| m.id).collect();
    loop {
        let mut merged = 0;
        for file in &files {
            let here: Vec<&Mutant> = mutants.values().filter(|m| m.file == **file && !unviable.contains(&m.id)).collect();
            let (text, found) = merge(&fs::read_to_string(file)?, &here)?;
            write(&tree.join(file), text.as_bytes())?;
            merged += found.len();
        }
        let refused = refused(&tree)?;
        println!(
            "{} of {} mutants in the build, {} do not compile",
            merged - refused.len(),
            mutants.len(),
            unviable.len() + refused.len()
        );
        if refused.is_empty() {
            break;
        }
        unviable.extend(refused);
    }
    fs::write(refusals, unviable.iter().map(|id| mutants[id].name.clone() + "\n").collect::<String>())?;
    let mut site = BTreeMap::new();
    for file in files {
        let text = fs::read_to_string(tree.join(file))?;
        let groups = ranges(&text, 'G', 'H');
        for (id, arm) in ranges(&text, 'M', 'E') {
            let around = groups.iter().filter(|(_, g)| g.start <= arm.start && arm.end <= g.end).min_by_key(|(_, g)| g.len());
            site.extend(around.map(|(group, _)| (id, *group)));
        }
    }
    let built = output(Command::new("cargo").current_dir(&tree).args([
        "test",
        "--locked",
        "--no-run",
        "--test",
        "suite",
        "--message-format",
        "json",
    ]))?;
    let suite = built.lines().filter_map(|l| serde_json::from_str::<Value>(l).ok()).filter(|m| m["target"]["name"] == "suite");
    let suite = suite.filter_map(|m| m["executable"].as_str().map(PathBuf::from)).last().ok_or("cargo names no suite")?;
    Ok(Build { suite, tree, work, mutants, site, unviable })
}
