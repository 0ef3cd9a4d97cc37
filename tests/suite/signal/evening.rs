//! Sessions whose takes are damaged in ways that are known: what `check` and `match` say. Truth is what was put in.

use super::placing::{cab, driven, riff};
use crate::journey::evening::SHEET;
use crate::material;
use crate::program::Desk;
use serde_json::Value;
use std::collections::BTreeMap;

const RATE: u32 = 48_000;

const SETUPS: [&str; 2] = ["s16", "p4"];

/// A session with a DI (t001) and these takes (setup 0 or 1), in order from t002 on.
fn session(di: &[f64], takes: &[(usize, Vec<f64>)]) -> Desk {
    let desk = Desk::new();
    let rig = SHEET.split("[[mic]]").next().unwrap();
    std::fs::write(desk.join("sheet.toml"), format!("{rig}[[mic]]\nname = \"close\"\nhears = [\"A\"]\n")).unwrap();
    desk.run(&["new", "s", "--sheet", "sheet.toml"]).ends(0);
    material::write_wav(&desk.join("di.wav"), RATE, di);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    for (i, (setup, x)) in takes.iter().enumerate() {
        let name = format!("take-{i}.wav");
        material::write_wav(&desk.join(&name), RATE, x);
        desk.run(&["take", "s", &name, "--setup", SETUPS[*setup], "--mic", "close"]).ends(0);
    }
    desk
}

/// The base of takes: one amplifier, two cabs, a DC block as every microphone has one.
fn rigs(di: &[f64]) -> [Vec<f64>; 2] {
    let amp = driven(di, 6.0);
    [0, 1].map(|k| {
        let mut last = (0.0, 0.0);
        cab(&amp, k)
            .iter()
            .map(|v| {
                // First order, 20 Hz.
                last = (*v, (v - last.0 + last.1) * (1.0 - std::f64::consts::TAU * 20.0 / f64::from(RATE)));
                last.1
            })
            .collect()
    })
}

fn take(base: &[f64], late: i64, seed: u64) -> Vec<f64> {
    material::noisy(&material::gain(&material::later(base, late), 0.02 * (seed % 5) as f64), -66.0, seed)
}

/// What `check` found, by take: kinds of what is more than a note.
fn found(desk: &Desk) -> (BTreeMap<String, Vec<String>>, Value) {
    let doc = desk.run(&["check", "s", "--json"]).ends(0).json();
    let mut out = BTreeMap::new();
    for take in doc["takes"].as_array().unwrap() {
        let kinds = take["faults"].as_array().unwrap().iter().filter(|f| f["severity"] != "note");
        out.insert(take["take"].as_str().unwrap().to_owned(), kinds.map(|f| f["kind"].as_str().unwrap().to_owned()).collect());
    }
    (out, doc)
}

