//! Missing rights, folders that may only be read, file systems without locks, a clock that runs backwards, a folder that moves.

use super::{names, tells, verifies};
use crate::program::{Desk, Said};
use crate::trial_support::{self, LISTEN, played_session, simulated_session};
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};

fn mode(path: &Path, bits: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(bits)).unwrap();
}

/// Runs the program as nobody where this process is the administrator, who may do everything; else as who one is.
fn as_nobody(desk: &Desk, args: &[&str]) -> Said {
    let root = Command::new("id").arg("-u").output().unwrap().stdout == b"0\n";
    let program = desk.join("bin/cabjury");
    if !program.exists() {
        // The build's folder may lie where nobody else may look.
        std::fs::create_dir(desk.join("bin")).unwrap();
        std::fs::copy(env!("CARGO_BIN_EXE_cabjury"), &program).unwrap();
        mode(&program, 0o755);
        mode(desk.path(), 0o755);
    }
    let mut command = if root {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--"]).arg(&program);
        command
    } else {
        Command::new(&program)
    };
    let output = command.args(args).current_dir(desk.path()).env("NO_COLOR", "1").stdin(Stdio::null()).output().unwrap();
    Said::new(format!("{args:?} as nobody"), output)
}

#[test]
fn who_may_only_read_can_read() {
    let desk = Desk::new();
    simulated_session(&desk, 4);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let scored = desk.run(&["score", "s", "--json"]).ends(0).json();
    // Records are for their owner alone; here the owner shows them.
    mode(&desk.join("s/session.db"), 0o644);
    for folder in ["s", "s/takes", "s/clips", "s/reports"] {
        mode(&desk.join(folder), 0o555);
    }
    let before = names(&desk.join("s"));
    assert!(as_nobody(&desk, &["score", "s", "--json"]).ends(0).json() == scored);
    assert_eq!(as_nobody(&desk, &["audit", "s", "--json"]).ends(0).json()["ok"], true);
    as_nobody(&desk, &["status", "s"]).ends(0);
    // What would write says so, and has changed nothing.
    for args in [
        &["match", "s"][..],
        &["take", "s", "one-1.wav", "--setup", "one"],
        &LISTEN,
        &["report", "s"],
        &["plan", "s", "--compare", "one,two"],
    ] {
        let said = as_nobody(&desk, args);
        assert_eq!(said.code, 1, "{args:?}: {}", said.err);
        tells(&said, &["ermission denied"]);
    }
    assert_eq!(names(&desk.join("s")), before);
    // A folder that may not even be looked into, and a recording that may not be read.
    for folder in ["s/takes", "s/clips", "s/reports", "s"] {
        mode(&desk.join(folder), 0o755);
    }
    mode(&desk.join("s"), 0o000);
    let said = as_nobody(&desk, &["score", "s"]);
    assert!(said.code == 1 || said.code == 4, "{}", said.err);
    tells(&said, &["ermission denied"]);
    mode(&desk.join("s"), 0o755);
    mode(&desk.join("one-1.wav"), 0o000);
    let said = as_nobody(&desk, &["measure", "one-1.wav"]);
    tells(&said, &["one-1.wav", "ermission denied"]);
    mode(&desk.join("one-1.wav"), 0o644);
    verifies(&desk, "s");
}

/// What a writer left to be taken over, and an older program's file: both are read where nothing may be written, and nothing is left.
#[test]
fn what_would_need_writing_is_read_in_a_copy() {
    let desk = Desk::new();
    simulated_session(&desk, 4);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    let scored = desk.run(&["score", "s", "--json"]).ends(0).json();
    let shown = |desk: &Desk| {
        for (folder, bits) in [("s/session.db", 0o644), ("s", 0o555)] {
            mode(&desk.join(folder), bits);
        }
        let before = names(&desk.join("s"));
        assert!(as_nobody(desk, &["score", "s", "--json"]).ends(0).json() == scored);
        assert_eq!(as_nobody(desk, &["audit", "s", "--json"]).ends(0).json()["ok"], true);
        assert_eq!(names(&desk.join("s")), before, "something was left");
        mode(&desk.join("s"), 0o755);
    };
    // A copy of a session whose writer is still at it: the log of the file lies beside it.
    let writer = rusqlite::Connection::open(desk.join("s/session.db")).unwrap();
    writer
        .execute_batch("PRAGMA wal_autocheckpoint = 0; BEGIN; DELETE FROM note WHERE 0; COMMIT; PRAGMA user_version = 3")
        .unwrap();
    std::fs::create_dir(desk.join("copied")).unwrap();
    for name in ["session.db", "session.db-wal"] {
        std::fs::copy(desk.join("s").join(name), desk.join("copied").join(name)).unwrap();
        mode(&desk.join("copied").join(name), 0o644);
    }
    drop(writer);
    for part in ["takes", "clips"] {
        std::fs::rename(desk.join("s").join(part), desk.join("copied").join(part)).unwrap();
    }
    std::fs::remove_dir_all(desk.join("s")).unwrap();
    std::fs::rename(desk.join("copied"), desk.join("s")).unwrap();
    shown(&desk);
    desk.run(&["status", "s"]).ends(0);
    crate::store::older::made_older(&desk.join("s/session.db"), 2);
    let _ = std::fs::remove_file(desk.join("s/session.lock"));
    shown(&desk);
    let db = rusqlite::Connection::open(desk.join("s/session.db")).unwrap();
    assert_eq!(db.query_row("PRAGMA user_version", [], |r| r.get::<_, i64>(0)), Ok(2), "it was changed all the same");
}

