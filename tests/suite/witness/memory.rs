//! A reader of other processes' memory, of the same user: finds nothing to read in a player with an open trial.
//!
//! Where root runs the suite, player and reader are another user without any right; root itself can always look. Linux: proc(5), prctl(2).

use crate::program::Desk;
use crate::trial_support::{LISTEN, played_session};
use cabjury::testing::closed_memory;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Output, Stdio};

/// A user that has nothing and may do nothing (nobody on Debian).
const NOBODY: &str = "65534";

fn root() -> bool {
    let id = Command::new("id").arg("-u").output().unwrap();
    String::from_utf8_lossy(&id.stdout).trim() == "0"
}

/// The program as an unprivileged user.
fn unprivileged(program: &str) -> Command {
    if !root() {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid", NOBODY, "--regid", NOBODY, "--clear-groups", program]);
    command
}

fn reads(process: u32, what: &str) -> Output {
    unprivileged("cat").arg(format!("/proc/{process}/{what}")).stdout(Stdio::null()).stderr(Stdio::piped()).output().unwrap()
}

#[test]
fn another_program_of_the_same_user_cannot_read_an_open_trial() {
    let desk = Desk::new();
    played_session(&desk, 4);
    // The unprivileged user owns what it plays, and can run the program from here.
    std::fs::copy(env!("CARGO_BIN_EXE_cabjury"), desk.join("cabjury")).unwrap();
    std::fs::copy("/bin/sleep", desk.join("sleep")).unwrap();
    if root() {
        assert!(Command::new("chown").args(["-R", NOBODY]).arg(desk.path()).status().unwrap().success());
    }
    let program = desk.join("cabjury");
    let mut player = unprivileged(program.to_str().unwrap())
        .args(LISTEN)
        .current_dir(desk.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut other = unprivileged(desk.join("sleep").to_str().unwrap()).arg("600").spawn().unwrap();
    let mut input = player.stdin.take().unwrap();
    input.write_all(b"\n\n\n").unwrap();
    let mut lines = BufReader::new(player.stdout.take().unwrap()).lines().map_while(Result::ok);
    assert!(lines.any(|line| line.starts_with("Trial 1")), "a trial is open");
    // The reader can read: the same user's other program is an open book to it.
    let control = reads(other.id(), "maps");
    let found: Vec<(&str, Output)> = ["maps", "mem", "environ", "pagemap"].map(|what| (what, reads(player.id(), what))).into();
    let _ = other.kill();
    let _ = other.wait();
    input.write_all(b"leave\n").unwrap();
    drop(input);
    assert!(player.wait().unwrap().success());
    assert!(control.status.success(), "{}", String::from_utf8_lossy(&control.stderr));
    for (what, output) in found {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success() && said.contains("ermission denied"), "{what}: {said}");
    }
}

#[test]
fn what_is_open_is_said_with_a_way_out() {
    assert_eq!(closed_memory::Memory::Closed.warning(), None);
    let said = closed_memory::Memory::Open("of a reason".to_owned()).warning().unwrap();
    assert!(said.contains("of a reason") && said.contains("another account"), "{said}");
}