/// Sixteen takes, one damage of each kind: all are found on their own take, and nothing else is. The first take of a setup is among those
/// that lost samples: the others lie against another one.
#[test]
fn each_damage_of_an_evening_is_found_and_nothing_else() {
    type Damage = fn(&mut Vec<f64>, usize);
    let damages: [Option<(&str, Damage)>; 16] = [
        None,
        Some(("lag-jump", |x, at| drop(x.drain(at..at + 64)))),
        None,
        Some(("repeated-buffer", |x, at| x.copy_within(at..at + 512, at + 512))),
        Some(("held-samples", |x, at| {
            let v = x[at];
            x[at..at + 256].fill(v);
        })),
        Some(("hole", |x, at| x[at..at + 57_600].fill(1e-7))),
        Some(("hole", |x, at| x[at..at + 2000].iter_mut().for_each(|v| *v *= 1e-4))),
        Some(("click", |x, at| x[at] += 0.1)),
        Some(("level-step", |x, at| x[at..].iter_mut().for_each(|v| *v *= 10f64.powf(-1.5 / 20.0)))),
        Some(("level-trend", |x, _| {
            let n = x.len() as f64;
            x.iter_mut().enumerate().for_each(|(i, v)| *v *= 10f64.powf(1.2 / 20.0 * i as f64 / n));
        })),
        None,
        None,
        Some(("lag-jump", |x, at| drop(x.drain(at..=at)))),
        Some(("lag-jump", |x, at| drop(x.drain(at..at + 4096)))),
        Some(("lag-jump", |x, at| {
            let again = x[at..at + 64].to_vec();
            x.splice(at..at, again);
        })),
        None,
    ];
    let di = riff(9.0);
    let rigs = rigs(&di);
    let takes: Vec<(usize, Vec<f64>)> = damages
        .iter()
        .enumerate()
        .map(|(i, damage)| {
            let mut x = take(&rigs[i % 2], 100 + 30 * i as i64, 40 + i as u64);
            if let Some((_, make)) = damage {
                make(&mut x, 4 * RATE as usize + 1000 * i);
            }
            (i % 2, x)
        })
        .collect();
    let desk = session(&di, &takes);
    let (found, doc) = found(&desk);
    for (i, damage) in damages.iter().enumerate() {
        let own = &found[&format!("t{:03}", i + 2)];
        match damage {
            None => assert!(own.is_empty(), "take {i} is clean: {own:?}"),
            Some((kind, _)) => assert!(own.iter().any(|k| k == kind), "take {i} has a {kind}: {own:?}"),
        }
    }
    assert!(found["t001"].is_empty());
    assert_eq!(doc["warnings"].as_array().unwrap().len(), 0, "{}", doc["warnings"]);
    let refused = desk.run(&["match", "s", "--json"]).ends(4).json();
    assert_eq!(refused["error"]["kind"], "lag-jump", "{refused}");
}

/// Takes without siblings are held against the other setup's and the DI.
#[test]
fn takes_without_siblings() {
    let di = riff(9.0);
    let rigs = rigs(&di);
    let mut holed = take(&rigs[1], 130, 6);
    holed[200_000..257_600].fill(1e-7);
    let desk = session(&di, &[(0, take(&rigs[0], 100, 5)), (1, holed)]);
    let (found, _) = found(&desk);
    assert!(found["t002"].is_empty() && found["t003"].contains(&"hole".to_owned()), "{found:?}");
}

/// The DI with a little noise as a take, and one recording for both setups.
#[test]
fn what_went_through_nothing_and_what_came_twice() {
    let di = riff(7.0);
    let rigs = rigs(&di);
    let one = take(&rigs[0], 100, 1);
    let thin = material::noisy(&material::gain(&material::later(&di, 77), -3.0), -100.0, 9);
    let desk = session(
        &di,
        &[(0, one.clone()), (0, take(&rigs[0], 150, 2)), (1, thin), (1, material::gain(&material::later(&one, 1234), -2.0))],
    );
    let (found, _) = found(&desk);
    assert_eq!((&found["t004"][..], &found["t005"][..]), (&["di-as-take".to_owned()][..], &["same-recording".to_owned()][..]));
    assert!(found["t002"].is_empty() && found["t003"].is_empty(), "{found:?}");
    let said =
        desk.run(&["match", "s", "--confirm", "di-as-take", "--confirm", "same-recording", "--reason", "a control"]).ends(0);
    assert!(said.err.contains("confirmed as meant"), "{}", said.err);
}

/// The odd one of a setup is the smaller part of it, though it came first; a setup that is inverted as a whole is told as one.
#[test]
fn polarity_goes_by_the_majority() {
    let di = riff(6.0);
    let rigs = rigs(&di);
    let down = |x: Vec<f64>| x.iter().map(|v| -v).collect::<Vec<f64>>();
    let mut takes: Vec<(usize, Vec<f64>)> = (0..6).map(|i| (i % 2, take(&rigs[i % 2], 90 + 20 * i as i64, i as u64))).collect();
    takes[0].1 = down(takes[0].1.clone());
    let desk = session(&di, &takes);
    let mixed = desk.run(&["match", "s", "--json"]).ends(4).json();
    assert_eq!(mixed["error"]["kind"], "mixed-polarity");
    assert!(mixed["error"]["message"].as_str().unwrap().contains("t002 is upside down"), "{mixed}");
    let turned = desk.run(&["match", "s", "--turn", "t002", "--json"]).ends(0).json();
    assert!(turned["clips"].as_array().unwrap().iter().all(|c| c["polarity"] == 1), "{turned}");
    for i in [1, 3, 5] {
        takes[i].1 = down(takes[i].1.clone());
    }
    takes[0].1 = down(takes[0].1.clone());
    let desk = session(&di, &takes);
    let (_, doc) = found(&desk);
    let warned = doc["warnings"].to_string();
    assert!(warned.contains("all takes of p4 at close are upside down"), "{warned}");
    let kept = desk.run(&["match", "s", "--json"]).ends(0).json();
    let of = |setup: &str| {
        kept["clips"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|c| c["setup"] == setup)
            .map(|c| c["polarity"].clone())
            .collect::<Vec<_>>()
    };
    assert_eq!((of("s16"), of("p4")), (vec![Value::from(1); 3], vec![Value::from(-1); 3]));
    let drift: Vec<&Value> = kept["clips"].as_array().unwrap().iter().map(|c| &c["drift_ppm"]).collect();
    assert!(drift.iter().all(|d| d.as_f64() == Some(0.0)), "one clock: {drift:?}");
}

