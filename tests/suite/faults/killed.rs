//! `take`, `match` and `bundle` are killed at random moments. Until six of each were dead before their end here, 200 by `tests/long kills`; `listen` and `desk` have
//! their own (store::killed, web::killed).

use super::{all_files_are_whole, names, rounds, verifies};
use crate::material::{self, Noise};
use crate::program::Desk;
use crate::trial_support::{played_session, simulated_session};
use cabjury::store::Session;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// Kills commands after a random part of the time that one takes. How long that is, is learned from every round: a machine that is busy
/// with other tests is three times slower now and not in a moment. A command that was through first makes the time shorter, so that in
/// the end any is caught; one that was caught makes it a little longer, so that late moments have their turn too.
struct Killer {
    takes: Duration,
    noise: Noise,
    killed: usize,
}

impl Killer {
    fn new(seed: u64, run: impl FnOnce()) -> Self {
        let begin = Instant::now();
        run();
        Self { takes: begin.elapsed(), noise: Noise(seed), killed: 0 }
    }

    fn kill(&mut self, desk: &Desk, args: &[&str]) {
        let mut child = desk.command(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(self.takes.mul_f64((self.noise.next() + 1.0) * 0.55));
        let _ = child.kill();
        let dead = !child.wait().unwrap().success();
        self.killed += usize::from(dead);
        self.takes = self.takes.mul_f64(if dead { 1.15 } else { 0.8 });
    }

    /// Goes on until so many were dead before their end; a test in which nothing dies could not fail.
    fn until_dead(&mut self, wanted: usize, mut round: impl FnMut(&mut Self, usize)) -> usize {
        let mut rounds = 0;
        while self.killed < wanted {
            assert!(rounds < 40 * wanted, "only {} of {wanted} were killed in time", self.killed);
            round(self, rounds);
            rounds += 1;
        }
        rounds
    }
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
    let mut killer = Killer::new(21, || {
        desk.run(&["take", "s", "first.wav", "--setup", "one"]).ends(0);
    });
    let tried = killer.until_dead(rounds(6), |killer, round| {
        recording(&desk, "next.wav", 200 + round as u64);
        killer.kill(&desk, &["take", "s", "next.wav", "--setup", "one"]);
        all_files_are_whole(&desk.join("s"));
        // The next try takes it, or says that it has it.
        let again = desk.run(&["take", "s", "next.wav", "--setup", "one"]);
        assert!(again.code == 0 || again.err.contains("already"), "{}", again.err);
        assert!(super::parts(&desk.join("s/takes")).is_empty(), "what the dead left behind is swept");
    });
    let kept = Session::open_read(&desk.join("s")).unwrap().takes().unwrap().len();
    assert_eq!(kept, 5 + tried, "each once");
    verifies(&desk, "s");
}

#[test]
fn a_killed_match_leaves_no_half_clip() {
    let desk = Desk::new();
    simulated_session(&desk, 4);
    let mut killer = Killer::new(22, || {
        desk.run(&["match", "s"]).ends(0);
    });
    killer.until_dead(rounds(6), |killer, _| {
        killer.kill(&desk, &["match", "s"]);
        all_files_are_whole(&desk.join("s"));
    });
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
    let mut killer = Killer::new(23, || {
        desk.run(&["bundle", "s", "--out", "whole.zip"]).ends(0);
    });
    killer.until_dead(rounds(6), |killer, round| {
        let (file, to) = (format!("b{round}.zip"), format!("u{round}"));
        killer.kill(&desk, &["bundle", "s", "--out", &file]);
        if names(desk.path()).contains(&file) {
            desk.run(&["unbundle", &file, &to]).ends(0);
        }
        verifies(&desk, "s");
    });
    desk.run(&["bundle", "s", "--out", "last.zip"]).ends(0);
}
