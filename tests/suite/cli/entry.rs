//! `cabjury` alone and `desk` without a folder: questions on a terminal, the help or an error elsewhere. Typed at a pseudo-terminal.

use crate::material;
use crate::player::terminal::Terminal;
use crate::program::Desk;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

/// Ctrl-D at the beginning of a line: the input has ended.
const END: &str = "\x04";

fn two_takes(desk: &Desk, folder: &str) {
    let rate = 48_000;
    let riff = material::riff(6.0, rate);
    std::fs::create_dir_all(desk.join(folder)).unwrap();
    for (name, hz, seed) in [("series-1", 100.0, 1), ("series-2", 100.0, 2), ("parallel-1", 3000.0, 3)] {
        let take = material::noisy(&material::peaking(&riff, rate, hz, 1.0, 3.0), -85.0, seed);
        material::write_wav(&desk.join(folder).join(format!("{name}.wav")), rate, &take);
    }
}

/// The system's opener of links is one that keeps what it was given.
fn with_opener(desk: &Desk, args: &[&str]) -> Command {
    let bin = desk.join("bin");
    std::fs::create_dir_all(&bin).unwrap();
    let opener = bin.join("xdg-open");
    std::fs::write(&opener, format!("#!/bin/sh\necho \"$1\" > '{}'\n", desk.join("opened").display())).unwrap();
    std::fs::set_permissions(&opener, PermissionsExt::from_mode(0o755)).unwrap();
    let plain = desk.command(args);
    // Whoever runs the tests in the background has Ctrl-C ignored, and what they start inherits that: here it is as at a terminal.
    let mut command = Command::new("env");
    command.arg("--default-signal=INT").arg(plain.get_program()).args(args).current_dir(desk.path());
    command.envs(plain.get_envs().filter_map(|(name, value)| Some((name, value?))));
    let path = std::env::var("PATH").unwrap();
    command.env("PATH", format!("{}:{path}", bin.display()));
    command
}

fn open(desk: &Desk, args: &[&str]) -> Terminal {
    Terminal::of(with_opener(desk, args), 40, 80)
}

