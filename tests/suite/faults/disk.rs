//! The disk is full, or files may not grow.

use super::{all_files_are_whole, names, parts, tells, verifies};
use crate::material;
use crate::program::{Desk, Said};
use crate::trial_support::{LISTEN, played_session, simulated_session};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A small file system in a mount namespace of its own, that lives as long as a child does; reached through the child's root. Only the
/// administrator may make one.
pub(crate) struct SmallDisk {
    holder: Child,
    /// As the program sees it, in its namespace.
    at: PathBuf,
    /// As this process sees it: for plain files. A database does not open by this way, for its links lead nowhere here.
    path: PathBuf,
}

impl SmallDisk {
    pub(crate) fn new(at: &Path, megabytes: u32) -> Option<Self> {
        let script = "mount -t tmpfs -o size=\"$1\"m tmpfs \"$0\" && echo ready && exec cat";
        let mut holder = Command::new("unshare")
            .args(["--mount", "sh", "-c", script])
            .arg(at)
            .arg(megabytes.to_string())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .ok()?;
        let mut line = String::new();
        BufReader::new(holder.stdout.take()?).read_line(&mut line).ok()?;
        if line.trim() != "ready" {
            let _ = holder.wait();
            return None;
        }
        let path = PathBuf::from(format!("/proc/{}/root{}", holder.id(), at.display()));
        Some(Self { holder, at: at.to_owned(), path })
    }

    /// What a program is run behind, to see the disk.
    pub(crate) fn entry(&self) -> Vec<String> {
        vec!["nsenter".to_owned(), format!("--target={}", self.holder.id()), "--mount".to_owned()]
    }

    /// Gives it to a user.
    pub(crate) fn belongs_to(&self, (uid, gid): (u32, u32)) {
        std::os::unix::fs::chown(&self.path, Some(uid), Some(gid)).unwrap();
        std::fs::set_permissions(&self.path, std::os::unix::fs::PermissionsExt::from_mode(0o700)).unwrap();
    }

    /// Fills the disk but for so many bytes.
    pub(crate) fn fill(&self, left: u64) {
        let mut file = std::fs::File::create(self.path.join("filler")).unwrap();
        let block = [0u8; 4096];
        while file.write_all(&block).is_ok() {}
        let length = file.metadata().unwrap().len();
        file.set_len(length.saturating_sub(left)).unwrap();
    }

    pub(crate) fn make_room(&self) {
        std::fs::remove_file(self.path.join("filler")).unwrap();
    }

    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let entry = self.entry();
        let mut command = Command::new(&entry[0]);
        command.args(&entry[1..]);
        command.args(["sh", "-c", "cd \"$0\" && exec \"$@\""]).arg(&self.at).arg(env!("CARGO_BIN_EXE_cabjury")).args(args);
        command.env("NO_COLOR", "1").env("COLUMNS", "100").stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, args: &[&str]) -> Said {
        Said::new(format!("{args:?} on the small disk"), self.command(args).output().unwrap())
    }

    /// Brings a folder in.
    pub(crate) fn copy_in(&self, from: &Path, name: &str) {
        copy(from, &self.path.join(name));
    }

    /// Looks at a copy of a folder, for a database does not open by the way through the child's root.
    pub(crate) fn looked_at<T>(&self, desk: &Desk, name: &str, look: impl Fn(&Path) -> T) -> T {
        let copied = desk.join("copied");
        let _ = std::fs::remove_dir_all(&copied);
        copy(&self.path.join(name), &copied);
        look(&copied)
    }

    /// Copies the session to where it can be looked at, and looks at its files.
    fn looks_whole(&self, desk: &Desk) {
        let copied = desk.join("copied");
        let _ = std::fs::remove_dir_all(&copied);
        copy(&self.path.join("s"), &copied);
        all_files_are_whole(&copied);
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = self.holder.kill();
        let _ = self.holder.wait();
    }
}

fn copy(from: &Path, to: &Path) {
    assert!(Command::new("cp").arg("-r").arg(from).arg(to).status().unwrap().success());
}

fn extra(desk: &Desk) {
    let riff = material::peaking(&material::riff(3.4, 48_000), 48_000, 120.0, 1.0, 3.0);
    material::write_wav(&desk.join("extra.wav"), 48_000, &material::noisy(&riff, -80.0, 99));
}

