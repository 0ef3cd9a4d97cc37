//! Every kind of error that the program can tell is met by a test: in a golden file of messages, or by its name in a test's code.
//!
//! The kinds are read out of the source, so that a new one without a test is noticed.

use super::{root, sources};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// Kinds that no test can bring about, and why.
const UNREACHED: &[(&str, &str)] = &[
    ("changed", "another program that writes to a file in the moment in which it is bundled"),
    ("damaged-result", "a result that cannot be written as JSON: one that was damaged is told with its session"),
    ("demo-rig", "a defect of the demo's own sheet"),
    ("no-hall", "a build without the feature, which has no other door"),
    ("flac-size", "fresh dither makes a sample longer than the reserve for it, which is a hundredth"),
    ("job-lost", "a panic within a job"),
    ("no-randomness", "the system gives no random numbers"),
    ("no-receipt", "a log that has lost a pick, of which audit tells"),
    ("no-thread", "the system gives no thread"),
    ("no-timestamps", "a build without the feature, which has no other door"),
    ("player", "the demo's player without a sound card stands still"),
    ("plot", "the drawing library fails in memory"),
    ("recording-lost", "a panic within a sitting's thread"),
    ("shape", "channels of unequal length, which no reader hands out"),
    ("two-passages", "a run whose passages bear one name, which match refuses to make"),
    ("terminal", "a terminal that breaks while it is used"),
];

/// Kinds that a page or a terminal tells in words alone, and words of theirs that a test looks for.
const BY_WORDS: &[(&str, &str)] = &[
    ("listening", "in the middle of a trial, which is lost"),
    ("no-locks", "cannot be locked"),
    ("not-sealed", "seal a further test"),
    ("wrong-field", "is not a whole number"),
    ("wrong-reading", "ohms, as in 13.2"),
];

/// Kinds that no test meets by name yet: the list may only become shorter.
const LEFT: &[&str] = &[
    "bad-name",
    "database",
    "desk-ended",
    "device-channels",
    "device-rate",
    "mismatch",
    "no-common-span",
    "no-pass",
    "not-metered",
    "not-written",
    "trial-lost",
    "unreadable-file",
    "which-mic",
];

/// Functions whose first argument is a kind.
const MAKERS: [&str; 4] = ["Failure::plain(", "Failure::at_path(", "refuse(", "refused("];

fn is_kind(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_lowercase()) && word.chars().all(|c| c.is_ascii_lowercase() || c == '-')
}

fn kinds_of(code: &str) -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    for maker in MAKERS {
        let first = code.split(maker).skip(1).filter_map(|rest| rest.trim_start().strip_prefix('"')?.split('"').next());
        out.extend(first.filter(|w| is_kind(w)).map(str::to_owned));
    }
    for body in code.split("fn kind(&self) -> &'static str {").skip(1) {
        let body = body.split("\n    }").next().unwrap_or_default();
        out.extend(body.split('"').skip(1).step_by(2).filter(|w| is_kind(w)).map(str::to_owned));
    }
    out
}

fn texts(dir: &Path, out: &mut String) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() && name != "node_modules" && name != "fetched" {
            texts(&path, out);
        } else if name != "kinds.rs" && (name.ends_with(".rs") || name.ends_with(".txt") || name.ends_with(".mjs")) {
            out.push_str(&fs::read_to_string(&path).unwrap());
        }
    }
}

#[test]
fn every_kind_of_error_is_met_by_a_test() {
    let mut files = Vec::new();
    sources(&root().join("src"), &mut files);
    let kinds: BTreeSet<String> = files.iter().flat_map(|f| kinds_of(&fs::read_to_string(f).unwrap())).collect();
    assert!(kinds.len() > 120, "the reader of kinds is broken: {}", kinds.len());
    let mut tests = String::new();
    texts(&root().join("tests"), &mut tests);
    let in_words = |kind: &String| BY_WORDS.iter().any(|(k, words)| k == kind && tests.contains(words));
    let met = |kind: &String| tests.contains(&format!("\"{kind}\"")) || tests.contains(&format!(": {kind}\n")) || in_words(kind);
    let excused: BTreeSet<&str> = UNREACHED.iter().map(|(kind, _)| *kind).chain(LEFT.iter().copied()).collect();
    let unmet: Vec<&String> = kinds.iter().filter(|k| !met(k) && !excused.contains(k.as_str())).collect();
    assert!(unmet.is_empty(), "no test meets these kinds of error: {unmet:?}");
    let idle: Vec<&&str> = excused.iter().filter(|k| !kinds.contains(**k) || met(&(**k).to_owned())).collect();
    assert!(idle.is_empty(), "excused, but gone or met: {idle:?}");
}
