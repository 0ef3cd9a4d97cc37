//! No circle between files: who uses whom is a tree without a way back, within a room as between rooms.
//!
//! Read from the text alone, as the rooms are: every `use` and every path that begins with `crate` or `super`. A name that a `mod.rs`
//! re-exports counts as the file's it comes from.

use super::{code_only, root, sources};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;

/// A module path such as `["store", "session"]`.
type Module = Vec<String>;

/// The code of every module.
fn modules() -> BTreeMap<Module, String> {
    let base = root().join("src");
    let mut files = Vec::new();
    sources(&base, &mut files);
    let mut all = BTreeMap::new();
    for file in files {
        let inside = file.strip_prefix(&base).unwrap().with_extension("");
        let mut module: Module = inside.iter().map(|p| p.to_string_lossy().into_owned()).collect();
        if module.last().is_some_and(|m| m == "mod") {
            module.pop();
        }
        if module != ["lib"] && module != ["main"] {
            all.insert(module, without_tests(&code_only(&fs::read_to_string(&file).unwrap())));
        }
    }
    all
}

/// Tests inside a file may use whatever they test with.
fn without_tests(code: &str) -> String {
    code.split("#[cfg(test)]").next().unwrap_or_default().to_owned()
}

/// Every path of a piece of code that begins with `crate`, `super` or `self`, groups opened: `crate::a::{b::C, d}` is two.
fn paths(code: &str) -> Vec<Vec<String>> {
    let ident = |c: char| c.is_alphanumeric() || c == '_';
    let chars: Vec<char> = code.chars().collect();
    let (mut out, mut i) = (Vec::new(), 0);
    while i < chars.len() {
        if !ident(chars[i]) || (i > 0 && (ident(chars[i - 1]) || chars[i - 1] == ':')) {
            i += 1;
            continue;
        }
        let word: String = chars[i..].iter().take_while(|c| ident(**c)).collect();
        i += word.chars().count();
        if matches!(word.as_str(), "crate" | "super" | "self") {
            follow(&chars, &mut i, vec![word], &mut out);
        }
    }
    out
}

/// Reads on from behind a word of a path.
fn follow(chars: &[char], i: &mut usize, mut path: Vec<String>, out: &mut Vec<Vec<String>>) {
    let ident = |c: char| c.is_alphanumeric() || c == '_';
    while chars[*i..].starts_with(&[':', ':']) {
        *i += 2;
        if chars.get(*i) == Some(&'{') {
            *i += 1;
            loop {
                while chars.get(*i).is_some_and(|c| c.is_whitespace() || *c == ',') {
                    *i += 1;
                }
                let word: String = chars[*i..].iter().take_while(|c| ident(**c)).collect();
                if word.is_empty() {
                    // The end of the group, or a star: what stands before it is the path.
                    out.push(path.clone());
                    while chars.get(*i).is_some_and(|c| *c != '}') {
                        *i += 1;
                    }
                    *i += 1;
                    return;
                }
                *i += word.chars().count();
                follow(chars, i, [path.clone(), vec![word]].concat(), out);
                // An alias after `as` is no path.
                while chars.get(*i).is_some_and(|c| *c != ',' && *c != '}') {
                    *i += 1;
                }
            }
        }
        let word: String = chars[*i..].iter().take_while(|c| ident(**c)).collect();
        if word.is_empty() {
            break;
        }
        *i += word.chars().count();
        path.push(word);
    }
    out.push(path);
}

/// Absolute: `super` and `self` resolved as seen from `module`, `crate` taken off.
fn absolute(module: &Module, path: &[String]) -> Module {
    let mut at = module.clone();
    let mut rest = path;
    match rest.first().map(String::as_str) {
        Some("crate") => {
            at.clear();
            rest = &rest[1..];
        }
        Some("self") => rest = &rest[1..],
        _ => {}
    }
    while rest.first().is_some_and(|w| w == "super") {
        at.pop();
        rest = &rest[1..];
    }
    at.extend(rest.iter().cloned());
    at
}

