//! The Debian package and the relocatable archive, packed of the program that is tested: `.ci/package`, looked into by Debian's own tools.
//! Layout: Filesystem Hierarchy Standard 3.0; control file and copyright: Debian Policy 4.6, chapters 5 and 12; desktop entry: freedesktop.org's
//! Desktop Entry Specification 1.5.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn said(program: &str, args: &[&str]) -> String {
    let done = Command::new(program).args(args).current_dir(root()).output().unwrap();
    assert!(done.status.success(), "{program} {args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

/// Packs into a new folder; the package and the archive.
fn packed(into: &Path) -> (PathBuf, PathBuf) {
    let licences = into.join("licences.txt");
    std::fs::write(&licences, "the list is made by the release\n").unwrap();
    let out = into.join("out");
    let done = Command::new(root().join(".ci/package"))
        .args([Path::new(env!("CARGO_BIN_EXE_cabjury")), &licences, &out])
        .env("SOURCE_DATE_EPOCH", "1767225600")
        .env("CABJURY_PACK_QUICKLY", "1")
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let of = |ending: &str| {
        let found = std::fs::read_dir(&out).unwrap().map(|e| e.unwrap().path());
        found.into_iter().find(|p| p.to_string_lossy().ends_with(ending)).unwrap()
    };
    (of(".deb"), of(".tar.gz"))
}

fn listed(text: &str, inside: &str) -> BTreeSet<String> {
    text.lines()
        .filter_map(|l| l.split_once(inside))
        .map(|(_, name)| name.to_owned())
        .filter(|n| !n.is_empty() && !n.ends_with('/'))
        .collect()
}

#[test]
fn package_and_archive_hold_what_they_should() {
    let home = tempfile::tempdir().unwrap();
    let (deb, archive) = packed(home.path());
    let deb = deb.to_str().unwrap();

    let contents = said("dpkg-deb", &["-c", deb]);
    let files = listed(&contents, " ./usr/");
    for wanted in [
        "bin/cabjury",
        "share/man/man1/cabjury.1.gz",
        "share/man/man1/cabjury-desk.1.gz",
        "share/bash-completion/completions/cabjury",
        "share/zsh/vendor-completions/_cabjury",
        "share/fish/vendor_completions.d/cabjury.fish",
        "share/applications/cabjury.desktop",
        "share/doc/cabjury/copyright",
        "share/doc/cabjury/changelog.gz",
        "share/doc/cabjury/CHANGES.md.gz",
        "share/doc/cabjury/licences.txt.gz",
        "share/doc/cabjury/guide/README.md",
        "share/doc/cabjury/guide/demo-rig.toml",
    ] {
        assert!(files.contains(wanted), "{wanted} is not in the package:\n{contents}");
    }
    let places = [
        "bin/cabjury",
        "share/man/man1/",
        "share/bash-completion/",
        "share/zsh/",
        "share/fish/",
        "share/applications/",
        "share/doc/cabjury/",
    ];
    for file in &files {
        assert!(places.iter().any(|p| file.starts_with(p)), "{file} has no business in the package");
    }
    // Nobody but the administrator owns or may write anything, and nothing runs when it is installed.
    for line in contents.lines() {
        assert!(line.contains(" root/root "), "{line}");
        assert_eq!((&line[5..6], &line[8..9]), ("-", "-"), "others may write: {line}");
    }
    assert_eq!(said("dpkg-deb", &["-I", deb]).matches(" #!").count(), 0, "the package runs something when it is installed");

    let field = |name: &str| said("dpkg-deb", &["-f", deb, name]).trim().to_owned();
    assert_eq!(field("Package"), "cabjury");
    assert_eq!(field("Version"), env!("CARGO_PKG_VERSION"));
    assert_eq!(field("Architecture"), said("dpkg", &["--print-architecture"]).trim());
    let depends = field("Depends");
    // What the program is linked with is what it depends on (Policy 8.6): each library by the package that Debian has it in.
    let needed = said("objdump", &["-p", env!("CARGO_BIN_EXE_cabjury")]);
    let libraries: BTreeSet<&str> = needed.lines().filter_map(|l| l.trim().strip_prefix("NEEDED")).map(str::trim).collect();
    assert!(libraries.contains("libasound.so.2") && libraries.contains("libc.so.6"), "{libraries:?}");
    for library in libraries {
        let package = match library {
            "libasound.so.2" => "libasound2 (",
            "libgcc_s.so.1" => "libgcc-s1",
            "libc.so.6" | "libm.so.6" | "ld-linux-x86-64.so.2" | "ld-linux-aarch64.so.1" => "libc6 (>= 2.",
            other => panic!("{other} is in no package that the control file names"),
        };
        assert!(depends.contains(package), "{library} is needed: {depends}");
    }
    assert!(field("Installed-Size").parse::<u64>().unwrap() > 1000);
    let long = field("Description");
    assert!(long.lines().all(|l| l.chars().count() <= 80), "{long}");

    // The archive has the same files under one folder, and runs from wherever it is unpacked.
    let archive = archive.to_str().unwrap();
    let name = format!("cabjury-{}-{}", env!("CARGO_PKG_VERSION"), field("Architecture"));
    assert_eq!(listed(&said("tar", &["-tzf", archive]), &format!("{name}/")), files);
    let elsewhere = home.path().join("some where");
    std::fs::create_dir(&elsewhere).unwrap();
    said("tar", &["-xzf", archive, "-C", elsewhere.to_str().unwrap()]);
    let unpacked = elsewhere.join(&name);
    let version = said(unpacked.join("bin/cabjury").to_str().unwrap(), &["--version"]);
    assert_eq!(version.trim(), format!("cabjury {}", env!("CARGO_PKG_VERSION")));

    said("bash", &["-n", unpacked.join("share/bash-completion/completions/cabjury").to_str().unwrap()]);
    let entry = std::fs::read_to_string(unpacked.join("share/applications/cabjury.desktop")).unwrap();
    assert!(entry.starts_with("[Desktop Entry]\n"));
    for key in ["Type=Application", "Name=cabjury", "Exec=cabjury desk --browser", "Terminal=true"] {
        assert!(entry.lines().any(|l| l == key), "{key} is not in the desktop entry");
    }
    let copyright = std::fs::read_to_string(unpacked.join("share/doc/cabjury/copyright")).unwrap();
    for part in [
        "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/",
        "Copyright: 2026",
        "License: Expat",
        " THE SOFTWARE IS PROVIDED",
    ] {
        assert!(copyright.contains(part), "{part:?} is not in the copyright file:\n{copyright}");
    }
}

#[test]
fn the_same_program_is_packed_into_the_same_bytes() {
    let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (a, b) = (packed(one.path()), packed(other.path()));
    assert!(std::fs::read(a.0).unwrap() == std::fs::read(b.0).unwrap(), "the packages differ");
    assert!(std::fs::read(a.1).unwrap() == std::fs::read(b.1).unwrap(), "the archives differ");
    // A package that is there already is not overwritten.
    let again = Command::new(root().join(".ci/package"))
        .args([Path::new(env!("CARGO_BIN_EXE_cabjury")), &one.path().join("licences.txt"), &one.path().join("out")])
        .output()
        .unwrap();
    assert_eq!(again.status.code(), Some(3));
}

/// The list names every crate of the normal dependencies, with its expression, and texts of the licences that ask to be handed on.
#[test]
fn the_list_of_licences_has_every_crate() {
    let list = said(root().join(".ci/licences").to_str().unwrap(), &["--features", "hall"]);
    let tree =
        said(env!("CARGO"), &["tree", "--edges", "normal", "--prefix", "none", "--features", "hall", "--locked", "--offline"]);
    let mut crates = 0;
    for line in tree.lines().filter(|l| !l.starts_with("cabjury ")) {
        let mut parts = line.split_whitespace();
        let (name, version) = (parts.next().unwrap(), parts.next().unwrap().trim_start_matches('v'));
        assert!(list.lines().any(|l| l.starts_with(&format!("{name} {version}: "))), "{name} {version} is not in the list");
        crates += 1;
    }
    assert!(crates > 100);
    assert!(list.contains("Permission is hereby granted") && list.contains("Mozilla Public License"));
    assert!(!list.contains("none named"));
}
