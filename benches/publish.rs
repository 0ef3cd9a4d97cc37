//! What leaves the room, as ratios in one run: `cargo bench --bench publish`.
//!
//! Montage against the length of what it lays together (real time); bundle against a plain copy of the same files; the report's time and
//! size for a large session.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use kept::kept;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

fn run(folder: &Path, args: &[&str]) -> f64 {
    let started = Instant::now();
    let mut command = Command::new(env!("CARGO_BIN_EXE_cabjury"));
    let done = command.args(args).current_dir(folder).stdin(Stdio::null()).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    started.elapsed().as_secs_f64()
}

fn recording(path: &Path, seconds: u32, seed: u32, tilt: f32) {
    let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    // One performance: the same noise in every recording, with a little of its own and another tilt.
    let (mut common, mut own, mut low) = (7u32, seed, 0.0f32);
    let step = |state: &mut u32| {
        *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (*state >> 8) as f32 / 16_777_216.0 - 0.5
    };
    for n in 0..seconds * 48_000 {
        let t = n as f32 / 48_000.0;
        let body = 0.3 * step(&mut common) * (1.0 + (t * 9.0).sin());
        low += 0.2 * (body - low);
        let v = (1.0 - tilt) * body + tilt * low + 1e-4 * step(&mut own);
        writer.write_sample((v * 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

fn peak_memory_mb(folder: &Path, args: &[&str]) -> Option<f64> {
    // GNU time's format of the largest resident set, in KiB; left out where it is not installed.
    let out = Command::new("/usr/bin/time")
        .args(["-f", "%M", env!("CARGO_BIN_EXE_cabjury")])
        .args(args)
        .current_dir(folder)
        .output()
        .ok()?;
    String::from_utf8_lossy(&out.stderr).lines().last()?.trim().parse::<f64>().ok().map(|k| k / 1024.0)
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    std::fs::write(at.join("rig.toml"), rig()).unwrap();
    run(at, &["new", "s", "--sheet", "rig.toml"]);
    for setup in 1..=4 {
        for take in 1..=8 {
            let name = format!("{setup}-{take}.wav");
            recording(&at.join(&name), 30, setup * 100 + take, 0.1 * setup as f32);
            run(
                at,
                &[
                    "take",
                    "s",
                    &name,
                    "--setup",
                    &format!("s{setup}"),
                    "--mic",
                    if take % 2 == 0 { "a" } else { "b" },
                    "--pass",
                    &format!("{}", (take - 1) / 2 * 4 + setup),
                ],
            );
        }
    }
    run(at, &["match", "s"]);
    let seconds = run(at, &["montage", "s", "--mic", "a", "--blind", "--clips", "12", "--out", "m"]);
    kept("montage of 16 clips of 30 s", seconds, "s");
    println!("montage of 16 clips of 30 s as WAV and FLAC: {seconds:.2} s, {:.0} times real time", 16.0 * 30.0 / seconds);
    run(at, &["plan", "s", "--compare", "s1,s2", "--mic", "a", "--trials", "50", "--listeners", "20"]);
    for n in 0..20 {
        run(at, &["rehearse", "s", "--hears", "0.4", "--runs", "1", "--seed", &n.to_string(), "--keep", &format!("sim-{n}")]);
    }
    let report = run(at, &["report", "s", "--out", "r.html"]);
    let size = std::fs::metadata(at.join("r.html")).unwrap().len();
    kept("report of 1000 trials", report, "s");
    println!("report of 1000 trials, 20 listeners, 32 takes: {report:.2} s, {:.2} MB", size as f64 / 1e6);
    let bundle = run(at, &["bundle", "s", "--out", "b.zip"]);
    let bytes = std::fs::metadata(at.join("b.zip")).unwrap().len() as f64;
    let started = Instant::now();
    std::fs::copy(at.join("b.zip"), at.join("copy.zip")).unwrap();
    std::fs::File::open(at.join("copy.zip")).unwrap().sync_all().unwrap();
    let copy = started.elapsed().as_secs_f64();
    kept("bundle", bytes / 1e6 / bundle, "MB/s");
    println!(
        "bundle of {:.0} MB: {bundle:.2} s ({:.0} MB/s), {:.1} times a plain synced copy",
        bytes / 1e6,
        bytes / 1e6 / bundle,
        bundle / copy
    );
    let back = run(at, &["unbundle", "b.zip", "t"]);
    kept("unbundle", bytes / 1e6 / back, "MB/s");
    println!("unbundle: {back:.2} s ({:.0} MB/s)", bytes / 1e6 / back);
    if let Some(mb) = peak_memory_mb(at, &["bundle", "s", "--out", "b2.zip"]) {
        println!("memory of bundle: {mb:.0} MB at most");
    }
}

fn rig() -> String {
    let mut text = "[amplifier]\nlabel = \"x\"\nkind = \"valve\"\ntaps_ohm = [8]\n\n[[driver]]\nlabel = \"A\"\nnominal_ohm = 8\n\n[[wiring]]\nname = \"w\"\nnetwork = \"A\"\n".to_owned();
    for n in 1..=4 {
        text.push_str(&format!("\n[[setup]]\nname = \"s{n}\"\nwiring = \"w\"\ntap_ohm = 8\n"));
    }
    text + "\n[[mic]]\nname = \"a\"\n\n[[mic]]\nname = \"b\"\n"
}
