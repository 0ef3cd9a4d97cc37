//! The program is killed at random moments between picks: no acknowledged pick is lost, no open trial is scored.

use crate::material::Noise;
use crate::program::Desk;
use crate::trial_support;
use cabjury::model::ids::{ListenerCode, TestId};
use cabjury::model::trial::TrialState;
use cabjury::store::Session;
use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::channel;
use std::time::Duration;

/// Runs `listen --plain` on the fastest device, answers trials as fast as they come, and kills it after a random time. Returns the picks
/// that were acknowledged.
fn one_life(desk: &Desk, noise: &mut Noise) -> usize {
    let mut child = trial_support::listening(desk).stderr(Stdio::null()).spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    let output = BufReader::new(child.stdout.take().unwrap());
    let (begun, begin) = channel();
    let feeder = std::thread::spawn(move || {
        // The pipe breaks when the program dies: that is the end of this thread.
        let _ = input.write_all(b"\n\n");
        // What is typed before the trial is open would be read all at once, with no time for anything to sound.
        if begin.recv().is_err() {
            return;
        }
        for _ in 0..400 {
            for line in ["a\n", "b\n", "x\n", "pick a\n"] {
                std::thread::sleep(Duration::from_micros(900));
                if input.write_all(line.as_bytes()).is_err() {
                    return;
                }
            }
        }
    });
    // From the first trial on the time of death is random; before it there is nothing to lose.
    let (tell, told) = channel();
    let taken = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&taken);
    let reader = std::thread::spawn(move || {
        let lines = output.lines().map_while(Result::ok).inspect(|l| {
            if l.starts_with("Trial") {
                let _ = tell.send(());
            }
        });
        let picks = lines.filter(|l| l.contains("taken down"));
        picks
            .inspect(|_| {
                counted.fetch_add(1, Ordering::Relaxed);
            })
            .count()
    });
    told.recv_timeout(Duration::from_secs(120)).unwrap();
    begun.send(()).unwrap();
    // Every second life takes two picks first, on however busy a machine; the others may die before.
    let (first, patience) = (noise.next() > 0.0, std::time::Instant::now());
    while first && taken.load(Ordering::Relaxed) < 2 && patience.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_micros(200));
    }
    std::thread::sleep(Duration::from_micros(((noise.next() + 1.0) * 9_000.0) as u64));
    child.kill().unwrap();
    child.wait().unwrap();
    feeder.join().unwrap();
    reader.join().unwrap()
}

#[test]
fn two_hundred_kills_lose_no_acknowledged_pick() {
    let (lives, wanted) = (400, 200);
    let desk = Desk::new();
    trial_support::played_session(&desk, 1000);
    let mut noise = Noise(5);
    let (mut acknowledged, code, test) = (0, ListenerCode::new("me").unwrap(), TestId::new("test-1").unwrap());
    for life in 0..lives {
        acknowledged += one_life(&desk, &mut noise);
        let session = Session::open_read(&desk.join("s")).unwrap();
        let trials = session.trials(&test).unwrap();
        let kept = trials.iter().filter(|t| t.listener == code && matches!(t.state, TrialState::Answered { .. })).count();
        // A pick that was on disk but not yet acknowledged when the program died may be kept: one in this life at most.
        assert!((acknowledged..=acknowledged + 1).contains(&kept), "life {life}: {kept} kept, {acknowledged} acknowledged");
        let open = trials.iter().filter(|t| t.state == TrialState::Open).count();
        assert!(open <= 1, "life {life}: {open} open trials");
        acknowledged = kept;
        if life >= 199 && acknowledged >= wanted {
            break;
        }
    }
    assert!(acknowledged >= wanted, "only {acknowledged} picks in {lives} lives: the test kills before anything happens");
    let audit = desk.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!(audit["ok"], true, "{audit:#}");
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["done"].as_u64(), Some(acknowledged as u64));
}