/// The link that the opener was given.
fn opened(desk: &Desk) -> String {
    for _ in 0..500 {
        let text = std::fs::read_to_string(desk.join("opened")).unwrap_or_default();
        if text.ends_with('\n') {
            return text;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    panic!("no browser was opened");
}

fn recent(desk: &Desk) -> Vec<String> {
    let text = std::fs::read_to_string(desk.join("state/cabjury/recent")).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

fn whole(path: &Path) -> String {
    path.canonicalize().unwrap().display().to_string()
}

#[test]
fn elsewhere_than_on_a_terminal_it_is_the_help() {
    let desk = Desk::new();
    let said = desk.run(&[]).ends(2);
    assert!(said.out.is_empty());
    assert!(said.err.contains("Usage: cabjury [OPTIONS] <COMMAND>") && said.err.contains("Exit codes:"), "{}", said.err);
    // Standard input is a terminal and standard output none, and the other way round.
    for redirected in ["> out", "2> out", "< /dev/null"] {
        let mut shell = Command::new("sh");
        let plain = desk.command(&[]);
        shell.args(["-c", &format!("exec {} {redirected}", plain.get_program().display())]).current_dir(desk.path());
        let mut terminal = Terminal::of(shell, 80, 100);
        terminal.ends(Some(2));
        let seen = format!("{} {}", terminal.sees(), std::fs::read_to_string(desk.join("out")).unwrap_or_default());
        assert!(!seen.contains("Enter for 1"), "{redirected}: {seen}");
    }
    // An option alone is a command line that lacks its command, on a terminal too.
    Terminal::open(&desk, &["--json"]).ends(Some(2));
    assert!(recent(&desk).is_empty());
}

#[test]
fn a_new_session_from_two_files() {
    let desk = Desk::new();
    two_takes(&desk, "my takes");
    std::fs::create_dir(desk.join("full")).unwrap();
    std::fs::write(desk.join("full/x"), "x").unwrap();
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("Number, or Enter for 1:");
    assert!(terminal.widest() <= 80, "{}", terminal.sees());
    for wrong in ["5\r", "0\r", "-1\r", "two\r"] {
        terminal.press(wrong);
        terminal.waits_for(&format!("{} Type a number from 1 to 4; Ctrl-C ends.", wrong.trim()));
    }
    terminal.press("\r");
    terminal.waits_for("Folder of the new session, or Enter for evening:");
    terminal.press("full\r");
    terminal.waits_for("full holds something already; nothing is ever written over.");
    terminal.press("\r");
    terminal.waits_for("First recording, or a folder:");
    terminal.press("\r");
    terminal.waits_for("a comparison needs two");
    terminal.press("none.wav\r");
    terminal.waits_for("There is no file none.wav.");
    // As a file manager drops it, with a backslash before the space, and in quotes.
    terminal.press("my\\ takes/series-1.wav\r");
    terminal.waits_for("Its setup, or Enter for series:");
    terminal.press("\r");
    terminal.waits_for("Second recording:");
    terminal.press("'my takes/series-1.wav'\r");
    terminal.waits_for("That one is named already.");
    terminal.press("\"my takes/parallel-1.wav\"\r");
    terminal.waits_for("Enter for parallel:");
    terminal.press("series\r");
    terminal.waits_for("series has a recording already");
    terminal.press("a name that = no setup has\r");
    terminal.waits_for("not");
    terminal.press("p4\r");
    terminal.waits_for("One more, or Enter when these are all:");
    terminal.press("\r");
    terminal.waits_for("cabjury new evening series='my takes/series-1.wav' p4='my takes/parallel-1.wav'");
    terminal.waits_for("evening is a session now, with 2 setups and 2 takes");
    terminal.waits_for("1 go on in the browser 2 leave");
    terminal.press("2\r");
    terminal.ends(Some(0));
    let setups = desk.run(&["names", "evening", "--of", "setups"]);
    assert!(setups.out.contains("p4") || desk.run(&["takes", "evening"]).out.contains("p4"));
    assert_eq!(recent(&desk), [whole(&desk.join("evening"))]);
    let mode = |name: &str| std::fs::metadata(desk.join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode("state/cabjury/recent"), mode("state/cabjury")), (0o600, 0o700));
}

#[test]
fn a_new_session_from_a_folder() {
    let desk = Desk::new();
    two_takes(&desk, "bounces");
    std::fs::create_dir(desk.join("alike")).unwrap();
    std::fs::copy(desk.join("bounces/series-1.wav"), desk.join("alike/take-1.wav")).unwrap();
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("Enter for 1:");
    terminal.press("1\r");
    terminal.waits_for("Enter for evening:");
    terminal.press("tonight\r");
    terminal.waits_for("or a folder:");
    terminal.press("alike\r");
    terminal.waits_for("tell no two setups apart");
    terminal.press("bounces\r");
    terminal.waits_for("3 recordings in bounces, by their names: parallel: 1 take series: 2 takes");
    terminal.press("n\r");
    terminal.waits_for("Type them one by one then");
    terminal.press("bounces\r");
    terminal.waits_for("one by one then; several mics need a rig sheet first: cabjury sheet --help First");
    terminal.press("y\r");
    terminal.waits_for("3 recordings taken in");
    terminal.waits_for("cabjury take tonight bounces");
    terminal.waits_for("1 go on in the browser 2 leave");
    terminal.press(END);
    terminal.ends(Some(0));
    let takes = desk.run(&["takes", "tonight", "--json"]).ends(0).json();
    assert_eq!(takes["takes"].as_array().unwrap().len(), 3, "{takes}");
}

#[test]
fn a_recording_that_is_not_fit_ends_it_and_leaves_nothing() {
    let desk = Desk::new();
    two_takes(&desk, "t");
    std::fs::write(desk.join("noise.wav"), "not a sound").unwrap();
    let mut terminal = open(&desk, &[]);
    for (question, answer) in [
        ("Enter for 1:", "\r"),
        ("Enter for evening:", "\r"),
        ("First recording", "noise.wav\r"),
        ("Enter for noise:", "\r"),
        ("Second recording:", "t/series-1.wav\r"),
        ("Enter for series:", "\r"),
        ("One more", "\r"),
    ] {
        terminal.waits_for(question);
        terminal.press(answer);
    }
    terminal.waits_for("error:");
    terminal.ends(Some(4));
    assert!(!desk.join("evening").exists());
    assert!(recent(&desk).is_empty());
}

#[test]
fn the_end_of_the_input_and_ctrl_c_end_it_quietly_at_every_question() {
    let desk = Desk::new();
    two_takes(&desk, "t");
    let steps = [
        ("Enter for 1:", "\r"),
        ("Enter for evening:", "\r"),
        ("First recording", "t/series-1.wav\r"),
        ("Its setup", "\r"),
        ("Second recording:", "t/parallel-1.wav\r"),
        ("Enter for parallel:", "\r"),
        ("One more", "\r"),
    ];
    for stop in 0..steps.len() {
        let mut terminal = open(&desk, &[]);
        for (question, answer) in &steps[..stop] {
            terminal.waits_for(question);
            terminal.press(answer);
        }
        terminal.waits_for(steps[stop].0);
        if stop % 3 == 2 {
            terminal.signal("-INT");
            // Ended by the signal: 130 for a shell.
            terminal.ends(None);
        } else {
            terminal.press(END);
            terminal.waits_for("Nothing was done.");
            terminal.ends(Some(0));
        }
        assert!(!terminal.sees().contains("error"), "{}", terminal.sees());
        assert!(!desk.join("evening").exists());
    }
}

#[test]
fn a_recent_session_is_opened_and_the_desk_begins_in_the_browser() {
    let desk = Desk::new();
    desk.run(&["new", "away"]).ends(0);
    // Nobody sat at a terminal: nothing is kept.
    assert!(recent(&desk).is_empty());
    for folder in ["away", "near"] {
        let made = if folder == "away" { vec!["status", "away"] } else { vec!["new", "near"] };
        Terminal::open(&desk, &made).ends(Some(0));
    }
    assert_eq!(recent(&desk), [whole(&desk.join("near")), whole(&desk.join("away"))]);
    // A folder that is gone is left out.
    std::fs::rename(desk.join("near"), desk.join("elsewhere.d")).unwrap();
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("open a session; the last one: away");
    terminal.press("2\r");
    terminal.waits_for("1 away (0 takes; next:");
    assert!(!terminal.sees().contains("near"), "{}", terminal.sees());
    terminal.waits_for("2 elsewhere.d (0 takes;");
    terminal.waits_for("3 another folder");
    terminal.press("3\r");
    terminal.waits_for("The session's folder:");
    terminal.press("nowhere\r");
    terminal.waits_for("nowhere holds no session.");
    terminal.press("elsewhere.d\r");
    terminal.waits_for("1 go on in the browser");
    terminal.press("\r");
    terminal.waits_for("The desk is open: http://127.0.0.1:");
    assert!(opened(&desk).starts_with("http://127.0.0.1:") && opened(&desk).contains("/?key="));
    terminal.signal("-TERM");
    terminal.ends(Some(0));
    assert_eq!(recent(&desk)[0], whole(&desk.join("elsewhere.d")));
}

#[test]
fn no_list_is_kept_where_the_defaults_say_so() {
    let desk = Desk::new();
    std::fs::create_dir_all(desk.join("config/cabjury")).unwrap();
    std::fs::write(desk.join("config/cabjury/defaults.toml"), "recent = false\n").unwrap();
    Terminal::open(&desk, &["new", "s"]).ends(Some(0));
    assert!(!desk.join("state").exists());
}

#[test]
fn a_list_that_cannot_be_kept_hinders_nothing() {
    let desk = Desk::new();
    std::fs::write(desk.join("state"), "a file, not a folder").unwrap();
    Terminal::open(&desk, &["new", "s"]).ends(Some(0));
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("the last one: s");
    terminal.press(END);
    terminal.ends(Some(0));
}

#[test]
fn the_demo_from_the_first_question() {
    let desk = Desk::new();
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("Enter for 1:");
    terminal.press("3\r");
    // A whole evening without optimisation on a busy machine.
    terminal.waits_minutes_for(10, "Go on with:");
    terminal.ends(Some(0));
    assert_eq!(recent(&desk), [whole(&desk.join("sessions/demo"))]);
}

#[test]
fn a_desk_without_a_folder() {
    let desk = Desk::new();
    // Elsewhere than on a terminal it says what to give.
    let said = desk.run(&["desk"]).ends(2);
    assert!(said.err.contains("cabjury desk FOLDER") && said.out.is_empty(), "{}", said.err);
    assert_eq!(desk.run(&["desk", "--json"]).ends(2).json()["error"]["kind"], "wrong-use");
    Terminal::open(&desk, &["desk", "--json"]).ends(Some(2));

    // On a terminal a new one is offered where nothing is at hand.
    let mut terminal = open(&desk, &["desk"]);
    terminal.waits_for("Which session? 1 a new session 2 another folder");
    terminal.press("\r");
    terminal.waits_for("Folder of the new session, or Enter for evening:");
    terminal.press("s\r");
    terminal.waits_for("The desk is open:");
    terminal.signal("-INT");
    terminal.ends(Some(0));
    let mut terminal = open(&desk, &["desk"]);
    terminal.waits_for("Which session? 1 s (0 takes; next:");
    terminal.waits_for("2 a new session 3 another folder");
    terminal.press(END);
    terminal.ends(Some(0));
    let mut terminal = open(&desk, &["desk"]);
    terminal.waits_for("Enter for 1:");
    terminal.press("\r");
    terminal.waits_for("The desk is open: http://127.0.0.1:");
    terminal.signal("-INT");
    terminal.ends(Some(0));
    // It was not asked for.
    assert!(!desk.join("opened").exists());
    // From the first question too, then with the browser.
    let mut terminal = open(&desk, &[]);
    terminal.waits_for("Enter for 1:");
    terminal.press("4\r");
    terminal.waits_for("Which session? 1 s");
    terminal.press("1\r");
    opened(&desk);
    terminal.signal("-INT");
    terminal.ends(Some(0));
    // Inside a session its folder may be left out, as everywhere.
    let mut inside = with_opener(&desk, &["desk"]);
    inside.current_dir(desk.join("s"));
    let mut terminal = Terminal::of(inside, 40, 80);
    terminal.waits_for("The desk is open:");
    terminal.signal("-INT");
    terminal.ends(Some(0));
}

#[test]
fn a_machine_without_an_opener_is_told_to_open_the_link() {
    let desk = Desk::new();
    desk.run(&["new", "s"]).ends(0);
    let mut command = desk.command(&["desk", "s", "--browser"]);
    command.env("PATH", desk.join("empty"));
    let mut terminal = Terminal::of(command, 40, 80);
    terminal.waits_for("no browser was opened (xdg-open:");
    terminal.signal("-INT");
    terminal.ends(Some(0));
}
