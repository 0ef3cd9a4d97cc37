//! `take`, `match` and `bundle` are killed at random moments. A dozen rounds each here, 200 by `tests/long kills`; `listen` and `desk` have
//! their own (store::killed, web::killed).

use super::{all_files_are_whole, names, rounds, verifies};
use crate::material::{self, Noise};
use crate::program::Desk;
use crate::trial_support::played_session;
use cabjury::store::Session;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// Runs a command and kills it after a random part of the time that it takes, or a little more. True if it was dead before its end.
fn kill(desk: &Desk, args: &[&str], takes: Duration, noise: &mut Noise) -> bool {
    let mut child = desk.command(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    std::thread::sleep(takes.mul_f64((noise.next() + 1.0) * 0.55));
    let _ = child.kill();
    !child.wait().unwrap().success()
}

fn time(mut run: impl FnMut()) -> Duration {
    let begin = Instant::now();
    run();
    begin.elapsed()
}

/// Recordings of the same playing under other noise: every one is new.
fn recording(desk: &Desk, name: &str, seed: u64) {
    let riff = material::peaking(&material::riff(3.4, 48_000), 48_000, 120.0, 1.0, 3.0);
    material::write_wav(&desk.join(name), 48_000, &material::noisy(&riff, -80.0, seed));
}

#[test]
fn a_killed_take_leaves_nothing_half() {
    let desk = Desk::new();
    played_session(&desk, 4);
    recording(&desk, "first.wav", 100);
    let takes = time(|| {
        desk.run(&["take", "s", "first.wav", "--setup", "one"]).ends(0);
    });
    let (mut noise, mut killed) = (Noise(21), 0);
    for round in 0..rounds(12) {
        recording(&desk, "next.wav", 200 + round as u64);
        killed += usize::from(kill(&desk, &["take", "s", "next.wav", "--setup", "one"], takes, &mut noise));
        all_files_are_whole(&desk.join("s"));
        // The next try takes it, or says that it has it.
        let again = desk.run(&["take", "s", "next.wav", "--setup", "one"]);
        assert!(again.code == 0 || again.err.contains("already"), "{}", again.err);
        assert!(super::parts(&desk.join("s/takes")).is_empty(), "what the dead left behind is swept");
    }
    let kept = Session::open_read(&desk.join("s")).unwrap().takes().unwrap().len();
    assert_eq!(kept, 5 + rounds(12), "each once");
    assert!(killed > rounds(12) / 4, "only {killed} were killed in time");
    verifies(&desk, "s");
}

#[test]
fn a_killed_match_leaves_no_half_clip() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let takes = time(|| {
        desk.run(&["match", "s"]).ends(0);
    });
    let (mut noise, mut killed) = (Noise(22), 0);
    for _ in 0..rounds(12) {
        killed += usize::from(kill(&desk, &["match", "s"], takes, &mut noise));
        all_files_are_whole(&desk.join("s"));
    }
    assert!(killed > rounds(12) / 4, "only {killed} were killed in time");
    desk.run(&["match", "s"]).ends(0);
    assert!(super::parts(&desk.join("s/clips")).is_empty());
    verifies(&desk, "s");
    // The test that was sealed before is played with its own clips, whatever was made since.
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "robot"]).ends(0);
    assert_eq!(desk.run(&["score", "s", "--json"]).ends(0).json()["tests"][0]["verdict"], "too-few");
}

#[test]
fn a_killed_bundle_is_whole_or_not_there() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let takes = time(|| {
        desk.run(&["bundle", "s", "--out", "whole.zip"]).ends(0);
    });
    let (mut noise, mut killed, mut whole) = (Noise(23), 0, 0);
    for round in 0..rounds(12) {
        let (file, to) = (format!("b{round}.zip"), format!("u{round}"));
        killed += usize::from(kill(&desk, &["bundle", "s", "--out", &file], takes, &mut noise));
        if names(desk.path()).contains(&file) {
            desk.run(&["unbundle", &file, &to]).ends(0);
            whole += 1;
        }
        verifies(&desk, "s");
    }
    desk.run(&["bundle", "s", "--out", "last.zip"]).ends(0);
    assert!(killed > rounds(12) / 4, "only {killed} were killed in time ({whole} whole)");
}
