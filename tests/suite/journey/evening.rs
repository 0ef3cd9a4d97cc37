//! Evenings as they go wrong and are mended: real guitar recordings through two known filters per setup and mic. What is checked against is
//! what the test itself put in.

use crate::material::{self, RECORDINGS};
use crate::player::terminal::Terminal;
use crate::program::Desk;
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

pub(super) const RATE: u32 = 44_100;

/// An invented rig: two drivers in series or parallel, a mic on each, and both together.
pub(crate) const SHEET: &str = r#"
[amplifier]
label = "head"
kind = "valve"
rated_w = 40
taps_ohm = [4, 8, 16]

[[driver]]
label = "A"
nominal_ohm = 8
rated_w = 60

[[driver]]
label = "B"
nominal_ohm = 8
rated_w = 60

[[wiring]]
name = "series"
network = "A + B"

[[wiring]]
name = "parallel"
network = "A || B"

[[setup]]
name = "s16"
wiring = "series"
tap_ohm = 16

[[setup]]
name = "p4"
wiring = "parallel"
tap_ohm = 4

[[mic]]
name = "close-a"
hears = ["A"]

[[mic]]
name = "close-b"
hears = ["B"]

[[blend]]
name = "both"
of = ["close-a", "close-b"]
gains_db = [0.0, 0.0]
"#;

/// A recording as mono, with half a second of rest before it.
pub(super) fn performance(name: &str) -> Vec<f64> {
    let (audio, _) = cabjury::sound::read_all(&material::recording(name)).unwrap();
    let channels = audio.channels();
    let mono: Vec<f64> =
        (0..audio.frames()).map(|n| channels.iter().map(|c| f64::from(c[n])).sum::<f64>() / channels.len() as f64).collect();
    material::later(&mono, i64::from(RATE / 2))
}

/// What a setup and a mic make of a performance.
fn through(di: &[f64], setup: &str, mic: &str) -> Vec<f64> {
    let (hz, db) = if setup == "s16" { (140.0, 4.0) } else { (2_300.0, 4.0) };
    let (mic_hz, mic_db) = if mic == "close-a" { (700.0, -3.0) } else { (5_000.0, -5.0) };
    material::peaking(&material::peaking(di, RATE, hz, 0.8, db), RATE, mic_hz, 0.8, mic_db)
}

/// A take of it: its own gain, lag and noise.
pub(super) fn bounce(di: &[f64], setup: &str, mic: &str, n: u64) -> Vec<f64> {
    let lag = 37 * n as i64;
    material::noisy(
        &material::later(&material::gain(&through(di, setup, mic), -9.0 - 0.2 * n as f64), lag),
        -85.0,
        n + 100 * mic.len() as u64,
    )
}

pub(super) fn sixteen(dir: &Path, di: &[f64]) {
    std::fs::create_dir_all(dir).unwrap();
    for setup in ["s16", "p4"] {
        for mic in ["close-a", "close-b"] {
            for take in 1..=4u64 {
                material::write_wav(
                    &dir.join(format!("{setup}_{mic}_{take}.wav")),
                    RATE,
                    &bounce(di, setup, mic, take + setup.len() as u64),
                );
            }
        }
    }
}

/// A file that was there already, bounced anew.
pub(super) fn again(path: &Path, x: &[f64]) {
    std::fs::remove_file(path).unwrap();
    material::write_wav(path, RATE, x);
}

fn lines(value: &Value, key: &str) -> Vec<String> {
    value[key].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect()
}

/// The acceptance: five commands, each of which names the next or needs no more than its help.
#[test]
fn sixteen_bounces_to_a_sealed_test_in_five_commands() {
    let desk = Desk::new();
    let di = performance("guit_em9");
    sixteen(&desk.join("bounces"), &di);
    material::write_wav(&desk.join("di.wav"), RATE, &di);
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "evening", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["take", "evening", "di.wav", "--di"]).ends(0);
    let taken = desk.run(&["take", "evening", "bounces", "--yes", "--json"]).ends(0).json();
    assert_eq!((&taken["pattern"], &taken["guessed"]), (&"{setup}_{mic}_{take}.wav".into(), &true.into()));
    assert_eq!(taken["takes"].as_array().unwrap().len(), 16);
    desk.run(&["match", "evening"]).ends(0);
    let plan = desk.run(&["plan", "evening", "--compare", "s16,p4", "--mic", "both", "--json"]).ends(0).json();
    assert_eq!((&plan["takes"]["s16"], &plan["takes"]["p4"], &plan["mic"]), (&4.into(), &4.into(), &"both".into()));
    // Each file is where its name says, whatever the order of the names.
    for take in taken["takes"].as_array().unwrap() {
        let name = format!("{}_{}_{}.wav", take["setup"].as_str().unwrap(), take["mic"].as_str().unwrap(), take["pass"]);
        assert_eq!(take["original_name"], name.as_str());
        assert!(take["path"].as_str().unwrap().ends_with(&format!("-{name}")), "{take}");
    }
}

