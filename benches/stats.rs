//! Listening statistics against the promises: `cargo bench --bench stats`.
//!
//! `chance` as a process; a million picks of 10 000 listeners in a session file, scored, against the same sums in pandas and scipy where
//! python3 has them (benches/million_picks.py); 20 000 rehearsed evenings of 16 trials.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use cabjury::foresight::rehearse::{Ears, simulate};
use cabjury::model::ids::ListenerCode;
use cabjury::model::outside::SystemClock;
use cabjury::testing::trials::Trials;
use cabjury::trial::Generator;
use cabjury::verdict::score::score;
use kept::kept;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const LISTENERS: u32 = 10_000;
const TRIALS: u32 = 100;

fn program(folder: &Path, args: &[&str]) -> String {
    let done = Command::new(env!("CARGO_BIN_EXE_cabjury")).args(args).current_dir(folder).stdin(Stdio::null()).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

/// Milliseconds of a run, the middle of several.
fn middle(runs: usize, mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..runs)
        .map(|_| {
            let begin = Instant::now();
            run();
            begin.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[runs / 2]
}

fn tone(path: &Path, hz: f32) {
    let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut state = 7u32;
    for n in 0..4 * 48_000 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let hiss = f32::from((state >> 20) as u16) / 4096.0 - 0.5;
        let t = n as f32 / 48_000.0;
        let sample = (hiss + (t * hz * std::f32::consts::TAU).sin()) * 0.2 * (0.6 + 0.4 * (t * 3.0).sin());
        writer.write_sample((sample * 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

fn main() {
    let dir = tempfile::tempdir().unwrap();
    // CABJURY_BENCH_DIR keeps the large session for the next run.
    let stored = std::env::var_os("CABJURY_BENCH_DIR").map(std::path::PathBuf::from);
    let folder = stored.as_deref().unwrap_or(dir.path());
    let ms = middle(41, || {
        program(folder, &["chance", "--trials", "16", "--correct", "12", "--json"]);
    });
    kept("chance as a process", ms, "ms");
    println!("chance as a process: {ms:.1} ms (promised: 15)");

    if !folder.join("s").exists() {
        prepare(folder);
    }
    let size = std::fs::metadata(folder.join("s/session.db")).unwrap().len();
    println!(
        "the session's file: {:.0} MB, {:.0} bytes per trial",
        size as f64 / 1e6,
        size as f64 / f64::from(LISTENERS * TRIALS)
    );

    let ours = middle(3, || {
        let doc = score(&folder.join("s"), None).unwrap();
        assert_eq!(doc.tests[1].head().done, u64::from(LISTENERS * TRIALS));
    }) / 1e3;
    kept("a million picks scored", ours, "s");
    println!("scored, chain, seals and commitments checked: {ours:.2} s (promised: 2)");
    let peer = Command::new("python3")
        .args([concat!(env!("CARGO_MANIFEST_DIR"), "/benches/million_picks.py"), "s/session.db", "test-2"])
        .current_dir(folder)
        .output();
    match peer {
        Ok(done) if done.status.success() => {
            let text = String::from_utf8(done.stdout).unwrap();
            let seconds: f64 = text.lines().last().unwrap().parse().unwrap();
            println!("the same sums in pandas and scipy: {seconds:.2} s; {:.1} times ours (promised: 10)", seconds / ours);
        }
        _ => println!("python3 with pandas and scipy is not here: no comparison"),
    }
}

fn prepare(folder: &Path) {
    tone(&folder.join("a.wav"), 220.0);
    tone(&folder.join("b.wav"), 330.0);
    program(folder, &["new", "s", "one=a.wav", "two=b.wav"]);
    program(folder, &["match", "s"]);
    program(folder, &["plan", "s", "--compare", "one,two", "--trials", "16"]);
    let begin = Instant::now();
    program(folder, &["rehearse", "s", "--hears", "0.5", "--runs", "20000", "--json"]);
    kept("rehearse 20 000 evenings", begin.elapsed().as_secs_f64(), "s");
    println!("rehearse, 20 000 evenings of 16 trials: {:.2} s (promised: 10)", begin.elapsed().as_secs_f64());
    program(folder, &["close", "s", "--test", "test-1"]);

    let (all, each) = (LISTENERS.to_string(), TRIALS.to_string());
    program(folder, &["plan", "s", "--compare", "one,two", "--trials", &each, "--listeners", &all]);
    let begin = Instant::now();
    fill(&folder.join("s"));
    println!("a million picks of {LISTENERS} listeners written: {:.0} s", begin.elapsed().as_secs_f64());
}

/// All picks through the service that people's picks go through, a thousand listeners' worth of transactions at a time.
fn fill(folder: &Path) {
    let clock = SystemClock;
    let mut trials = Trials::open(folder, &clock).unwrap();
    let plan = trials.choose(None).unwrap();
    let mut random = Generator::simulated(5);
    trials.begin_batch().unwrap();
    for i in 0..LISTENERS {
        let code = ListenerCode::new(&format!("l{i}")).unwrap();
        trials.enter(&plan, &code, true).unwrap();
        simulate(&mut trials, &plan, &code, &Ears { unequal: 0.2, ..Ears::plain(0.1) }, &mut random).unwrap();
        if i % 200 == 199 {
            trials.commit_batch().unwrap();
            trials.begin_batch().unwrap();
        }
    }
    trials.commit_batch().unwrap();
}
