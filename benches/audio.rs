//! How quick measuring and matching are, as ratios against general tools on the same file in one run: `cargo bench --bench audio`.
//!
//! Peers: ffmpeg's `ebur128` filter as a process (left out with a note where ffmpeg is not installed), and the `ebur128` crate reading
//! through `hound`, in this process.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use cabjury::signal::align;
use cabjury::sound::read_all;
use cabjury::units::SampleRate;
use kept::kept;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The least of five runs: what the machine can do when nothing else disturbs it.
fn least(mut run: impl FnMut()) -> Duration {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed()
        })
        .min()
        .unwrap()
}

/// An invented riff with a little noise: decaying harmonics, a note every third of a second.
fn riff(seconds: usize, rate: u32, seed: u64) -> Vec<f32> {
    let mut state = seed;
    let mut noise = move || {
        // Knuth's MMIX generator (from memory).
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f32 / (1u64 << 24) as f32 - 0.5
    };
    let notes = [82.4, 110.0, 123.5, 98.0, 146.8, 164.8];
    (0..seconds * rate as usize)
        .map(|n| {
            let t = n as f32 / rate as f32;
            let k = (t * 3.0) as usize;
            let since = t - k as f32 / 3.0;
            let hz = notes[k % notes.len()] * std::f32::consts::TAU;
            let body: f32 = (1..4).map(|h| (hz * h as f32 * since).sin() / h as f32).sum();
            0.3 * body * (-since * 4.0).exp() + 0.001 * noise()
        })
        .collect()
}

fn write(path: &Path, rate: u32, float: bool, channels: &[Vec<f32>]) {
    let (bits_per_sample, sample_format) = if float { (32, hound::SampleFormat::Float) } else { (24, hound::SampleFormat::Int) };
    let spec = hound::WavSpec { channels: channels.len() as u16, sample_rate: rate, bits_per_sample, sample_format };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..channels[0].len() {
        for channel in channels {
            if float {
                writer.write_sample(channel[n]).unwrap();
            } else {
                writer.write_sample((channel[n] * 8_388_607.0) as i32).unwrap();
            }
        }
    }
    writer.finalize().unwrap();
}

fn process(program: &str, args: &[&str], dir: &Path) -> bool {
    Command::new(program)
        .args(args)
        .current_dir(dir)
        .env("XDG_CACHE_HOME", dir.join("cache"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

fn by_crate(path: &Path) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let mode = ebur128::Mode::I | ebur128::Mode::LRA | ebur128::Mode::TRUE_PEAK;
    let mut meter = ebur128::EbuR128::new(u32::from(spec.channels), spec.sample_rate, mode).unwrap();
    let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
    meter.add_frames_f32(&samples).unwrap();
    std::hint::black_box((meter.loudness_global().unwrap(), meter.loudness_range().unwrap(), meter.true_peak(0).unwrap()));
}

fn line(what: &str, time: Duration, against: &str, other: Option<Duration>) {
    let ratio = other.map_or_else(|| "-".to_owned(), |o| format!("{:.1} x", o.as_secs_f64() / time.as_secs_f64()));
    println!("{what:<58} {:>9.1} ms   {ratio:>8}  {against}", time.as_secs_f64() * 1e3);
    if !what.is_empty() {
        kept(what, time.as_secs_f64() * 1e3, "ms");
    }
}

fn main() {
    let dir = tempfile::tempdir().unwrap();
    let cabjury = env!("CARGO_BIN_EXE_cabjury");

    write(&dir.path().join("long.wav"), 96_000, true, &[riff(60, 96_000, 1), riff(60, 96_000, 2)]);
    let ours = least(|| assert!(process(cabjury, &["measure", "long.wav", "--json"], dir.path())));
    let args = ["-nostats", "-i", "long.wav", "-af", "ebur128=peak=true", "-f", "null", "-"];
    let there = process("ffmpeg", &["-version"], dir.path());
    let theirs = there.then(|| least(|| assert!(process("ffmpeg", &args, dir.path()))));
    line("measure, 60 s stereo 96 kHz float, process", ours, "ffmpeg ebur128=peak=true, process", theirs);
    let theirs = least(|| by_crate(&dir.path().join("long.wav")));
    line("", ours, "crate ebur128 through hound, in process", Some(theirs));

    let takes: Vec<String> = (0..16).map(|i| format!("take-{i:02}.wav")).collect();
    for (i, take) in takes.iter().enumerate() {
        let gain = 0.5 + 0.03 * i as f32;
        let channels: Vec<Vec<f32>> = (0..2)
            .map(|c| std::iter::repeat_n(0.0, 37 * i).chain(riff(60, 48_000, 10 + c).iter().map(|v| v * gain)).collect())
            .collect();
        write(&dir.path().join(take), 48_000, false, &channels);
    }
    let new: Vec<String> = takes.iter().take(2).zip(["one", "two"]).map(|(t, s)| format!("{s}={t}")).collect();
    assert!(process(cabjury, &["new", "s", &new[0], &new[1]], dir.path()));
    for (i, take) in takes.iter().enumerate().skip(2) {
        assert!(process(cabjury, &["take", "s", take, "--setup", ["one", "two"][i % 2]], dir.path()));
    }
    let start = Instant::now();
    assert!(process(cabjury, &["match", "s"], dir.path()));
    line(
        "match, 16 takes of 60 s stereo 48 kHz, process",
        start.elapsed(),
        "the sound's own length",
        Some(Duration::from_secs(960)),
    );
    let first = start.elapsed();
    let again = Instant::now();
    assert!(process(cabjury, &["match", "s", "--excerpt", "verse=10-30"], dir.path()));
    line("match again, another excerpt: placements are remembered", again.elapsed(), "the first match", Some(first));

    let (one, _) = read_all(&dir.path().join("take-00.wav")).unwrap();
    let five = |skip: usize| one.channels()[0].iter().copied().cycle().skip(skip).take(5 * 60 * 48_000).collect::<Vec<f32>>();
    let (a, b) = (five(0), five(1234));
    let rate = SampleRate::new(48_000).unwrap();
    let lag = least(|| {
        std::hint::black_box(align::find_honest_lag(&a, &b, rate).unwrap());
    });
    line("lag of two recordings of 5 minutes", lag, "the sound's own length", Some(Duration::from_secs(300)));
}
