//! The blind player against its deadlines: `cargo bench --bench player`. The peer is the deadline itself: how many times it fits.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use cabjury::model::ids::ListenerCode;
use cabjury::model::outside::SystemClock;
use cabjury::model::trial::Answer;
use cabjury::signal::fades;
use cabjury::sound::engine::Engine;
use cabjury::sound::{read_all, write_wav24};
use cabjury::store::random;
use cabjury::testing::trials::Trials;
use cabjury::units::SampleRate;
use kept::kept;
use rayon::prelude::*;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn line(what: &str, time: Duration, deadline: Duration) {
    let ratio = deadline.as_secs_f64() / time.as_secs_f64();
    kept(what, time.as_secs_f64() * 1e6, "us");
    println!(
        "{what:<64} {:>10.2} us  fits {ratio:>8.1} times into {:.1} ms",
        time.as_secs_f64() * 1e6,
        deadline.as_secs_f64() * 1e3
    );
}

fn quantile(times: &mut [Duration], q: f64) -> Duration {
    times.sort();
    times[((times.len() - 1) as f64 * q).round() as usize]
}

fn run(dir: &std::path::Path, args: &[&str]) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cabjury"));
    let status = command.args(args).current_dir(dir).stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap();
    assert!(status.success(), "{args:?}");
}

fn main() {
    let rate = SampleRate::new(48_000).unwrap();
    let tone = |k: usize, frames: usize| (0..frames).map(|n| 0.2 * ((n * (k + 3)) as f32 * 0.01).sin()).collect::<Vec<f32>>();

    // A callback of 64 frames, with a switch every 100 of them.
    let slots: Vec<Vec<f32>> = (0..8).map(|k| tone(k, 2 * 10 * 48_000)).collect();
    let (mut engine, shared, _ended) = Engine::new(slots, fades::switch_table(rate));
    let mut out = [0.0f32; 128];
    let mut times: Vec<Duration> = (0..200_000usize)
        .map(|k| {
            if k % 100 == 0 {
                shared.ask(Some(k / 100 % 8));
            }
            let start = Instant::now();
            engine.render(&mut out);
            start.elapsed()
        })
        .collect();
    let deadline = Duration::from_secs_f64(64.0 / 48_000.0);
    line("callback of 64 frames at 48 kHz, median", quantile(&mut times, 0.5), deadline);
    line("callback of 64 frames at 48 kHz, 99.9 %", quantile(&mut times, 0.999), deadline);

    // Eight clips of five minutes.
    let dir = tempfile::tempdir().unwrap();
    let audio = cabjury::model::audio::Audio::new(rate, vec![tone(1, 5 * 60 * 48_000), tone(2, 5 * 60 * 48_000)]).unwrap();
    let paths: Vec<_> = (0..8).map(|k| dir.path().join(format!("clip-{k}.wav"))).collect();
    paths.par_iter().for_each(|p| write_wav24(p, &audio).unwrap());
    let start = Instant::now();
    let read: Vec<_> = paths.par_iter().map(|p| read_all(p).unwrap().0.frames()).collect();
    assert_eq!(read.len(), 8);
    line("8 clips of 5 minutes stereo read, hashed, decoded", start.elapsed(), Duration::from_secs(1));

    // Picks on this disk: the time until one is durable.
    for (name, k) in [("one.wav", 1), ("two.wav", 2)] {
        let audio = cabjury::model::audio::Audio::new(rate, vec![tone(k, 4 * 48_000)]).unwrap();
        write_wav24(&dir.path().join(name), &audio).unwrap();
    }
    run(dir.path(), &["new", "s", "one=one.wav", "two=two.wav"]);
    run(dir.path(), &["match", "s"]);
    run(dir.path(), &["plan", "s", "--compare", "one,two", "--trials", "500"]);
    let mut trials = Trials::open(&dir.path().join("s"), &SystemClock).unwrap();
    let (plan, me) = (trials.choose(None).unwrap(), ListenerCode::new("me").unwrap());
    trials.enter(&plan, &me, false).unwrap();
    let mut random = cabjury::trial::Generator::from_seed(random::seed().unwrap());
    let mut times: Vec<Duration> = (0..500)
        .map(|_| {
            let open = trials.next_with(&plan, &me, "bench", &mut random).unwrap();
            let answer = Answer { choice: open.choices[0].clone(), confidence: None, remark: None };
            open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
            let start = Instant::now();
            trials.pick(&plan, &open.id, &answer, Vec::new()).unwrap();
            start.elapsed()
        })
        .collect();
    line("pick until it is on this disk, median", quantile(&mut times, 0.5), Duration::from_millis(50));
    line("pick until it is on this disk, 99 %", quantile(&mut times, 0.99), Duration::from_millis(50));
}