/// What a `mod.rs` re-exports: name -> the absolute path it comes from.
fn re_exports(module: &Module, code: &str, known: &BTreeSet<Module>) -> BTreeMap<String, Module> {
    let mut out = BTreeMap::new();
    for statement in code.split(';') {
        let Some(at) = statement.find("pub use ").or_else(|| statement.find("pub(crate) use ")) else { continue };
        let text = statement[at..].split_once("use ").map_or("", |t| t.1);
        let first: String = text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
        let local = known.contains(&[module.clone(), vec![first.clone()]].concat());
        let text = if local { format!("self::{text}") } else { text.to_owned() };
        for path in paths(&text) {
            if let Some(name) = path.last() {
                out.insert(name.clone(), absolute(module, &path));
            }
        }
    }
    out
}

/// Who uses whom, by files.
fn arrows(all: &BTreeMap<Module, String>) -> BTreeMap<Module, BTreeSet<Module>> {
    let known: BTreeSet<Module> = all.keys().cloned().collect();
    let exported: BTreeMap<&Module, _> = all.iter().map(|(m, code)| (m, re_exports(m, code, &known))).collect();
    let home = |mut path: Module| -> Option<Module> {
        for _ in 0..4 {
            let at = (0..=path.len()).rev().map(|n| path[..n].to_vec()).find(|p| known.contains(p))?;
            match path.get(at.len()).and_then(|name| exported[&at].get(name)) {
                Some(further) if *further != path => path = further.clone(),
                _ => return Some(at),
            }
        }
        None
    };
    let mut out: BTreeMap<Module, BTreeSet<Module>> = BTreeMap::new();
    for (module, code) in all {
        let uses =
            code.split(';').filter(|s| !s.contains("pub use ") && !s.contains("pub(crate) use ")).collect::<Vec<_>>().join(";");
        let to = paths(&uses).into_iter().filter_map(|p| home(absolute(module, &p))).filter(|to| to != module);
        out.entry(module.clone()).or_default().extend(to);
    }
    out
}

/// Every knot of files that use one another in a circle, each with the arrows inside it.
fn circles(arrows: &BTreeMap<Module, BTreeSet<Module>>) -> Vec<String> {
    let reach = |from: &Module| {
        let (mut seen, mut open) = (BTreeSet::new(), vec![from]);
        while let Some(at) = open.pop() {
            open.extend(arrows.get(at).into_iter().flatten().filter(|to| seen.insert((*to).clone())));
        }
        seen
    };
    let reach: BTreeMap<&Module, BTreeSet<Module>> = arrows.keys().map(|m| (m, reach(m))).collect();
    let both =
        |a: &Module, b: &Module| reach.get(a).is_some_and(|r| r.contains(b)) && reach.get(b).is_some_and(|r| r.contains(a));
    let inside = |(from, to): (&Module, &Module)| both(from, to).then(|| format!("{} -> {}", from.join("::"), to.join("::")));
    arrows.iter().flat_map(|(from, all)| all.iter().map(move |to| (from, to))).filter_map(inside).collect()
}

#[test]
fn no_file_uses_itself_by_way_of_others() {
    let all = modules();
    let arrows = arrows(&all);
    assert!(arrows.values().map(BTreeSet::len).sum::<usize>() > 300, "the reader of paths is broken");
    let found = circles(&arrows);
    assert!(found.is_empty(), "files that use one another in a circle:\n{}", found.join("\n"));
}

#[test]
fn a_circle_is_found() {
    let module = |text: &str| -> Module { text.split("::").map(str::to_owned).collect() };
    let code = |pairs: &[(&str, &str)]| pairs.iter().map(|(m, c)| (module(m), (*c).to_owned())).collect::<BTreeMap<_, _>>();
    let straight = code(&[
        ("a", "pub mod b; pub use b::X;"),
        ("a::b", "struct X;"),
        ("c", "use crate::a::X; use crate::{d::Y, a::b as q};"),
        ("d", ""),
    ]);
    assert!(circles(&arrows(&straight)).is_empty());
    assert_eq!(arrows(&straight)[&module("c")], [module("a::b"), module("d")].into());
    let round =
        code(&[("a", ""), ("a::b", "fn f() -> super::c::X {}"), ("a::c", "use super::{d::Y};"), ("a::d", "use crate::a::b;")]);
    assert_eq!(circles(&arrows(&round)), ["a::b -> a::c", "a::c -> a::d", "a::d -> a::b"]);
}