/// Two setups, two mics, four takes by pattern; one file named after the wrong setup, one clipped, one of another performance.
#[test]
fn an_evening_with_three_mistakes_is_mended() {
    let desk = Desk::new();
    let di = performance("guit_em9");
    let dir = desk.join("bounces");
    sixteen(&dir, &di);
    material::write_wav(&desk.join("di.wav"), RATE, &di);
    std::fs::rename(dir.join("p4_close-a_2.wav"), dir.join("s16_close-a_5.wav")).unwrap();
    let good = bounce(&di, "p4", "close-b", 3 + 2);
    let clipped: Vec<f64> = good.iter().map(|v| (v * 9.0).clamp(-0.999_999, 0.999_999)).collect();
    again(&dir.join("p4_close-b_3.wav"), &clipped);
    again(&dir.join("s16_close-b_4.wav"), &bounce(&performance("guit_e_fifths"), "s16", "close-b", 7));
    std::fs::write(dir.join("notes.txt"), "gain at noon").unwrap();
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);

    // A guess is shown, and not taken in unasked.
    let dry = desk.run(&["take", "s", "bounces", "--dry-run"]).ends(0).out;
    assert!(dry.contains("guessed pattern: {setup}_{mic}_{take}.wav") && dry.contains("nothing was taken in"), "{dry}");
    let unasked = desk.run(&["take", "s", "bounces"]).ends(3);
    assert!(unasked.err.contains("cabjury take s bounces --pattern \"{setup}_{mic}_{take}.wav\""), "{}", unasked.err);
    assert_eq!(desk.run(&["takes", "s", "--json"]).ends(0).json()["takes"].as_array().unwrap().len(), 1);

    // Two of sixteen are named and left out, the others are in.
    let by_name = ["take", "s", "bounces", "--pattern", "{setup}_{mic}_{take}.wav", "--json"];
    let first = desk.run(&by_name).ends(4).json();
    let refused: Vec<(&str, &str)> =
        first["refused"].as_array().unwrap().iter().map(|r| (r["file"].as_str().unwrap(), r["kind"].as_str().unwrap())).collect();
    assert_eq!(refused, [("bounces/p4_close-b_3.wav", "clipping"), ("bounces/s16_close-b_4.wav", "other-di")]);
    assert_eq!(first["takes"].as_array().unwrap().len(), 14);

    // Bounced again, the same command takes in what is new.
    again(&dir.join("p4_close-b_3.wav"), &good);
    again(&dir.join("s16_close-b_4.wav"), &bounce(&di, "s16", "close-b", 4 + 3));
    let second = desk.run(&by_name).ends(0).json();
    assert_eq!((second["takes"].as_array().unwrap().len(), second["already"].as_array().unwrap().len()), (2, 14));
    // Nothing is left to take in.
    desk.run(&by_name).ends(3);

    // The wrong assignment shows in what is missing for the blend, and is mended with a reason.
    let status = desk.run(&["status", "s", "--json"]).ends(0).json();
    let missing = lines(&status, "missing");
    assert_eq!(missing, ["the blend both of s16 lacks close-b in pass 5", "the blend both of p4 lacks close-a in pass 2"]);
    let at = status["mics"].as_array().unwrap().iter().find(|m| m["setup"] == "s16" && m["mic"] == "close-a").unwrap();
    assert_eq!((&at["takes"], &at["passes"]), (&5.into(), &serde_json::json!([1, 2, 3, 4, 5])));
    let list = desk.run(&["takes", "s", "--json"]).ends(0).json();
    let wrong = list["takes"].as_array().unwrap().iter().find(|t| t["original_name"] == "s16_close-a_5.wav").unwrap();
    let id = wrong["take"].as_str().unwrap();
    let short = format!("t{}", id.trim_start_matches(['t', '0']));
    desk.run(&["reassign", "s", "--take", &short, "--setup", "p4", "--pass", "3", "--reason", "x"]).ends(3);
    desk.run(&["reassign", "s", "--take", &short, "--setup", "p4", "--pass", "2", "--reason", "named wrong"]).ends(0);
    assert_eq!(desk.run(&["status", "s", "--json"]).ends(0).json()["missing"], serde_json::json!([]));
    let shown = desk.run(&["takes", "s"]).ends(0).out;
    assert!(shown.contains("was s16, mic close-a, pass 5: named wrong"), "{shown}");

    desk.run(&["match", "s"]).ends(0);
    desk.run(&["plan", "s", "--compare", "s16,p4", "--mic", "both"]).ends(0);
    // From now on it stays: the blend plays it, though the test names only its pass's first mic.
    let sealed = desk.run(&["reassign", "s", "--take", id, "--pass", "9", "--reason", "x", "--json"]).ends(3).json();
    assert_eq!(sealed["error"]["kind"], "sealed");
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    desk.run(&["report", "s", "--out", "page.html"]).ends(0);
    let page = std::fs::read_to_string(desk.join("page.html")).unwrap();
    assert!(page.contains("named wrong"), "the report does not tell why a take was reassigned");
}

