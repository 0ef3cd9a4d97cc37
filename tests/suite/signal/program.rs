//! The measuring commands as a person runs them: what they say of faults, clocks and polarity, and how much memory they take.

use crate::golden;
use crate::material;
use crate::program::Desk;
use serde_json::Value;
use std::fmt::Write as _;
use std::io::Write as _;

const RATE: u32 = 48_000;

/// The 44 bytes in front of plain PCM (RIFF/WAVE; layout from memory).
fn header(channels: u16, bits: u16, data: u32) -> Vec<u8> {
    let align = channels * bits / 8;
    let mut out = Vec::from(*b"RIFF");
    out.extend((data + 36).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16u32.to_le_bytes());
    out.extend(1u16.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(RATE.to_le_bytes());
    out.extend((RATE * u32::from(align)).to_le_bytes());
    out.extend(align.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out.extend(b"data");
    out.extend(data.to_le_bytes());
    out
}

/// One file per fault, made to have it.
fn faulty(desk: &Desk) -> Vec<&'static str> {
    let riff = material::noisy(&material::riff(4.0, RATE), -90.0, 2);
    let wav = |name: &str, x: &[f64]| material::write_wav(&desk.join(name), RATE, x);
    wav("clean.wav", &riff);
    wav("clipped.wav", &riff.iter().map(|v| (v * 3.0).clamp(-0.6, 0.6)).collect::<Vec<_>>());
    wav("offset.wav", &riff.iter().map(|v| v + 0.01).collect::<Vec<_>>());
    let hum = |n: usize| {
        let t = n as f64 / f64::from(RATE);
        [50.0, 100.0, 150.0, 250.0].iter().map(|hz| 0.004 * (2.0 * std::f64::consts::PI * hz * t).sin()).sum::<f64>()
    };
    wav("hum.wav", &material::later(&riff, 48_000).iter().enumerate().map(|(n, v)| v + hum(n)).collect::<Vec<_>>());
    let mut holes = riff.clone();
    holes[100_000..100_200].fill(0.0);
    holes[130_000..130_064].fill(0.0);
    wav("holes.wav", &holes);
    wav("short.wav", &riff[30_000..130_000]);
    wav("blip.wav", &riff[30_000..40_000]);
    wav("silent.wav", &vec![1e-5; 200_000]);
    let float = |name: &str, channels: u16, x: &[f32]| {
        let spec = hound::WavSpec { channels, sample_rate: RATE, bits_per_sample: 32, sample_format: hound::SampleFormat::Float };
        let mut writer = hound::WavWriter::create(desk.join(name), spec).unwrap();
        x.iter().for_each(|v| writer.write_sample(*v).unwrap());
        writer.finalize().unwrap();
    };
    let single: Vec<f32> = riff.iter().map(|v| *v as f32).collect();
    float("over.wav", 1, &single.iter().map(|v| v * 3.0).collect::<Vec<_>>());
    let mut broken = single.clone();
    broken[96_000] = f32::NAN;
    float("broken.wav", 1, &broken);
    float("twin.wav", 2, &single.iter().flat_map(|v| [*v, *v]).collect::<Vec<_>>());
    float("left-only.wav", 2, &single.iter().flat_map(|v| [*v, 0.0]).collect::<Vec<_>>());
    let samples: Vec<u8> = riff.iter().flat_map(|v| ((v * 32_767.0) as i16).to_le_bytes()).collect();
    let whole = [header(1, 16, samples.len() as u32), samples].concat();
    std::fs::write(desk.join("cut.wav"), &whole[..whole.len() - 30_000]).unwrap();
    let mut unfinished = whole;
    unfinished[4..8].fill(0);
    unfinished[40..44].fill(0);
    std::fs::write(desk.join("unfinished.wav"), unfinished).unwrap();
    vec![
        "clean.wav",
        "clipped.wav",
        "offset.wav",
        "hum.wav",
        "holes.wav",
        "short.wav",
        "blip.wav",
        "silent.wav",
        "over.wav",
        "broken.wav",
        "twin.wav",
        "left-only.wav",
        "cut.wav",
        "unfinished.wav",
    ]
}

#[test]
fn each_fault_is_told_with_cause_and_remedy() {
    let desk = Desk::new();
    let mut text = String::new();
    for file in faulty(&desk) {
        let doc = desk.run(&["measure", file, "--json"]).ends(0).json();
        writeln!(text, "{file}").unwrap();
        for fault in doc["files"][0]["faults"].as_array().unwrap() {
            let of = |key: &str| fault[key].as_str().unwrap().to_owned();
            writeln!(text, "  {} ({}): {}", of("kind"), of("severity"), of("detail")).unwrap();
        }
    }
    golden::check("errors/faults.txt", &text);
}

/// 64 MiB of data for half an hour of stereo that would fill 660 MB of memory: by the limit that the system itself keeps.
#[test]
#[cfg(target_os = "linux")]
fn measuring_takes_the_same_memory_for_any_length() {
    let desk = Desk::new();
    let frames = 30 * 60 * RATE;
    let mut file = std::fs::File::create(desk.join("long.wav")).unwrap();
    file.write_all(&header(2, 24, frames * 6)).unwrap();
    let riff = material::riff(4.0, RATE);
    let bytes: Vec<u8> = riff.iter().flat_map(|v| ((v * 8_388_607.0) as i32).to_le_bytes()[..3].repeat(2)).collect();
    file.write_all(&bytes).unwrap();
    // The rest is a hole in the file: zeros that take no room on the disk.
    file.set_len(u64::from(frames) * 6 + 44).unwrap();
    let run = |kilobytes: u32, args: &str| {
        let line = format!("ulimit -d {kilobytes}; exec timeout 120 {} {args} --json", env!("CARGO_BIN_EXE_cabjury"));
        std::process::Command::new("sh").args(["-c", &line]).current_dir(desk.path()).output().unwrap()
    };
    let said = run(65_536, "measure long.wav");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let doc: Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!(doc["files"][0]["frames"].as_u64(), Some(u64::from(frames)));
    // The limit bites: what holds the whole recording in memory does not get it.
    std::fs::hard_link(desk.join("long.wav"), desk.join("again.wav")).unwrap();
    assert!(!run(65_536, "level long.wav again.wav --out levelled").status.success(), "the limit does not limit");
}

#[test]
fn another_clock_and_a_turned_cable_are_told_and_mended_on_request() {
    let desk = Desk::new();
    let takes = [("one-1", 0.0, 1.0), ("two-1", 0.0, 1.0), ("one-2", 12.0, 1.0), ("two-2", 0.0, -1.0)];
    for (seed, (name, ppm, sign)) in (1..).zip(takes) {
        let x = material::riff_by_clock(7.0, RATE, ppm);
        let x: Vec<f64> = if name.starts_with("two") { material::peaking(&x, RATE, 1_500.0, 0.7, 2.0) } else { x };
        let x: Vec<f64> = x.iter().map(|v| v * sign).collect();
        material::write_wav(&desk.join(&format!("{name}.wav")), RATE, &material::noisy(&x, -85.0, seed));
    }
    desk.run(&["new", "s", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["take", "s", "one-2.wav", "--setup", "one"]).ends(0);
    desk.run(&["take", "s", "two-2.wav", "--setup", "two"]).ends(0);
    let said = desk.run(&["check", "s"]).ends(0).err;
    assert!(said.contains("t003 runs +12.0") && said.contains("t004 is upside down"), "{said}");

    let mixed = desk.run(&["match", "s", "--json"]).ends(4);
    assert_eq!(mixed.json()["error"]["kind"], "mixed-polarity", "nothing is turned in silence");
    assert!(mixed.json()["error"]["next"].as_str().unwrap().contains("--turn t004"), "{}", mixed.out);

    let wrong = desk.run(&["match", "s", "--turn", "t003"]).ends(3).err;
    assert!(wrong.contains("t003 was not found to be upside down"), "{wrong}");
    let made = desk.run(&["match", "s", "--turn", "t004", "--json"]).ends(0);
    assert!(made.err.contains("resampled onto one clock"), "{}", made.err);
    let clips = made.json()["clips"].clone();
    assert_eq!(clips[3]["polarity"], 1);
    let drift = clips[2]["drift_ppm"].as_f64().unwrap();
    assert!((drift - 12.0).abs() < 0.1, "{drift} ppm");
    let read = |i: usize| {
        let path = desk.join("s").join(clips[i]["path"].as_str().unwrap());
        cabjury::sound::read_all(&path).unwrap().0.channels()[0].clone()
    };
    for (first, second) in [(0, 2), (1, 3)] {
        // What is left after the best gain: with 12 ppm over 7 s, 0.5 samples off at the ends, it would be -30 dB; upside down +6.
        let (a, b) = (read(first), read(second));
        let gain = a.iter().zip(&b).map(|(x, y)| x * y).sum::<f32>() / a.iter().map(|x| x * x).sum::<f32>();
        assert!(gain > 0.5, "{gain}");
        let left: f32 = a.iter().zip(&b).map(|(x, y)| (y - gain * x).powi(2)).sum();
        let residual = 10.0 * (left / a.iter().map(|x| (gain * x).powi(2)).sum::<f32>()).log10();
        assert!(residual < -50.0, "clips {first} and {second}: {residual} dB");
    }
}

/// The driver of one setup is reversed: all of its takes are upside down against the other setup, by name or by setup they are turned.
#[test]
fn a_reversed_setup_is_turned_as_one() {
    let desk = Desk::new();
    let x = material::riff_by_clock(5.0, RATE, 0.0);
    for (seed, (name, sign)) in (1..).zip([("one-1", 1.0), ("two-1", -1.0), ("one-2", 1.0), ("two-2", -1.0)]) {
        let x: Vec<f64> = if name.starts_with("two") { material::peaking(&x, RATE, 1_500.0, 0.7, 4.0) } else { x.clone() };
        let x: Vec<f64> = x.iter().map(|v| v * sign).collect();
        material::write_wav(&desk.join(&format!("{name}.wav")), RATE, &material::noisy(&x, -80.0, seed));
    }
    desk.run(&["new", "s", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["take", "s", "one-2.wav", "--setup", "one"]).ends(0);
    desk.run(&["take", "s", "two-2.wav", "--setup", "two"]).ends(0);
    let polarity = |args: &[&str]| -> Vec<i64> {
        let made = desk.run(args).ends(0).json();
        made["clips"].as_array().unwrap().iter().map(|c| c["polarity"].as_i64().unwrap()).collect()
    };
    let told = desk.run(&["match", "s"]).ends(0).err;
    assert!(told.contains("all takes of two at main are upside down (polarity) against one"), "{told}");
    assert!(told.contains("--turn t002 --turn t004"), "{told}");
    assert_eq!(polarity(&["match", "s", "--json"]), [1, -1, 1, -1]);
    assert_eq!(polarity(&["match", "s", "--turn", "two", "--json"]), [1, 1, 1, 1]);
    assert_eq!(polarity(&["match", "s", "--turn", "t002", "--turn", "t004", "--json"]), [1, 1, 1, 1]);
    let half = desk.run(&["match", "s", "--turn", "t002", "--json"]).ends(4).json();
    assert_eq!(half["error"]["kind"], "mixed-polarity");
    desk.run(&["match", "s", "--turn", "one"]).ends(3);
}

/// What marks a take stops the clips; what may be meant can be confirmed, with a reason that the report prints.
#[test]
fn a_marked_take_stops_the_clips_until_it_is_confirmed() {
    let desk = Desk::new();
    let x = material::riff_by_clock(6.0, RATE, 0.0);
    let other = material::peaking(&x, RATE, 1_500.0, 0.7, 4.0);
    for seed in 1..7 {
        let base = if seed % 2 == 1 { &x } else { &other };
        let mut take = material::noisy(base, -75.0, seed);
        if seed == 5 {
            take[150_000] += 0.2;
        }
        material::write_wav(&desk.join(&format!("{seed}.wav")), RATE, &take);
    }
    desk.run(&["new", "s", "one=1.wav", "two=2.wav"]).ends(0);
    for seed in 3..7 {
        let setup = if seed % 2 == 1 { "one" } else { "two" };
        desk.run(&["take", "s", &format!("{seed}.wav"), "--setup", setup]).ends(0);
    }
    let checked = desk.run(&["check", "s", "--json"]).ends(0).json();
    for take in checked["takes"].as_array().unwrap() {
        let kinds: Vec<&str> = take["faults"].as_array().unwrap().iter().map(|f| f["kind"].as_str().unwrap()).collect();
        let clicks = kinds.iter().filter(|k| **k == "click").count();
        assert_eq!(clicks, usize::from(take["take"] == "t005"), "{take:#}");
    }
    let stopped = desk.run(&["match", "s", "--json"]).ends(4).json();
    assert_eq!(stopped["error"]["kind"], "click");
    assert!(stopped["error"]["message"].as_str().unwrap().contains("At 3.1"), "{stopped:#}");
    desk.run(&["match", "s", "--confirm", "hole", "--reason", "x"]).ends(4);
    desk.run(&["match", "s", "--confirm", "click"]).ends(2);
    let made = desk.run(&["match", "s", "--confirm", "click", "--reason", "pick noise, wanted", "--json"]).ends(0);
    assert_eq!(made.json()["clips"].as_array().unwrap().len(), 6);
    desk.run(&["report", "s", "--out", "r.html"]).ends(0);
    let page = std::fs::read_to_string(desk.join("r.html")).unwrap();
    assert!(page.contains("pick noise, wanted") && page.contains("t005: click was confirmed as meant"), "not in the report");
}

/// One file, exported twice with another gain, under both setups; and the DI under one of them.
#[test]
fn one_recording_under_two_setups_is_not_compared() {
    let desk = Desk::new();
    let x = material::noisy(&material::riff_by_clock(5.0, RATE, 0.0), -75.0, 1);
    let other = material::noisy(&material::peaking(&x, RATE, 1_500.0, 0.7, 4.0), -75.0, 2);
    material::write_wav(&desk.join("a.wav"), RATE, &x);
    material::write_wav(&desk.join("b.wav"), RATE, &material::gain(&material::later(&x, 777), -2.0));
    material::write_wav(&desk.join("c.wav"), RATE, &other);
    desk.run(&["new", "s", "one=a.wav", "two=b.wav"]).ends(0);
    assert_eq!(desk.run(&["match", "s", "--json"]).ends(4).json()["error"]["kind"], "same-recording");
    material::write_wav(&desk.join("di.wav"), RATE, &material::gain(&x, -1.0));
    desk.run(&["new", "d", "one=a.wav", "two=c.wav"]).ends(0);
    desk.run(&["take", "d", "di.wav", "--di"]).ends(0);
    assert_eq!(desk.run(&["match", "d", "--json"]).ends(4).json()["error"]["kind"], "di-as-take");
}

/// Ten loud seconds and ten that lie near the gate, by a fifth of a dB on either side of it in the two files: the standard's own gate counts
/// the quiet half in one and not in the other (2.72 LU on whole files, as the loudness sheet's example; the ebur128 crate confirms it).
#[test]
fn a_passage_near_the_gate_is_told() {
    let desk = Desk::new();
    // The same hiss in both files, so that there is something to align by; a uniform one of amplitude 1 has -4.77 dB.
    let hiss = |db: f64, seed: u64| -> Vec<f64> {
        let mut noise = material::Noise(seed);
        (0..10 * RATE).map(|_| 10f64.powf((db + 4.771) / 20.0) * noise.next()).collect()
    };
    for (seed, (name, quiet)) in (1..).zip([("a", -32.7), ("b", -32.9)]) {
        let x: Vec<f64> = hiss(-20.0, 77).into_iter().chain(hiss(quiet, 78)).collect();
        material::write_wav(&desk.join(&format!("{name}.wav")), RATE, &material::noisy(&x, -90.0, seed));
    }
    let doc = desk.run(&["level", "a.wav", "b.wav", "--out", "out", "--json"]).ends(0).json();
    let peers: Vec<f64> = ["a", "b"]
        .iter()
        .map(|name| {
            let (audio, _) = cabjury::sound::read_all(&desk.join("out").join(format!("{name}.wav"))).unwrap();
            let mut meter = ebur128::EbuR128::new(1, RATE, ebur128::Mode::I).unwrap();
            meter.add_frames_f32(&audio.channels()[0]).unwrap();
            meter.loudness_global().unwrap()
        })
        .collect();
    let apart = doc["largest_mismatch_standard_lu"].as_f64().unwrap();
    assert!((apart - (peers[0] - peers[1]).abs()).abs() < 0.01, "{apart} {peers:?}");
    assert!(apart > 1.0 && doc["largest_mismatch_lu"].as_f64().unwrap() < 0.05, "{doc:#}");
    assert!(doc["warnings"].as_array().unwrap().iter().any(|w| w.as_str().unwrap().contains("own gate")), "{doc:#}");
}

#[test]
fn levelling_what_is_level_changes_nothing() {
    let desk = Desk::new();
    let riff = material::riff(5.0, RATE);
    for (name, db, lag) in [("a", -3.0, 0), ("b", -9.5, 333), ("c", -6.2, 41)] {
        let x = material::noisy(&material::later(&material::gain(&riff, db), lag), -85.0, lag as u64 + 1);
        material::write_wav(&desk.join(&format!("{name}.wav")), RATE, &x);
    }
    let number = |v: &Value| v.as_f64().unwrap();
    let first = desk.run(&["level", "a.wav", "b.wav", "c.wav", "--out", "once", "--json"]).ends(0).json();
    assert!(number(&first["largest_mismatch_lu"]) <= 0.02);
    let other = desk.run(&["level", "c.wav", "a.wav", "b.wav", "--out", "turned", "--json"]).ends(0).json();
    let gain = |doc: &Value, file: &str| {
        number(&doc["files"].as_array().unwrap().iter().find(|f| f["path"] == file).unwrap()["gain_db"])
    };
    for file in ["a.wav", "b.wav", "c.wav"] {
        assert!((gain(&first, file) - gain(&other, file)).abs() < 0.01, "{file}: the order of the files matters");
    }
    let again = desk.run(&["level", "once/a.wav", "once/b.wav", "once/c.wav", "--out", "twice", "--json"]).ends(0).json();
    for file in again["files"].as_array().unwrap() {
        assert!(number(&file["gain_db"]).abs() < 0.01 && number(&file["lag_samples"]).abs() < 0.02, "{file:#}");
    }
    let alone = desk.run(&["measure", "a.wav", "a.wav", "--json"]).ends(0).json();
    assert_eq!(alone["pairs"][0]["residual_db"], "-inf", "a file against itself is silence");
}
