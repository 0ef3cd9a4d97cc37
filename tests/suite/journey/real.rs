//! Two "setups" of three takes each are made out of a real recording with known gains, lags and a known mild filter; the whole journey
//! must find what was put in.

use crate::material::{self, RECORDINGS};
use crate::program::Desk;
use serde_json::Value;
use std::path::Path;

const RATE: u32 = 44_100;

/// A take as the test made it.
struct Made {
    setup: &'static str,
    file: String,
    gain_db: f64,
    lag: i64,
}

/// The recording as mono, by the program's own reader (whose FLAC path is checked against ffmpeg-independent hashes elsewhere).
fn decode(path: &Path) -> Vec<f64> {
    let (audio, _) = cabjury::sound::read_all(path).unwrap();
    assert_eq!(audio.rate().hz(), RATE);
    let channels = audio.channels();
    (0..audio.frames()).map(|n| channels.iter().map(|c| f64::from(c[n])).sum::<f64>() / channels.len() as f64).collect()
}

fn make(desk: &Desk, source: &[f64]) -> Vec<Made> {
    // Half a second of rest before, so that a lag never cuts into the music.
    let source = material::later(source, i64::from(RATE / 2));
    material::write_wav(&desk.join("di.wav"), RATE, &source);
    let bright = material::peaking(&source, RATE, 2_500.0, 0.7, 2.5);
    let plan = [
        ("plain", -6.0, 0),
        ("bright", -8.0, 210),
        ("bright", -6.7, -377),
        ("plain", -7.5, 1234),
        ("bright", -10.1, 901),
        ("plain", -9.2, 377),
    ];
    plan.into_iter()
        .enumerate()
        .map(|(i, (setup, gain_db, lag))| {
            let sound = if setup == "plain" { &source } else { &bright };
            let take = material::noisy(&material::later(&material::gain(sound, gain_db), lag), -90.0, i as u64 + 1);
            let file = format!("take-{i}.wav");
            material::write_wav(&desk.join(&file), RATE, &take);
            Made { setup, file, gain_db, lag }
        })
        .collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("wanted a number, found {value}"))
}

/// Mean powers of the 400 ms blocks, every 100 ms, by the `ebur128` crate.
fn library_blocks(path: &Path) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let samples: Vec<f64> = reader.samples::<i32>().map(|s| f64::from(s.unwrap()) / 8_388_608.0).collect();
    let mut meter = ebur128::EbuR128::new(u32::from(spec.channels), spec.sample_rate, ebur128::Mode::M).unwrap();
    let step = spec.sample_rate as usize / 10;
    let mut blocks = Vec::new();
    for (k, part) in samples.chunks_exact(step).enumerate() {
        meter.add_frames_f64(part).unwrap();
        if k >= 3 {
            blocks.push(10f64.powf((meter.loudness_momentary().unwrap() + 0.691) / 10.0));
        }
    }
    blocks
}

/// Loudness of clips by the library's blocks, over those that lie at least 1 LU above the relative gate of every clip: where a block lies
/// near a gate the standard's value jumps, and says nothing about matching.
fn library_loudness(clips: &[Vec<f64>]) -> Vec<f64> {
    let gates: Vec<f64> = clips
        .iter()
        .map(|z| {
            let loud: Vec<f64> = z.iter().copied().filter(|z| *z > 10f64.powf(-69.309 / 10.0)).collect();
            loud.iter().sum::<f64>() / loud.len() as f64 * 10f64.powf(-0.9)
        })
        .collect();
    let kept: Vec<usize> = (0..clips[0].len()).filter(|j| clips.iter().zip(&gates).all(|(z, g)| z[*j] > *g)).collect();
    assert!(!kept.is_empty());
    clips.iter().map(|z| -0.691 + 10.0 * (kept.iter().map(|j| z[*j]).sum::<f64>() / kept.len() as f64).log10()).collect()
}

fn evening(name: &str) {
    let desk = Desk::new();
    let made = make(&desk, &decode(&material::recording(name)));
    let first = [format!("plain={}", made[0].file), format!("bright={}", made[1].file)];
    desk.run(&["new", "s", "--title", "real recordings", &first[0], &first[1]]).ends(0);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    for take in &made[2..] {
        desk.run(&["take", "s", &take.file, "--setup", take.setup]).ends(0);
    }

    let check = desk.run(&["check", "s", "--json"]).ends(0).json();
    let takes = check["takes"].as_array().unwrap();
    let found: Vec<&Value> = takes.iter().filter(|t| t["setup"].is_string()).collect();
    assert_eq!(found.len(), made.len());
    for (take, put_in) in found.iter().zip(&made) {
        let lag = number(&take["lag_samples"]);
        assert!((lag - put_in.lag as f64).abs() <= 0.5, "{name}: {} lag {lag}, put in {}", put_in.file, put_in.lag);
    }

    let matched = desk.run(&["match", "s", "--json"]).ends(0).json();
    let mismatch = number(&matched["largest_mismatch_lu"]);
    assert!(mismatch <= 0.02, "{name}: largest mismatch {mismatch} LU");
    let clips = matched["clips"].as_array().unwrap();
    assert_eq!(clips.len(), made.len());
    let mut blocks = Vec::new();
    for (clip, put_in) in clips.iter().zip(&made) {
        assert_eq!(clip["setup"], put_in.setup);
        assert!(number(&clip["gain_db"]) <= 0.0, "{name}: a clip was made louder");
        assert!(number(&clip["true_peak_dbtp"]) <= -1.0 + 0.05);
        blocks.push(library_blocks(&desk.join("s").join(clip["path"].as_str().unwrap())));
    }
    for setup in ["plain", "bright"] {
        let of_setup: Vec<_> = clips.iter().zip(&made).filter(|(_, m)| m.setup == setup).collect();
        for pair in of_setup.windows(2) {
            let found = number(&pair[0].0["gain_db"]) - number(&pair[1].0["gain_db"]);
            let put_in = pair[1].1.gain_db - pair[0].1.gain_db;
            assert!((found - put_in).abs() <= 0.03, "{name}: gains differ by {found} dB, put in {put_in} dB");
        }
    }
    let loudness = library_loudness(&blocks);
    let spread = loudness.iter().copied().fold(f64::MIN, f64::max) - loudness.iter().copied().fold(f64::MAX, f64::min);
    assert!(spread <= 0.1, "{name}: the library finds the clips {spread} LU apart: {loudness:?}");

    let plan = desk.run(&["plan", "s", "--compare", "plain,bright", "--trials", "16", "--simulated", "--json"]).ends(0).json();
    assert_eq!(plan["critical"], 12);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "ear"]).ends(0);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    let test = &score["tests"][0];
    assert_eq!((test["correct"].as_u64(), test["done"].as_u64()), (Some(16), Some(16)), "{score:#}");
    assert_eq!(test["verdict"], "heard");
    let sentence = test["sentence"].as_str().unwrap();
    assert!(sentence.starts_with("Simulated listeners:") && sentence.contains("these recordings"), "{sentence}");

    desk.run(&["report", "s", "--out", "report.html"]).ends(0);
    let page = std::fs::read_to_string(desk.join("report.html")).unwrap();
    assert!(page.contains("Simulated listeners:"));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn the_evening_with_each_real_recording() {
    for (name, _) in RECORDINGS {
        evening(name);
    }
}