/// A take that was put under another setup after the clips were made: they bear the wrong name, and no plan takes them.
#[test]
fn clips_of_before_a_reassignment_are_not_planned_with() {
    let desk = Desk::new();
    crate::trial_support::played_session(&desk, 4);
    desk.run(&["new", "n", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["take", "n", "two-2.wav", "--setup", "one"]).ends(0);
    desk.run(&["match", "n"]).ends(0);
    desk.run(&["reassign", "n", "--take", "t3", "--setup", "two", "--reason", "typed the wrong name"]).ends(0);
    let said = desk.run(&["plan", "n", "--compare", "one,two"]).ends(3);
    assert!(said.err.contains("before t003 was reassigned") && said.err.contains("cabjury match n"), "{}", said.err);
    desk.run(&["match", "n"]).ends(0);
    let plan = desk.run(&["plan", "n", "--compare", "one, two", "--json"]).ends(0).json();
    assert_eq!(plan["takes"], serde_json::json!({"one": 1, "two": 2}));
}

/// A withdrawn file comes in anew under the right setup; one in use is refused a second time.
#[test]
fn a_withdrawn_file_is_taken_in_anew() {
    let desk = Desk::new();
    crate::trial_support::played_session(&desk, 4);
    let twice = desk.run(&["take", "s", "two-2.wav", "--setup", "one", "--json"]).ends(3).json();
    assert_eq!((&twice["already"], &twice["takes"]), (&serde_json::json!(["t003"]), &serde_json::json!([])));
    desk.run(&["withdraw", "s", "--take", "t3", "--reason", "wrong setup"]).ends(0);
    let anew = desk.run(&["take", "s", "two-2.wav", "--setup", "one", "--json"]).ends(0).json();
    assert_eq!((&anew["takes"][0]["take"], &anew["takes"][0]["setup"]), (&"t005".into(), &"one".into()));
    desk.run(&["take", "s", "two-2.wav", "--setup", "one"]).ends(3);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    desk.run(&["bundle", "s", "--out", "s.zip"]).ends(0);
    desk.run(&["unbundle", "s.zip", "copy"]).ends(0);
    assert_eq!(desk.run(&["takes", "copy", "--json"]).ends(0).json()["takes"].as_array().unwrap().len(), 5);
}

/// The mics one after another, each with the same `{take}`: they find each other whichever order they come in.
#[test]
fn mics_of_one_pass_find_each_other() {
    let desk = Desk::new();
    let di = performance("guit_e_slide");
    sixteen(&desk.join("all"), &di);
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    for mic in ["close-b", "close-a"] {
        let dir = desk.join(mic);
        std::fs::create_dir(&dir).unwrap();
        for setup in ["p4", "s16"] {
            for take in 1..=4 {
                std::fs::copy(
                    desk.join("all").join(format!("{setup}_{mic}_{take}.wav")),
                    dir.join(format!("{setup} {take}.wav")),
                )
                .unwrap();
            }
        }
        desk.run(&["take", "s", mic, "--mic", mic, "--pattern", "{setup} {take}.wav"]).ends(0);
    }
    let status = desk.run(&["status", "s", "--json"]).ends(0).json();
    assert_eq!(status["missing"], serde_json::json!([]));
    let matched = desk.run(&["match", "s", "--json"]).ends(0).json();
    assert_eq!(matched["clips"].as_array().unwrap().iter().filter(|c| c["mic"] == "both").count(), 8);
}

/// Without a DI the takes vouch for each other: the wrong first file is named, not the right ones that came after it.
#[test]
fn the_one_that_disagrees_with_all_others_is_named() {
    let desk = Desk::new();
    let (right, wrong) = (performance("guit_em9"), performance("guit_harmonics"));
    for (file, di, setup, n) in [
        ("one.wav", &wrong, "s16", 1),
        ("two.wav", &right, "p4", 2),
        ("three.wav", &right, "s16", 3),
        ("four.wav", &wrong, "p4", 4),
    ] {
        material::write_wav(&desk.join(file), RATE, &bounce(di, setup, "close-a", n));
    }
    let made = desk.run(&["new", "s", "s16=one.wav", "p4=two.wav"]).ends(0);
    assert!(made.err.contains("do not resemble each other"), "{}", made.err);
    let third = desk.run(&["take", "s", "three.wav", "--setup", "s16"]).ends(0);
    assert!(third.err.contains("t001 (one.wav) is another performance than all other takes"), "{}", third.err);
    desk.run(&["withdraw", "s", "--take", "t1", "--reason", "another riff"]).ends(0);
    let fourth = desk.run(&["take", "s", "four.wav", "--setup", "p4", "--json"]).ends(4).json();
    assert_eq!(fourth["error"]["kind"], "other-performance");

    // A wrong DI is the one that is named, before the takes and after them.
    material::write_wav(&desk.join("wrong-di.wav"), RATE, &wrong);
    let di = desk.run(&["take", "s", "wrong-di.wav", "--di"]).ends(0);
    assert!(di.err.contains("the DI is the wrong file"), "{}", di.err);
    desk.run(&["new", "n"]).ends(0);
    desk.run(&["take", "n", "wrong-di.wav", "--di"]).ends(0);
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["rig", "n", "--sheet", "rig.toml"]).ends(0);
    sixteen(&desk.join("bounces"), &right);
    let all = desk.run(&["take", "n", "bounces", "--yes"]).ends(4);
    assert!(all.err.contains("the DI is the wrong file") && all.err.contains("cabjury take n DI-FILE --di"), "{}", all.err);
}

