//! What the program is built from: licences that may be passed on, a compiler that is old enough, a package that has what it needs.

mod packed;

use serde_json::Value;
use std::collections::BTreeSet;
use std::process::Command;

fn cargo(args: &[&str]) -> String {
    let done = Command::new(env!("CARGO")).args(args).current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
    assert!(done.status.success(), "cargo {args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

/// An SPDX expression is met: one side of each OR, both sides of each AND. `/` is how OR was written before SPDX.
fn met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let text = expression.replace('/', " OR ");
    let text = text.trim();
    // Split at the outermost level, OR before AND (which binds closer).
    for (word, all) in [(" OR ", false), (" AND ", true)] {
        let (mut depth, mut parts, mut from) = (0, Vec::new(), 0);
        for (at, c) in text.char_indices() {
            depth += i32::from(c == '(') - i32::from(c == ')');
            if depth == 0 && at >= from && text[at..].starts_with(word) {
                parts.push(&text[from..at]);
                from = at + word.len();
            }
        }
        if !parts.is_empty() {
            parts.push(&text[from..]);
            return if all { parts.iter().all(|p| met(p, allowed)) } else { parts.iter().any(|p| met(p, allowed)) };
        }
    }
    match text.strip_prefix('(').and_then(|t| t.strip_suffix(')')) {
        Some(inner) => met(inner, allowed),
        // "WITH" an exception grants more, not less.
        None => allowed.contains(text.split(" WITH ").next().unwrap_or(text)),
    }
}

fn version(text: &str) -> (u32, u32) {
    let mut parts = text.split('.').map(|p| p.parse().unwrap());
    (parts.next().unwrap(), parts.next().unwrap_or(0))
}

#[test]
fn expressions_are_read_as_spdx_has_them() {
    let allowed: BTreeSet<String> = ["MIT", "Apache-2.0"].into_iter().map(str::to_owned).collect();
    for (expression, wanted) in [
        ("MIT", true),
        ("GPL-3.0", false),
        ("MIT OR GPL-3.0", true),
        ("MIT AND GPL-3.0", false),
        ("MIT/Apache-2.0", true),
        ("(MIT OR GPL-3.0) AND Apache-2.0", true),
        ("(MIT OR GPL-3.0) AND GPL-2.0", false),
        ("Apache-2.0 WITH LLVM-exception", true),
        ("GPL-2.0 OR MIT AND Apache-2.0", true),
    ] {
        assert_eq!(met(expression, &allowed), wanted, "{expression}");
    }
}

#[test]
fn every_crate_has_a_licence_of_the_list_and_needs_no_newer_compiler() {
    let rules: toml::Table = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/deny.toml")).unwrap().parse().unwrap();
    let allowed: BTreeSet<String> =
        rules["licenses"]["allow"].as_array().unwrap().iter().map(|l| l.as_str().unwrap().to_owned()).collect();
    let metadata: Value =
        serde_json::from_str(&cargo(&["metadata", "--format-version", "1", "--all-features", "--locked", "--offline"])).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    // What the tests alone need may be newer than what the program needs.
    let for_tests = ["assert_no_alloc", "claxon", "ebur128", "proptest", "rustix-openpty", "subtp", "tempfile", "tower", "vt100"];
    let ours = version(env!("CARGO_PKG_RUST_VERSION"));
    for package in packages {
        let name = package["name"].as_str().unwrap();
        let licence = package["license"].as_str().unwrap_or_default();
        assert!(met(licence, &allowed), "{name}: {licence:?} is not on the list in deny.toml");
        assert!(package["source"].is_null() || package["source"].as_str().unwrap().starts_with("registry+"), "{name}");
        if let Some(needs) = package["rust_version"].as_str()
            && !for_tests.contains(&name)
        {
            assert!(version(needs) <= ours, "{name} needs Rust {needs}, Cargo.toml promises {ours:?}");
        }
    }
}

#[test]
fn the_package_has_what_it_is_built_from_and_nothing_else() {
    let list = cargo(&["package", "--list", "--allow-dirty", "--offline"]);
    let files: BTreeSet<&str> = list.lines().collect();
    for wanted in
        ["Cargo.toml", "Cargo.lock", "README.md", "LICENSE", "src/main.rs", "migrations/0001_session.sql", "CHANGELOG.md"]
    {
        assert!(files.contains(wanted), "{wanted} is not in the package");
    }
    for file in &files {
        let left_out = ["target/", "fuzz/", "tests/fetched/", "tests/browser/node_modules/", ".ci/", "sessions/demo/"];
        assert!(!left_out.iter().any(|l| file.starts_with(l)), "{file} is in the package");
    }
}
