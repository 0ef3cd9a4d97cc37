//! The program as a person runs it: help, exit codes, completions, manual pages.

mod entry;
pub(crate) mod errors;
mod evening;
mod remembered;
mod text;
mod ways_out;

use crate::golden;
use crate::program::Desk;

const COMMANDS: [&str; 37] = [
    "hall",
    "demo",
    "load",
    "measure",
    "level",
    "chance",
    "new",
    "sessions",
    "sheet",
    "rig",
    "meter",
    "runsheet",
    "take",
    "takes",
    "reassign",
    "withdraw",
    "status",
    "check",
    "match",
    "plan",
    "record",
    "close",
    "rehearse",
    "listen",
    "score",
    "report",
    "picture",
    "montage",
    "votes",
    "audit",
    "rescue",
    "bundle",
    "unbundle",
    "desk",
    "devices",
    "completions",
    "manual",
];

#[test]
fn help_is_what_was_looked_at() {
    let desk = Desk::new();
    golden::check("help/cabjury.txt", &desk.run(&["--help"]).ends(0).out);
    for command in COMMANDS {
        golden::check(&format!("help/{command}.txt"), &desk.run(&[command, "--help"]).ends(0).out);
    }
}

#[test]
fn every_command_has_an_example_and_a_short_help_that_fits_a_screen() {
    let desk = Desk::new();
    for command in COMMANDS {
        let long = desk.run(&[command, "--help"]).ends(0).out;
        assert!(long.contains(&format!("Example:\n  cabjury {command}")), "no example in the long help of {command}:\n{long}");
        let short = desk.run(&[command, "-h"]).ends(0).out;
        assert!(short.lines().count() <= 45, "the short help of {command} has {} lines", short.lines().count());
        assert!(!short.contains("Example:"), "the short help of {command} is the long one");
    }
}

#[test]
fn wrong_use_is_code_2_in_plain_text() {
    let desk = Desk::new();
    for line in [
        &["nonsense"][..],
        &[],
        &["load"],
        &["load", "A", "--tap", "8", "--driver", "A"],
        &["load", "A", "--tap", "eight", "--driver", "A=8"],
        &["chance", "--method", "coin", "--trials", "16"],
        &["plan", "here", "--compare", "A,B"],
        &["take", "here", "x.wav"],
        &["match", "here", "--excerpt", "riff=6-2"],
        &["meter", "here", "series", "lots"],
        &["new", "here", "X=a.wav"],
        &["plan", "here", "--compare", "one,two", "--controls", "same=8"],
    ] {
        let said = desk.run(line).ends(2);
        assert!(said.out.is_empty(), "{line:?} printed on standard output: {}", said.out);
        assert!(!said.err.is_empty(), "{line:?} said nothing");
    }
}

#[test]
fn completions_for_every_shell() {
    let desk = Desk::new();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let text = desk.run(&["completions", shell]).ends(0).out;
        assert!(text.contains("runsheet"), "{shell} does not know runsheet");
    }
}

#[test]
fn manual_pages_are_written_once() {
    let desk = Desk::new();
    desk.run(&["manual", "man"]).ends(0);
    let pages: Vec<_> = std::fs::read_dir(desk.join("man")).unwrap().collect();
    assert_eq!(pages.len(), COMMANDS.len() + 1);
    let page = std::fs::read_to_string(desk.join("man/cabjury-load.1")).unwrap();
    assert!(page.contains(".TH cabjury-load 1"), "{page}");
    desk.run(&["manual", "man"]).ends(3);
}
