//! Hours of listening in compressed time, in one process: its memory stays where it was, the session grows by the same for every trial.
//! Sixty trials here; 1000 (of 29 s each: eight hours) by `tests/long soak`.

use super::verifies;
use crate::program::Desk;
use crate::trial_support::{listening, played_session};
use std::io::{BufRead, BufReader, Write};
use std::sync::mpsc::channel;
use std::time::Duration;

fn kilobytes(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn an_evening_without_end_takes_no_more_memory() {
    let trials: usize = std::env::var("CABJURY_TRIALS").ok().and_then(|t| t.parse().ok()).unwrap_or(60);
    let desk = Desk::new();
    played_session(&desk, u32::try_from(trials).unwrap());
    let before = std::fs::metadata(desk.join("s/session.db")).unwrap().len();
    let mut child = listening(&desk).spawn().unwrap();
    let process = child.id();
    let mut input = child.stdin.take().unwrap();
    let output = BufReader::new(child.stdout.take().unwrap());
    let (tell, told) = channel();
    let reader = std::thread::spawn(move || output.lines().map_while(Result::ok).try_for_each(|l| tell.send(l)));
    input.write_all(b"\n").unwrap();
    let (mut taken, mut early, mut late) = (0, 0, 0);
    while taken < trials {
        // What comes too early is asked for once more.
        for word in ["a\n", "b\n", "x\n", "pick a\n"] {
            std::thread::sleep(Duration::from_millis(7));
            let _ = input.write_all(word.as_bytes());
        }
        while let Ok(line) = told.recv_timeout(Duration::from_millis(3)) {
            if line.contains("taken down") {
                taken += 1;
                // After a few trials every buffer has its size; the last look is taken while the program is still there.
                if taken == trials / 4 {
                    early = kilobytes(process);
                } else if taken == trials - 1 {
                    late = kilobytes(process);
                }
            }
        }
    }
    drop(input);
    assert!(child.wait().unwrap().success());
    let _ = reader.join().unwrap();
    let grown = std::fs::metadata(desk.join("s/session.db")).unwrap().len() - before;
    println!("{early} kB after a quarter, {late} kB at the end; {} bytes of store per trial", grown / trials as u64);
    // An allocator may keep a little; a leak of one clip per trial (400 kB) would be tens of megabytes even here.
    assert!(late <= early + 2_000, "memory grew from {early} to {late} kB");
    assert!(grown / trials as u64 <= 6_000, "{} bytes of store per trial", grown / trials as u64);
    verifies(&desk, "s");
}
