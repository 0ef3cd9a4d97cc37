//! Every mistake of a real evening, with the message that a person reads: on real guitar recordings, kept as text and looked at.

use super::evening::{RATE, SHEET, bounce, performance, sixteen};
use crate::cli::errors::Spoken;
use crate::material;
use crate::player::terminal::Terminal;
use crate::program::Desk;

/// An evening's folder: bounces, the DI, another performance, another rate, stereo, and names as people give them.
fn bench(desk: &Desk) {
    let di = performance("guit_em9");
    sixteen(&desk.join("bounces"), &di);
    let write = |name: &str, rate: u32, x: &[f64]| material::write_wav(&desk.join(name), rate, x);
    write("di.wav", RATE, &di);
    write("slide.wav", RATE, &bounce(&performance("guit_e_slide"), "s16", "close-a", 1));
    write("faster.wav", 48_000, &bounce(&di, "s16", "close-a", 20));
    for n in 21..24 {
        write(&format!("more-{n}.wav"), RATE, &bounce(&di, "s16", "close-a", n));
    }
    let spec = hound::WavSpec { channels: 2, sample_rate: RATE, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut stereo = hound::WavWriter::create(desk.join("stereo.wav"), spec).unwrap();
    for v in bounce(&di, "s16", "close-a", 25) {
        for side in [0.5, 0.25] {
            stereo.write_sample((v * side * 8_388_608.0).round() as i32).unwrap();
        }
    }
    stereo.finalize().unwrap();
    // The same performance, but more than a minute into a long recording.
    write("late.wav", RATE, &material::noisy(&material::later(&bounce(&di, "p4", "close-a", 3), 71 * i64::from(RATE)), -85.0, 9));
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    std::fs::create_dir(desk.join("twins")).unwrap();
    for (file, name) in [("more-21.wav", "s16 close-a 7.wav"), ("more-22.wav", "s16 close-a 07.wav")] {
        std::fs::copy(desk.join(file), desk.join("twins").join(name)).unwrap();
    }
}

fn names_and_places(said: &mut Spoken<'_>) {
    said.note("names that nearly are");
    said.line(4, &["take", "s", "more-21.wav", "--setup", "s61"]);
    said.line(4, &["take", "s", "more-21.wav", "--setup", "s16", "--mic", "close-c"]);
    said.line(4, &["plan", "s", "--compare", "s16,p8"]);
    said.line(4, &["reassign", "s", "--take", "t2", "--setup", "s17", "--reason", "x"]);
    said.line(4, &["withdraw", "s", "--take", "t99", "--reason", "x"]);
    said.note("folders and files in each other's place");
    said.line(4, &["take", "more-21.wav", "s", "--setup", "s16"]);
    said.line(4, &["take", "FOLDER", "more-21.wav", "--setup", "s16"]);
    said.line(4, &["status", "elsewhere"]);
    said.line(4, &["take", "s", "no such file.wav", "--setup", "s16"]);
    said.note("one place for two recordings");
    said.line(
        3,
        &["take", "s", "more-21.wav", "more-22.wav", "more-23.wav", "--setup", "s16", "--mic", "close-a", "--pass", "9"],
    );
    said.line(3, &["take", "s", "more-21.wav", "--setup", "s16", "--mic", "close-a", "--pass", "2"]);
    said.told(3, &["take", "s", "bounces/s16_close-a_1.wav", "--setup", "p4"], "it was not taken in twice");
    said.line(3, &["reassign", "s", "--take", "t2", "--setup", "s16", "--pass", "3", "--reason", "named wrong"]);
    said.told(2, &["withdraw", "s", "--take", "t2"], "--reason <TEXT>");
}

fn wrong_recordings(said: &mut Spoken<'_>) {
    said.note("recordings that do not belong");
    said.line(4, &["take", "s", "slide.wav", "--setup", "s16", "--mic", "close-a"]);
    said.line(4, &["take", "s", "faster.wav", "--setup", "s16", "--mic", "close-a"]);
    said.line(4, &["take", "s", "stereo.wav", "--setup", "s16", "--mic", "close-a"]);
    said.note("folders by pattern, long bounces, watched folders");
    said.line(4, &["take", "n", "twins", "--pattern", "{setup} {mic} {take}.wav"]);
    said.told(4, &["take", "s", "bounces", "--pattern", "{setup} take {take}.wav"], "without --pattern one is guessed");
    said.told(2, &["take", "s", "bounces", "--pattern", "{setup}_{mike}_{take}.wav"], "the words are {setup}, {mic}");
    said.line(3, &["take", "s", "late.wav", "--split"]);
    said.line(3, &["take", "s", "bounces", "--watch"]);
    said.note("two files without a session");
    said.line(3, &["level", "bounces/s16_close-a_1.wav", "late.wav", "--out", "levelled"]);
    said.line(4, &["level", "bounces/s16_close-a_1.wav", "faster.wav", "--out", "levelled"]);
    said.told(0, &["level", "bounces/s16_close-a_1.wav", "slide.wav", "--out", "unlike"], "hardly resembles");
}

fn sessions_and_tests(said: &mut Spoken<'_>) {
    said.note("sessions of two files");
    said.line(2, &["new", "m", "one=more-21.wav", "one=more-22.wav"]);
    said.line(3, &["new", "m", "one=more-21.wav", "two=more-21.wav"]);
    said.told(2, &["new", "m", "A=more-21.wav", "B=more-22.wav"], "take a name such as");
    said.note("excerpts, runs, tests");
    said.line(2, &["match", "s", "--excerpt", "riff=0.5-2", "--excerpt", "riff=2-4"]);
    said.told(2, &["match", "s", "--excerpt", "riff=2-1"], "the end (1.000 s) must lie after the start");
    said.line(4, &["match", "s", "--excerpt", "riff=5-500"]);
    said.line(3, &["withdraw", "s", "--run", "1", "--reason", "wrong passage"]);
    said.line(2, &["plan", "s", "--compare", "s16,p4", "--trials", "8"]);
    said.line(4, &["plan", "s", "--compare", "s16,p4", "--trials", "8", "--mic", "both", "--excerpt", "chorus"]);
    said.line(3, &["reassign", "s", "--take", "t2", "--pass", "9", "--reason", "after the seal"]);
    said.line(1, &["listen", "s", "--listener", "me"]);
    said.line(4, &["votes", "s", "answers.csv", "--dry-run"]);
}

#[test]
fn each_mistake_says_what_to_do() {
    let desk = Desk::new();
    bench(&desk);
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    desk.run(&["take", "s", "bounces", "--yes"]).ends(0);
    desk.run(&["new", "n", "--sheet", "rig.toml"]).ends(0);
    let mut said = Spoken::new(&desk);
    names_and_places(&mut said);
    wrong_recordings(&mut said);
    desk.run(&["match", "s"]).ends(0);
    desk.run(&["plan", "s", "--compare", "s16,p4", "--mic", "both"]).ends(0);
    sessions_and_tests(&mut said);
    said.ends_as("errors/evening.txt");
    // Nothing of all that was taken in, and no half session is left.
    let takes = desk.run(&["takes", "s", "--json"]).ends(0).json();
    assert_eq!(takes["takes"].as_array().unwrap().len(), 17);
    assert!(!desk.join("m").exists() && !desk.join("levelled").exists());
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// A session whose name has a space: what is proposed can be typed as it stands.
#[test]
fn proposed_commands_quote_what_has_spaces() {
    let desk = Desk::new();
    bench(&desk);
    desk.run(&["new", "my evening", "--sheet", "rig.toml"]).ends(0);
    let unasked = desk.run(&["take", "my evening", "bounces"]).ends(3);
    let proposed = unasked.err.split_once("then: ").unwrap().1.trim().to_owned();
    assert!(proposed.starts_with("cabjury take 'my evening' bounces --pattern "), "{proposed}");
    // Typed into a shell as it stands, it does what it says; so does every next step that is named after it.
    let path = std::path::Path::new(env!("CARGO_BIN_EXE_cabjury")).parent().unwrap();
    let shell = |line: &str| {
        let path = format!("{}:{}", path.display(), std::env::var("PATH").unwrap());
        let mut sh = std::process::Command::new("sh");
        let said = sh.args(["-c", line]).current_dir(desk.path()).env("PATH", path).env("NO_COLOR", "1").output().unwrap();
        assert!(said.status.success(), "{line}: {}", String::from_utf8_lossy(&said.stderr));
        String::from_utf8(said.stdout).unwrap()
    };
    assert!(shell(&proposed).contains("16 recordings taken in"));
    for wanted in ["cabjury match", "cabjury plan"] {
        let status = desk.run(&["status", "my evening", "--json"]).ends(0).json();
        let next = status["next"]["command"].as_str().unwrap().to_owned();
        assert!(next.starts_with(wanted) && next.contains("'my evening'"), "{next}");
        shell(&if wanted.ends_with("plan") { format!("{next} --mic both") } else { next });
    }
    let close = desk.run(&["close", "my evening", "--test", "test-1"]).ends(0).out;
    assert!(close.contains("cabjury score 'my evening'"), "{close}");
}

/// Beside the default stands a number that fits, and with that number a silent test may end in an answer.
#[test]
fn a_plan_without_a_number_names_one_that_fits() {
    let desk = Desk::new();
    crate::trial_support::played_session(&desk, 4);
    desk.run(&["new", "n", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["match", "n"]).ends(0);
    let what_if = |more: &[&str]| desk.run(&[&["plan", "n", "--compare", "one,two", "--what-if"][..], more].concat()).ends(0);
    let plain = what_if(&[]).out;
    assert!(plain.contains("16 trials each is the default; --trials "), "{plain}");
    let doc = what_if(&["--json"]).json();
    let fitting = doc["fitting"]["trials"].as_u64().unwrap();
    assert_eq!(doc["trials"], 16, "the default stays");
    // Checked through what the program says of that number elsewhere: its exact power at the bound, and what a silent test may claim.
    for (trials, both) in [(fitting, true), (fitting - 1, false)] {
        let doc = what_if(&["--trials", &trials.to_string(), "--json"]).json();
        let silent = doc["not_heard"]["chance"].as_f64().unwrap() >= 0.8;
        let power =
            doc["power"].as_array().unwrap().iter().find(|p| (p["p_correct"].as_f64().unwrap() - 0.65).abs() < 1e-9).unwrap();
        let heard = power["power"].as_f64().unwrap() >= 0.8;
        assert_eq!(silent && heard, both, "{trials}: {silent} {heard}");
    }
    assert!(!what_if(&["--trials", "20"]).out.contains("is the default"), "a number that was chosen is left alone");
    assert!(what_if(&["--bound", "0.02"]).out.contains("plan more listeners"));
}

/// Asked where somebody can answer: a lag of more than a minute is hardly meant.
#[test]
fn an_absurd_lag_is_asked_about() {
    let desk = Desk::new();
    bench(&desk);
    for (answer, code) in [("n\r", 3), ("y\r", 0)] {
        let mut terminal = Terminal::open(&desk, &["level", "bounces/p4_close-a_1.wav", "late.wav", "--out", "out"]);
        terminal.waits_for("Is that meant? Level them all the same? y or n:");
        terminal.press(answer);
        terminal.ends(Some(code));
        assert_eq!(desk.join("out/late.wav").exists(), code == 0);
    }
    let refused = desk.run(&["level", "bounces/p4_close-a_1.wav", "late.wav", "--out", "no", "--json"]).ends(3).json();
    assert_eq!(refused["error"]["kind"], "absurd-lag");
    let doc =
        desk.run(&["level", "bounces/p4_close-a_1.wav", "late.wav", "--out", "again", "--any-lag", "--json"]).ends(0).json();
    let lag = doc["files"][1]["lag_samples"].as_f64().unwrap() / f64::from(RATE);
    assert!((lag - 71.0).abs() < 0.1, "{lag}");
    // What the match is about: equal over the shared gate, to what is claimed.
    let shared = |n: usize| doc["files"][n]["shared_lufs_after"].as_f64().unwrap();
    assert!((shared(0) - shared(1)).abs() <= doc["largest_mismatch_lu"].as_f64().unwrap() + 1e-9, "{doc}");
}

/// `level` finds what `measure` finds.
#[test]
fn level_says_the_faults_that_measure_says() {
    let desk = Desk::new();
    bench(&desk);
    let x = bounce(&performance("guit_em9"), "s16", "close-a", 1);
    let clipped: Vec<f64> = x.iter().map(|v| (v * 9.0).clamp(-0.999_999, 0.999_999)).collect();
    material::write_wav(&desk.join("clipped.wav"), RATE, &clipped);
    let files = ["bounces/s16_close-a_1.wav", "clipped.wav"];
    let measured = desk.run(&["measure", files[0], files[1], "--json"]).ends(0).json();
    let levelled = desk.run(&["level", files[0], files[1], "--out", "out", "--json"]).ends(0).json();
    for n in 0..2 {
        assert_eq!(measured["files"][n]["faults"], levelled["files"][n]["faults"]);
    }
    let said = desk.run(&["level", files[0], files[1], "--out", "again"]).ends(0).out;
    assert!(said.contains("clipping - ") && said.contains("shared gate"), "{said}");
}

/// A verdict and a grade have their colour where it can be seen, and the words stay the same without it.
#[test]
fn colour_is_for_terminals_and_can_be_turned_off() {
    let desk = Desk::new();
    let line = ["load", "A//B", "--driver", "A=8", "--driver", "B=8", "--tap", "16"];
    let colored = desk.run(&[&line[..], &["--color", "always"]].concat()).ends(3).out;
    assert!(colored.contains("\x1b[31mDO NOT CONNECT\x1b[0m"), "{colored:?}");
    let plain = desk.run(&line).ends(3).out;
    assert!(!plain.contains('\x1b') && plain.contains("DO NOT CONNECT"));
    crate::trial_support::simulated_session(&desk, 16);
    desk.run(&["rehearse", "s", "--hears", "1", "--runs", "1", "--keep", "ear"]).ends(0);
    let score = desk.run(&["score", "s", "--color", "always"]).ends(0).out;
    assert!(score.contains("\x1b[36m"), "{score:?}");
    assert!(!desk.run(&["score", "s"]).ends(0).out.contains('\x1b'));
}