/// What is matched by one model lies apart by the others; `check` says what to plan with.
#[test]
fn models_and_the_planning_number() {
    let di = riff(6.0);
    let rigs = rigs(&di);
    let takes: Vec<(usize, Vec<f64>)> = (0..8).map(|i| (i % 2, take(&rigs[i % 2], 90 + 20 * i as i64, i as u64))).collect();
    let desk = session(&di, &takes);
    let (_, doc) = found(&desk);
    let difference = &doc["differences"][0];
    // Two of four and four each: the truth and its mirror are one split of 35.
    assert!((difference["p_floor"].as_f64().unwrap() - 1.0 / 35.0).abs() < 1e-12, "{difference}");
    assert_eq!(difference["above_floor"], true);
    assert!(
        difference["estimate"]["p_correct_high"].as_f64().unwrap() > 0.75 && difference["estimate"]["trials"].as_u64().is_some()
    );
    let spread = |doc: &Value, ear: &str| doc["largest_mismatch_by_ear"][ear].as_f64().unwrap();
    let k = desk.run(&["match", "s", "--json"]).ends(0).json();
    assert!(k["largest_mismatch_lu"].as_f64().unwrap() < 0.02 && k["left"].is_null() && k["matched_by"] == "k");
    assert!(spread(&k, "zwicker_phon") > 0.1, "{k}");
    let z = desk.run(&["match", "s", "--loudness", "zwicker", "--json"]).ends(0).json();
    assert!(spread(&z, "zwicker_phon") < 0.02 && z["largest_mismatch_lu"].as_f64().unwrap() > 0.1, "{z}");
    let a = desk.run(&["match", "s", "--loudness", "a", "--json"]).ends(0).json();
    assert!(spread(&a, "a_db") < 0.01 && a["left"].as_str().unwrap().contains("the A curve"), "{a}");
    let one = desk.run(&["match", "s", "--gain", "per-setup", "--json"]).ends(0).json();
    let gains = |setup: &str| {
        one["clips"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|c| c["setup"] == setup)
            .map(|c| c["gain_db"].as_f64().unwrap())
            .collect::<Vec<_>>()
    };
    assert!(SETUPS.iter().all(|s| gains(s).windows(2).all(|w| (w[0] - w[1]).abs() < 1e-9)), "{one}");
    assert!(one["left"].as_str().unwrap().contains("one gain for all takes of a setup"), "{one}");
}