/// Six minutes in one file: sixteen playings of all four recordings in the run sheet's order, with rests of unlike length.
#[test]
fn one_bounce_of_six_minutes_is_split() {
    let desk = Desk::new();
    let di: Vec<f64> = RECORDINGS.iter().flat_map(|(name, _)| performance(name)).take(RATE as usize * 22).collect();
    material::write_wav(&desk.join("di.wav"), RATE, &di);
    std::fs::write(desk.join("rig.toml"), SHEET.split("[[mic]]").next().unwrap()).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    let order = desk.run(&["runsheet", "s", "--takes", "8", "--json"]).ends(0).json();
    let order: Vec<String> = order["order"].as_array().unwrap().iter().map(|p| p["setup"].as_str().unwrap().to_owned()).collect();
    let mut long = vec![0.0; RATE as usize / 3];
    let mut starts = Vec::new();
    for (n, setup) in (0u64..).zip(&order) {
        starts.push(long.len() as f64 / f64::from(RATE));
        let playing = material::gain(&through(&di, setup, "close-a"), -10.0 - 0.25 * n as f64);
        long.extend(playing);
        long.extend(vec![0.0; (f64::from(RATE) * (0.4 + 0.11 * (n % 5) as f64)) as usize]);
    }
    assert!(long.len() > 360 * RATE as usize);
    material::write_wav(&desk.join("long.wav"), RATE, &material::noisy(&long, -90.0, 3));

    let shown = desk.run(&["take", "s", "long.wav", "--split"]).ends(3);
    assert!(shown.out.contains("the DI is found 16 times") && shown.err.contains("--split --yes"), "{}{}", shown.out, shown.err);
    let doc = desk.run(&["take", "s", "long.wav", "--split", "--yes", "--json"]).ends(0).json();
    let repeats = doc["repeats"].as_array().unwrap();
    assert_eq!(repeats.len(), 16);
    for ((repeat, start), setup) in repeats.iter().zip(&starts).zip(&order) {
        // The search runs at 8 kHz and a little more: a few of its frames.
        assert!((repeat["start_s"].as_f64().unwrap() - start).abs() < 0.001, "{repeat} {start}");
        assert_eq!(repeat["setup"], setup.as_str());
    }
    let takes = doc["takes"].as_array().unwrap();
    let level = |n: usize| takes[n]["level_lufs"].as_f64().unwrap();
    // The blocks of the loudness lie otherwise in every cut: a tenth of a decibel, less than half of what tells two playings apart.
    let alike = order.iter().enumerate().skip(1).filter(|(_, s)| **s == order[0]).map(|(n, _)| n);
    for n in alike {
        assert!((level(0) - level(n) - 0.25 * n as f64).abs() < 0.12, "pass {} is not the {n}th playing", n + 1);
    }
    assert!(takes[3]["derived"]["how"][0].as_str().unwrap().starts_with("cut out: "), "{}", takes[3]);
    desk.run(&["match", "s"]).ends(0);
    assert_eq!(desk.run(&["plan", "s", "--compare", "s16,p4", "--json"]).ends(0).json()["takes"]["p4"], 8);
    // The same bounce a second time: all parts are there.
    desk.run(&["take", "s", "long.wav", "--split", "--yes", "--setup", "s16"]).ends(3);
}