/// Builds a library that stands in for a system call, to be loaded before the system's own.
fn stand_in(desk: &Desk, source: &str) -> std::path::PathBuf {
    let (c, library) = (desk.join("stand_in.c"), desk.join("stand_in.so"));
    std::fs::write(&c, source).unwrap();
    let built = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&c).output().unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}

fn with(desk: &Desk, library: &Path, args: &[&str]) -> Said {
    let output = desk.command(args).env("LD_PRELOAD", library).output().unwrap();
    Said::new(format!("{args:?} with a stand-in"), output)
}

#[test]
fn a_network_folder_without_locks_is_refused_for_writing_and_read() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let library =
        stand_in(&desk, "#include <errno.h>\nint flock(int fd, int how) { (void)fd; (void)how; errno = ENOLCK; return -1; }\n");
    let said = with(&desk, &library, &["match", "s"]).ends(1);
    tells(&said, &["cannot be locked", "network share"]);
    // Before the desk invites anybody: every trial would fail.
    let said = with(&desk, &library, &["desk", "s"]).ends(1);
    tells(&said, &["cannot be locked", "network share"]);
    with(&desk, &library, &["score", "s"]).ends(0);
    assert_eq!(desk.run(&["match", "s"]).code, 0);
}

/// Every look at the clock is an hour earlier than the one before.
const BACKWARDS: &str = "
#define _GNU_SOURCE
#include <time.h>
#include <unistd.h>
#include <sys/syscall.h>
int clock_gettime(clockid_t which, struct timespec *at) {
    static long looks;
    int result = (int)syscall(SYS_clock_gettime, which, at);
    if (which == CLOCK_REALTIME) at->tv_sec -= 3600 * ++looks;
    return result;
}
";

fn listening(desk: &Desk, library: Option<&Path>) -> Child {
    let mut command = trial_support::listening(desk);
    if let Some(library) = library {
        command.env("LD_PRELOAD", library);
    }
    command.spawn().unwrap()
}

/// Types what a listener types, again and again until the program ends (on a busy machine much comes too early, and is asked for once more).
fn feed(child: &mut Child) -> std::thread::JoinHandle<()> {
    let mut input = child.stdin.take().unwrap();
    std::thread::spawn(move || {
        for line in std::iter::once("\n").chain(["a\n", "b\n", "x\n", "pick a\n"].into_iter().cycle()) {
            std::thread::sleep(std::time::Duration::from_millis(12));
            if input.write_all(line.as_bytes()).is_err() {
                return;
            }
        }
    })
}

#[test]
fn a_clock_that_runs_backwards_changes_no_verdict() {
    let desk = Desk::new();
    played_session(&desk, 12);
    let library = stand_in(&desk, BACKWARDS);
    let mut child = listening(&desk, Some(&library));
    let feeder = feed(&mut child);
    let said = Said::new("listen".to_owned(), child.wait_with_output().unwrap()).ends(0);
    feeder.join().unwrap();
    assert!(said.out.contains("taken down"), "{}", said.out);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    let test = &score["tests"][0];
    assert_eq!(test["done"], 12, "{test:#}");
    let flags = test["listeners"][0]["flags"].to_string();
    assert!(!flags.contains("in less than"), "a time below zero says nothing of pace: {flags}");
    verifies(&desk, "s");
    with(&desk, &library, &["report", "s"]).ends(0);
    with(&desk, &library, &["audit", "s"]).ends(0);
}

#[test]
fn a_folder_that_moves_takes_its_picks_along() {
    let desk = Desk::new();
    played_session(&desk, 400);
    let mut child = listening(&desk, None);
    let feeder = feed(&mut child);
    let (mut taken, mut moved) = (0, false);
    for line in BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok) {
        taken += usize::from(line.contains("taken down"));
        if taken == 5 && !moved {
            std::fs::rename(desk.join("s"), desk.join("moved")).unwrap();
            moved = true;
        }
        if taken == 10 {
            // It goes on with what it has open; here it is told to go.
            break;
        }
    }
    child.kill().unwrap();
    let ended = child.wait_with_output().unwrap();
    feeder.join().unwrap();
    let err = String::from_utf8_lossy(&ended.stderr);
    assert!(moved && !err.contains("panicked"), "{err}");
    assert!(!desk.join("s").exists(), "nothing was made at the old place");
    let score = desk.run(&["score", "moved", "--json"]).ends(0).json();
    let done = score["tests"][0]["done"].as_u64().unwrap() as usize;
    assert!(done >= taken && taken >= 5, "{done} kept, {taken} acknowledged: {err}");
    verifies(&desk, "moved");
}