/// Flat tops that are the tone: refused with a way on, and the reason stands with the take.
#[test]
fn a_tone_with_flat_tops() {
    let di = riff(6.0);
    let desk = session(&di, &[(0, take(&rigs(&di)[0], 50, 1))]);
    let flat: Vec<f64> = cab(&di, 1).iter().map(|v| (3.0 * v).clamp(-0.4, 0.4)).collect();
    material::write_wav(&desk.join("flat.wav"), RATE, &flat);
    let args = ["take", "s", "flat.wav", "--setup", "p4", "--mic", "close"];
    let refused = desk.run(&args).ends(4);
    assert!(refused.err.contains("--confirm clipping"), "{}", refused.err);
    let with = |more: &[&'static str]| desk.run(&[&args[..], more].concat());
    with(&["--confirm", "dropout", "--reason", "no"]).ends(2);
    with(&["--confirm", "clipping"]).ends(2);
    let taken = with(&["--confirm", "clipping", "--reason", "the modeller does that", "--json"]).ends(0).json();
    assert!(taken["takes"][0]["faults"].to_string().contains("the modeller does that"), "{taken}");
}

/// Hum in a take that never rests is judged where the DI does.
#[test]
fn hum_where_the_di_rests() {
    let mut di = riff(6.0);
    di.extend(vec![0.0; 2 * RATE as usize]);
    let clean = take(&rigs(&di)[0], 0, 3);
    let hum = |n: usize| {
        let t = n as f64 / f64::from(RATE);
        [50.0, 100.0, 150.0, 250.0].iter().map(|hz| 0.012 * (std::f64::consts::TAU * hz * t).sin()).sum::<f64>()
    };
    let humming: Vec<f64> = clean.iter().enumerate().map(|(n, v)| v + hum(n)).collect();
    let desk = session(&di, &[(0, clean), (1, humming)]);
    let (found, _) = found(&desk);
    assert!(found["t002"].is_empty(), "{found:?}");
    assert_eq!(found["t003"], ["mains-hum"]);
}

/// Takes that nobody here made: real guitar and the riff through Debian's LADSPA suite `caps` (amplifier and two cabinets) by ffmpeg. Clean, so
/// nothing may be found; the loudness of the clips is held against ffmpeg's own meter. Only in `tests/long hard`, which installs both.
#[test]
fn plug_in_takes() {
    if std::env::var_os("CABJURY_HARD").is_none() {
        return;
    }
    let (mut takes, mut warned) = (0, 0);
    for round in 0..25usize {
        let di = if round % 2 == 0 { super::hard::real(round / 2) } else { riff(6.0 + (round % 4) as f64) };
        let folder = tempfile::tempdir().unwrap();
        let gain = [0.2, 0.5, 0.8][round % 3];
        let cabinets = [format!("CabinetIII:controls=c1={}", round % 2), format!("CabinetIV:controls=c1={}", round % 10)];
        let bases = cabinets.map(|cabinet| plugged(folder.path(), &di, gain, &cabinet));
        let all: Vec<(usize, Vec<f64>)> =
            (0..8).map(|i| (i % 2, take(&bases[i % 2], 80 + 17 * i as i64, (100 * round + i) as u64))).collect();
        let desk = session(&di, &all);
        let (found, doc) = found(&desk);
        let matched = desk.run(&["match", "s", "--json"]).ends(0).json();
        takes += 8;
        warned += found.values().filter(|f| !f.is_empty()).count() + doc["warnings"].as_array().unwrap().len();
        assert!(matched["clips"].as_array().unwrap().iter().all(|c| c["drift_ppm"] == 0.0), "one clock: {matched}");
        println!("round {round}: {found:?} {} {}", doc["warnings"], matched["warnings"]);
    }
    println!("{takes} clean takes through plug-ins: no stop, {warned} with a warning");
    assert!(50 * warned <= takes, "{warned} of {takes}");
}

/// Through an amplifier and a cabinet of `caps`, at half of full scale.
fn plugged(folder: &std::path::Path, di: &[f64], gain: f64, cabinet: &str) -> Vec<f64> {
    let (dry, wet) = (folder.join("dry.wav"), folder.join("wet.wav"));
    material::write_wav(&dry, RATE, di);
    let filter = format!("ladspa=file=caps:plugin=AmpVTS:controls=c1={gain},ladspa=file=caps:plugin={cabinet}");
    let mut command = std::process::Command::new("ffmpeg");
    command.args(["-v", "error", "-y", "-i"]).arg(&dry).args(["-af", &filter, "-c:a", "pcm_f32le"]).arg(&wet);
    let ended = command.status().expect("ffmpeg and Debian's caps are needed: tests/long hard installs them");
    assert!(ended.success(), "{filter}");
    let (audio, _) = cabjury::sound::read_all(&wet).unwrap();
    let x = &audio.channels()[0];
    let most = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    x.iter().map(|v| f64::from(0.5 * v / most)).collect()
}