#[test]
fn a_full_disk_keeps_what_was_there() {
    let desk = Desk::new();
    simulated_session(&desk, 6);
    extra(&desk);
    std::fs::create_dir(desk.join("small")).unwrap();
    let Some(disk) = SmallDisk::new(&desk.join("small"), 24) else {
        println!("no small file system can be made here (not the administrator): only the limit on file sizes was tested");
        return;
    };
    copy(&desk.join("s"), &disk.path.join("s"));
    copy(&desk.join("extra.wav"), &disk.path.join("extra.wav"));
    let s = disk.path.join("s");
    let before = (names(&s.join("takes")), names(&s.join("clips")), names(&s.join("reports")));
    disk.fill(60_000);
    for (args, words) in [
        (&["take", "s", "extra.wav", "--setup", "one"][..], &["room"][..]),
        (&["match", "s"], &["room"]),
        (&["bundle", "s", "--out", "b.zip"], &["room"]),
        (&["montage", "s", "--out", "m"], &["room"]),
        (&["unbundle", "nothing.zip", "u"], &["nothing.zip"]),
    ] {
        let said = disk.run(args);
        assert!(said.code == 1 || args[0] == "unbundle", "{args:?}: {} {}", said.code, said.err);
        tells(&said, words);
        assert_eq!(before, (names(&s.join("takes")), names(&s.join("clips")), names(&s.join("reports"))), "{args:?}");
        assert!(!disk.path.join("b.zip").exists() && names(&disk.path.join("m")).is_empty(), "{args:?}");
        for folder in ["takes", "clips", "reports", ".", "../m"] {
            assert!(parts(&s.join(folder)).is_empty(), "{args:?} left {:?}", parts(&s.join(folder)));
        }
        disk.looks_whole(&desk);
    }
    // A small page may still fit: then it is whole.
    let said = disk.run(&["report", "s"]);
    for page in names(&s.join("reports")) {
        assert!(said.code == 0 && std::fs::read_to_string(s.join("reports").join(page)).unwrap().ends_with("</html>"));
    }
    // Not a byte is left: no trial can be opened, and nobody is told otherwise.
    disk.make_room();
    disk.fill(0);
    let script = "\n".to_owned() + &"a\nb\nx\npick a\n".repeat(8);
    let said = listen(&disk, &script);
    assert_eq!(said.code, 1, "{}{}", said.out, said.err);
    tells(&said, &["make room on the disk"]);
    assert!(!said.out.contains("taken down"));
    disk.make_room();
    let audit = disk.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!(audit["ok"], true, "{audit:#}");
    // And with room everything goes on.
    disk.run(&["take", "s", "extra.wav", "--setup", "one"]).ends(0);
    disk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let score = disk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["done"], 6);
}

fn listen(disk: &SmallDisk, script: &str) -> Said {
    let mut command = disk.command(&LISTEN);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    // The program may end before it has read all of it.
    let _ = child.stdin.take().unwrap().write_all(script.as_bytes());
    Said::new("listen".to_owned(), child.wait_with_output().unwrap())
}

#[test]
fn a_limit_on_file_sizes_is_an_error_and_not_the_end() {
    let desk = Desk::new();
    played_session(&desk, 4);
    extra(&desk);
    let limited = |kilobytes: u32, args: &[&str]| {
        let mut command = Command::new("sh");
        // The unit of `ulimit -f` is 512 bytes in POSIX, 1024 in some shells: prlimit counts bytes.
        command
            .args(["-c", "exec prlimit --fsize=\"$0\" \"$@\""])
            .arg((kilobytes * 1024).to_string())
            .arg(env!("CARGO_BIN_EXE_cabjury"))
            .args(args)
            .current_dir(desk.path());
        Said::new(format!("{args:?} with files of {kilobytes} kB at most"), command.output().unwrap())
    };
    let before = (names(&desk.join("s/takes")), names(&desk.join("s/clips")));
    for args in [
        &["take", "s", "extra.wav", "--setup", "one"][..],
        &["match", "s"],
        &["bundle", "s", "--out", "b.zip"],
        &["level", "one-1.wav", "two-1.wav", "--out", "matched"],
    ] {
        let said = limited(150, args);
        assert_eq!(said.code, 1, "{args:?}: {} {}", said.code, said.err);
        tells(&said, &["File too large"]);
        assert_eq!(before, (names(&desk.join("s/takes")), names(&desk.join("s/clips"))), "{args:?}");
        assert!(!desk.join("b.zip").exists());
    }
    all_files_are_whole(&desk.join("s"));
    verifies(&desk, "s");
    desk.run(&["take", "s", "extra.wav", "--setup", "one"]).ends(0);
}
