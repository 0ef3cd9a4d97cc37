//! The README's console examples are run, line by line, in the order in which a reader meets them.

use crate::material;
use crate::program::Desk;
use crate::trial_support::answers_all;

/// The `$ cabjury ...` lines of the README, split as a shell would.
fn commands() -> Vec<Vec<String>> {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    text.lines().filter_map(|l| l.strip_prefix("$ cabjury ")).map(words).collect()
}

fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(std::mem::take(&mut word)),
            _ => word.push(c),
        }
    }
    words.push(word);
    words
}

/// The files that the examples name.
fn lay_out(desk: &Desk) {
    let rate = 48_000;
    let di = material::riff(6.0, rate);
    let amp: Vec<f64> = di.iter().map(|v| 0.4 * (4.0 * v).tanh()).collect();
    material::write_wav(&desk.join("di.wav"), rate, &di);
    let series = material::peaking(&amp, rate, 100.0, 2.0, 3.0);
    let parallel = material::peaking(&amp, rate, 3000.0, 0.7, 2.0);
    for (name, sound, lag, seed) in [
        ("series", &series, 40, 1),
        ("parallel", &parallel, 900, 2),
        ("s16-1", &series, 12, 3),
        ("s16-2", &series, 480, 4),
        ("p4-1", &parallel, 77, 5),
        ("p4-2", &parallel, 0, 6),
    ] {
        let take = material::noisy(&material::later(sound, lag), -85.0, seed);
        material::write_wav(&desk.join(&format!("{name}.wav")), rate, &take);
    }
    std::fs::create_dir(desk.join("bounces")).unwrap();
    for name in ["s16-1", "p4-1"] {
        let bounce = format!("bounces/{}_main_1.wav", name.trim_end_matches("-1"));
        std::fs::copy(desk.join(&format!("{name}.wav")), desk.join(&bounce)).unwrap();
    }
    let answers: String = (1..=8).map(|n| format!("ann,{n},s16\nbob,{n},p4\n")).collect();
    std::fs::write(desk.join("answers.csv"), format!("person,clip,choice\n{answers}")).unwrap();
    std::fs::copy(concat!(env!("CARGO_MANIFEST_DIR"), "/sessions/demo-rig.toml"), desk.join("rig.toml")).unwrap();
}

/// A desk serves until it is told to stop, and then ends well.
fn opens_and_closes(desk: &Desk, args: &[&str]) {
    use std::io::{BufRead, BufReader};
    let mut child = desk.command(args).stdout(std::process::Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let first = lines.next().unwrap().unwrap();
    assert!(first.starts_with("The desk is open: http://127.0.0.1:"), "{first}");
    let ended = std::process::Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    assert!(ended.success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn the_console_examples_of_the_readme_work() {
    let desk = Desk::new();
    lay_out(&desk);
    let commands = commands();
    assert!(commands.len() >= 20, "only {} examples were found in the README", commands.len());
    for command in &commands {
        let args: Vec<&str> = command.iter().map(String::as_str).collect();
        if args[0] == "desk" {
            opens_and_closes(&desk, &args);
            continue;
        }
        if args[0] == "listen" {
            // A person listens; the player's own tests play a whole session through a terminal. Here: without one.
            desk.run(&args).ends(1);
            answers_all(&desk.join(args[1]), "test-1", "me");
            continue;
        }
        desk.run(&args).ends(0);
    }
}