/// A folder that is bounced into: each file is taken in when it is finished, in the run sheet's order.
#[test]
fn a_folder_is_watched() {
    let desk = Desk::new();
    let di = performance("guit_e_fifths");
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    material::write_wav(&desk.join("di.wav"), RATE, &di);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    std::fs::create_dir(desk.join("out")).unwrap();
    material::write_wav(&desk.join("out/close-a old.wav"), RATE, &bounce(&di, "s16", "close-a", 50));
    let order = desk.run(&["runsheet", "s", "--takes", "2", "--json"]).ends(0).json();
    let order: Vec<String> = order["order"].as_array().unwrap().iter().map(|p| p["setup"].as_str().unwrap().to_owned()).collect();
    let mut child = desk.command(&["take", "s", "out", "--watch"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut waits_for = |text: &str| {
        for line in said.by_ref() {
            if line.unwrap().contains(text) {
                return;
            }
        }
        panic!("the watch ended without saying {text:?}");
    };
    waits_for(&format!("next: pass 1, {}", order[0]));
    for (pass, setup) in (1u64..).zip(&order) {
        for mic in ["close-b", "close-a"] {
            material::write_wav(&desk.join(&format!("out/{mic} {}.wav", 10 - pass)), RATE, &bounce(&di, setup, mic, pass));
            waits_for(&format!(": {setup}, mic {mic}, pass {pass},"));
        }
        if pass < order.len() as u64 {
            waits_for(&format!("next: pass {}, ", pass + 1));
        } else {
            waits_for("every pass of the run sheet is recorded");
        }
    }
    // One more has no place on the run sheet: it is named, and the watch goes on.
    material::write_wav(&desk.join("out/close-a wrong.wav"), RATE, &bounce(&performance("guit_em9"), "s16", "close-a", 1));
    waits_for("every pass of the run sheet is recorded");
    assert!(std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    waits_for("8 recordings taken in");
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(String::from_utf8(output.stderr).unwrap().contains("no pass left"));
    let takes = desk.run(&["takes", "s", "--json"]).ends(0).json();
    assert_eq!(takes["missing"], serde_json::json!([]));
    assert_eq!(takes["takes"].as_array().unwrap().len(), 9);
}

/// Asked on a terminal: the table, the question, the answer.
#[test]
fn a_guess_is_asked_about_on_a_terminal() {
    let desk = Desk::new();
    let di = performance("guit_harmonics");
    sixteen(&desk.join("bounces"), &di);
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    for (answer, taken) in [("n\r", 0), ("y\r", 16)] {
        let mut terminal = Terminal::open(&desk, &["take", "s", "bounces"]);
        terminal.waits_for("Take them in so? y or n:");
        std::thread::sleep(Duration::from_millis(50));
        terminal.press(answer);
        terminal.ends(Some(if taken == 0 { 3 } else { 0 }));
        assert_eq!(desk.run(&["takes", "s", "--json"]).ends(0).json()["takes"].as_array().unwrap().len(), taken);
    }
}

/// 48 kHz among 44.1, stereo among mono: taken in only when it is said how, and stated with the take.
#[test]
fn another_rate_and_another_layout_are_never_changed_silently() {
    let desk = Desk::new();
    let di = performance("guit_em9");
    material::write_wav(&desk.join("one.wav"), RATE, &bounce(&di, "s16", "close-a", 1));
    material::write_wav(&desk.join("two.wav"), RATE, &bounce(&di, "p4", "close-a", 2));
    // The same playing at 48 kHz, by the library's resampler; the check below is the lag and level that come out.
    let (audio, _) = cabjury::sound::read_all(&desk.join("two.wav")).unwrap();
    let faster = cabjury::sound::resample(&audio, cabjury::units::SampleRate::new(48_000).unwrap()).unwrap();
    let shifted: Vec<f64> = faster.channels()[0].iter().map(|v| f64::from(*v) * 0.5).collect();
    material::write_wav(&desk.join("three.wav"), 48_000, &shifted);
    let spec = hound::WavSpec { channels: 2, sample_rate: RATE, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut stereo = hound::WavWriter::create(desk.join("four.wav"), spec).unwrap();
    for v in bounce(&di, "s16", "close-a", 9) {
        for gain in [0.5, 0.25] {
            stereo.write_sample((v * gain * 8_388_608.0).round() as i32).unwrap();
        }
    }
    stereo.finalize().unwrap();
    desk.run(&["new", "s", "s16=one.wav", "p4=two.wav"]).ends(0);
    assert!(desk.run(&["take", "s", "three.wav", "--setup", "p4"]).ends(4).err.contains("--resample"));
    assert!(desk.run(&["take", "s", "four.wav", "--setup", "s16"]).ends(4).err.contains("--mix-down"));
    let three = desk.run(&["take", "s", "three.wav", "--setup", "p4", "--resample", "--json"]).ends(0).json();
    assert_eq!(
        (&three["takes"][0]["rate_hz"], &three["takes"][0]["derived"]["how"][0]),
        (&RATE.into(), &"resampled from 48000 Hz to 44100 Hz".into())
    );
    let level = |doc: &Value| doc["level_lufs"].as_f64().unwrap();
    let list = desk.run(&["takes", "s", "--json"]).ends(0).json();
    assert!((level(&list["takes"][1]) - level(&list["takes"][2]) - 6.02).abs() < 0.02, "{list}");
    let four = desk.run(&["take", "s", "four.wav", "--setup", "s16", "--mix-down", "--json"]).ends(0).json();
    assert_eq!((&four["takes"][0]["channels"], &four["takes"][0]["original_name"]), (&1.into(), &"four.wav".into()));
    // 0.375 of the mono signal's size.
    let wanted = level(&list["takes"][0]) + 20.0 * (0.375f64).log10() - 0.2 * 8.0;
    assert!((level(&four["takes"][0]) - wanted).abs() < 0.05, "{four} {wanted}");
    // Made from the same file: the same recording.
    desk.run(&["take", "s", "three.wav", "--setup", "p4", "--resample"]).ends(3);
    let check = desk.run(&["check", "s", "--json"]).ends(0).json();
    let lag = |n: usize| check["takes"][n]["lag_samples"].as_f64().unwrap();
    // Across two setups the lag is that of the whitened peak, good to a fraction of a sample.
    assert!((lag(1) - lag(2)).abs() < 0.25, "resampling moved the take by {}", lag(2) - lag(1));
    assert!(!desk.join("s/incoming").exists(), "copies were left behind");
}

/// What the limit between one performance and another rests on: at 8 kHz re-filtered recordings of one performance lie well above it, unlike
/// ones well below.
#[test]
fn performances_are_told_apart() {
    let thin = |x: &[f64]| -> Vec<f32> { x.chunks_exact(5).map(|c| (c.iter().sum::<f64>() / 5.0) as f32).collect() };
    let played: Vec<Vec<f64>> = RECORDINGS.iter().map(|(name, _)| performance(name)).collect();
    let places = [("s16", "close-a"), ("p4", "close-a"), ("s16", "close-b"), ("p4", "close-b")];
    let (mut least_same, mut most_other) = (1.0f64, 0.0f64);
    for (i, a) in played.iter().enumerate() {
        for (j, b) in played.iter().enumerate().skip(i) {
            for (n, (setup, mic)) in places.iter().enumerate() {
                let (other, other_mic) = places[(n + 1) % 4];
                let (x, y) = (thin(&bounce(a, setup, mic, 1)), thin(&bounce(b, other, other_mic, 9)));
                let found = cabjury::signal::align::resemblance(&x, &y, cabjury::units::SampleRate::new(9_600).unwrap()).unwrap();
                if i == j { least_same = least_same.min(found) } else { most_other = most_other.max(found) }
            }
        }
    }
    assert!(least_same > 0.4 && most_other < 0.1, "same from {least_same:.3}, others up to {most_other:.3}");
}
