//! Small things of an evening: sheets to begin with, folders left out, lists with spaces, defaults of one's own.

use crate::player::terminal::Terminal;
use crate::program::Desk;
use crate::trial_support;

/// A sheet from flags: it is read in by the program's own reader, and what is not known stands there as a comment.
#[test]
fn a_sheet_from_flags_is_read_in() {
    let desk = Desk::new();
    desk.run(&["new", "s"]).ends(0);
    let line = [
        "sheet",
        "s",
        "--new",
        "--driver",
        "A=8,60",
        "--driver",
        "B=8,30",
        "--amp",
        "valve",
        "--tap",
        "4",
        "--tap",
        "16",
        "--wiring",
        "series=A + B",
        "--wiring",
        "parallel=A || B",
        "--setup",
        "s16=series@16",
        "--setup",
        "p4=parallel@4",
        "--mic",
        "close-a=A",
        "--mic",
        "room=A,B",
        "--json",
    ];
    let made = desk.run(&line).ends(0).json();
    assert_eq!(made["next"], "cabjury rig s --sheet s/rig.toml");
    let rig = desk.run(&["rig", "s", "--sheet", "s/rig.toml", "--json"]).ends(0).json();
    let setups = rig["setups"].as_array().unwrap();
    assert_eq!(
        setups.iter().map(|s| (s["setup"].as_str().unwrap(), s["load_ohm"].as_f64().unwrap())).collect::<Vec<_>>(),
        [("s16", 16.0), ("p4", 4.0)]
    );
    // Nothing that exists is overwritten, and a described rig is not begun anew.
    let kept = std::fs::read(desk.join("s/rig.toml")).unwrap();
    desk.run(&line).ends(3);
    desk.run(&["sheet", "s", "--new"]).ends(3);
    assert_eq!(std::fs::read(desk.join("s/rig.toml")).unwrap(), kept);
    // A contradiction is told before anything is written.
    desk.run(&["new", "n"]).ends(0);
    desk.run(&["sheet", "n", "--new", "--setup", "s16=series@16"]).ends(4);
    assert!(!desk.join("n/rig.toml").exists());
}

/// Two files and five lines first, the rig later: same names, same takes, and the claim is told apart.
#[test]
fn a_session_of_two_files_is_described_later() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    desk.run(&["new", "n", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["match", "n"]).ends(0);
    desk.run(&["sheet", "n", "--new"]).ends(0);
    let blank = std::fs::read_to_string(desk.join("n/rig.toml")).unwrap();
    assert!(blank.contains("name = \"one\"") && blank.contains("# taps_ohm"), "{blank}");
    let facts = [
        "--driver",
        "A=8",
        "--driver",
        "B=8",
        "--tap",
        "4",
        "--tap",
        "16",
        "--wiring",
        "series=A + B",
        "--wiring",
        "parallel=A || B",
    ];
    let setups = ["--setup", "one=series@16", "--setup", "two=parallel@4", "--out", "rig.toml"];
    desk.run(&[&["sheet", "n", "--new"][..], &facts, &setups].concat()).ends(0);
    desk.run(&["rig", "n", "--sheet", "rig.toml"]).ends(0);
    let plan = desk.run(&["plan", "n", "--compare", "one,two", "--json"]).ends(0).json();
    let differs = plan["differs"].to_string();
    assert!(differs.contains("wiring") && differs.contains("tap"), "{differs}");
    // Now that it is described, a sheet that says otherwise is refused.
    let other = std::fs::read_to_string(desk.join("rig.toml")).unwrap().replace("wiring = \"series\"", "wiring = \"parallel\"");
    std::fs::write(desk.join("other.toml"), other).unwrap();
    desk.run(&["rig", "n", "--sheet", "other.toml"]).ends(3);
}

/// Asked on a terminal, answer by answer.
#[test]
fn a_sheet_from_questions() {
    let desk = Desk::new();
    desk.run(&["new", "s"]).ends(0);
    let mut terminal = Terminal::open(&desk, &["sheet", "s", "--new"]);
    for (question, answer) in [
        ("Drivers, label=ohm,watt", "A=8,60 B=8,60\r"),
        ("Is it a valve amplifier?", "y\r"),
        ("Its taps in ohm", "4 8 16\r"),
        ("Wirings with semicolons", "series=A + B; parallel=A || B\r"),
        ("Setups: a wiring on a tap", "s16=series@16 p4=parallel@4\r"),
        ("Mics and the drivers", "\r"),
    ] {
        terminal.waits_for(question);
        terminal.press(answer);
    }
    terminal.ends(Some(0));
    desk.run(&["rig", "s", "--sheet", "s/rig.toml"]).ends(0);
}

/// Inside a session its folder is left out; a folder that is named still counts.
#[test]
fn the_folder_is_left_out_inside_a_session() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let inside = |folder: &str, args: &[&str], code: i32| {
        let output = desk.command(args).current_dir(desk.join(folder)).output().unwrap();
        assert_eq!(
            output.status.code(),
            Some(code),
            "{args:?}: {}{}",
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    };
    let list = inside("s", &["takes", "--json"], 0);
    assert_eq!(serde_json::from_str::<serde_json::Value>(&list).unwrap()["takes"].as_array().unwrap().len(), 4);
    inside("s/clips", &["status"], 0);
    std::fs::copy(desk.join("two-2.wav"), desk.join("s/again.wav")).unwrap();
    // FILE alone is a file, not the folder: it is there already.
    inside("s", &["take", "again.wav", "--setup", "one"], 3);
    inside("s", &["withdraw", "--take", "t3", "--reason", "wrong"], 0);
    inside("s", &["--json", "take", "again.wav", "--setup", "one"], 0);
    desk.run(&["new", "other"]).ends(0);
    assert!(inside("s", &["takes", "../other"], 0).lines().count() == 1, "the named session was not the one that was listed");
    inside("s", &["status", "nowhere"], 4);
    // Outside it is wrong use, as ever.
    desk.run(&["takes"]).ends(2);
}

#[test]
fn sessions_under_a_folder() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    std::fs::create_dir_all(desk.join("old/broken")).unwrap();
    std::fs::write(desk.join("old/broken/session.db"), "no database").unwrap();
    desk.run(&["new", "old/second", "--title", "The second"]).ends(0);
    let doc = desk.run(&["sessions", ".", "--json"]).ends(0).json();
    let all = doc["sessions"].as_array().unwrap();
    let names: Vec<&str> = all.iter().map(|s| s["session"].as_str().unwrap()).collect();
    assert_eq!(names, ["./old/broken", "./old/second", "./s"]);
    assert!(all[0]["problem"].is_string() && all[0]["next"].is_null());
    assert_eq!(
        (&all[1]["title"], &all[2]["takes"], &all[2]["next"]["what"]),
        (&"The second".into(), &4.into(), &"listen".into())
    );
    assert!(desk.run(&["sessions", "old"]).ends(0).out.contains("The second"));
    desk.run(&["sessions", "none"]).ends(4);
}

/// What is the same every evening stands in a file, and is told when it is used.
#[test]
fn defaults_of_ones_own() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    std::fs::create_dir_all(desk.join("config/cabjury")).unwrap();
    std::fs::write(desk.join("config/cabjury/defaults.toml"), "trials = 21\ndevice = \"no such device\"\n").unwrap();
    let plan = desk.run(&["plan", "s", "--compare", "one,two"]).ends(0);
    assert!(plan.out.contains("21 scored trials") && plan.err.contains("trials 21, from "), "{}{}", plan.out, plan.err);
    let typed = desk.run(&["plan", "s", "--compare", "one,two", "--trials", "8", "--json"]).ends(0);
    assert_eq!(typed.json()["trials"], 8);
    let listen = desk.run(&["listen", "s", "--listener", "me", "--test", "test-1", "--plain"]).ends(1);
    assert!(listen.err.contains("no such device"), "{}", listen.err);
    std::fs::write(desk.join("config/cabjury/defaults.toml"), "trails = 21\n").unwrap();
    let wrong = desk.run(&["plan", "s", "--compare", "one,two", "--json"]).ends(4).json();
    assert!(wrong["error"]["path"].as_str().unwrap().ends_with("defaults.toml"));
}

/// As people type: decimal commas, minutes and seconds, spaces behind commas, `t2`.
#[test]
fn numbers_and_lists_as_people_type_them() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let matched =
        desk.run(&["match", "s", "--excerpt", "early=0,5-1,5", "--excerpt", "late=0:01.5-0:02.5", "--json"]).ends(0).json();
    let clips = matched["clips"].as_array().unwrap();
    assert_eq!(clips.len(), 8);
    assert!(clips.iter().all(|c| c["run"] == 2), "{matched}");
    let run = desk.run(&["match", "s", "--excerpt", "one=0,5-1,5"]).ends(0).out;
    assert!(run.starts_with("run 3\n"), "{run}");
    let plan = ["plan", "s", "--compare", "one,", "two", "--controls", "same-file=2,", "repeat=1", "--excerpt", "one", "--json"];
    let plan = desk.run(&plan).ends(0).json();
    assert_eq!((&plan["setups"], &plan["controls"]["repeat"]), (&serde_json::json!(["one", "two"]), &1.into()));
    // The newest run but one serves, once the newest is given up.
    desk.run(&["match", "s", "--excerpt", "two=0,5-1,5"]).ends(0);
    desk.run(&["withdraw", "s", "--run", "4", "--reason", "wrong passage"]).ends(0);
    desk.run(&["plan", "s", "--compare", "one, two", "--excerpt", "one"]).ends(0);
    let said = desk.run(&["plan", "s", "--compare", "one, two", "--excerpt", "two"]).ends(4);
    assert!(said.err.contains("the clips have no excerpt two"), "{}", said.err);
    desk.run(&["withdraw", "s", "--run", "3", "--reason", "x"]).ends(3);
    let meter = desk.run(&["load", "A + B", "--tap", "16", "--driver", "A=8.2,30", "--driver", "B=8"]).ends(0).out;
    assert!(meter.contains("16.2"), "{meter}");
}

/// The form of the answers is looked at without using up the first count.
#[test]
fn votes_are_read_without_being_counted() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let made = desk.run(&["montage", "s", "--blind", "--clips", "4", "--out", "m", "--json"]).ends(0);
    assert!(made.out.contains("montage"), "{}", made.out);
    std::fs::write(desk.join("answers.csv"), "person,clip,choice\nann,1,one\nann,2,two\nbo,1,two\n").unwrap();
    let dry = desk.run(&["votes", "s", "answers.csv", "--dry-run", "--json"]).ends(0).json();
    assert_eq!(dry, serde_json::json!({"people": 2, "answers": 3}));
    std::fs::write(desk.join("bad.csv"), "person,clip,choice\nann,9,one\n").unwrap();
    desk.run(&["votes", "s", "bad.csv", "--dry-run"]).ends(4);
    let first = desk.run(&["votes", "s", "answers.csv", "--json"]).ends(0).json();
    assert_eq!(first["counted_before"], 0);
}

/// Completion asks the session: run by bash itself, with the words that a person has typed so far.
#[test]
fn completion_knows_setups_takes_and_tests() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let script = desk.run(&["completions", "bash"]).ends(0).out;
    std::fs::write(desk.join("complete.bash"), script).unwrap();
    let program = std::path::Path::new(env!("CARGO_BIN_EXE_cabjury")).parent().unwrap();
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap());
    for (option, begun, found) in [("--setup", "o", "one"), ("--take", "", "t001 t002 t003 t004"), ("--test", "t", "test-1")] {
        let line = format!(
            "source complete.bash; COMP_WORDS=(cabjury take s {option} '{begun}'); COMP_CWORD=4; _cabjury_of_session cabjury; echo ${{COMPREPLY[@]}}"
        );
        let said =
            std::process::Command::new("bash").args(["-c", &line]).current_dir(desk.path()).env("PATH", &path).output().unwrap();
        assert_eq!(String::from_utf8_lossy(&said.stdout).trim(), found, "{}", String::from_utf8_lossy(&said.stderr));
    }
    // zsh asks the same function from the options' own descriptions; it hands the names to the shell's `compadd`.
    let script = desk.run(&["completions", "zsh"]).ends(0).out;
    for (option, kind) in [("setup", "setups"), ("take", "takes"), ("test", "tests"), ("mic", "mics")] {
        let known = |l: &str| l.contains(&format!("--{option}=")) && l.contains(&format!("{{_cabjury_names {kind}}}"));
        assert!(script.lines().any(known), "{option} does not ask the session");
    }
    std::fs::write(desk.join("_cabjury"), &script).unwrap();
    for (kind, found) in [("setups", "one two"), ("takes", "t001 t002 t003 t004"), ("tests", "test-1")] {
        let line = format!(
            "autoload -U compinit; compinit -u -D; compset() {{ true }}; compadd() {{ print -- ${{(P)2}} }}; words=(cabjury take s --setup ''); \
             compdef() {{ true }}; source ./_cabjury; _cabjury_names {kind}"
        );
        let mut zsh = std::process::Command::new("zsh");
        let said = zsh.args(["-f", "-c", &line]).current_dir(desk.path()).env("PATH", &path).output();
        let said = said.unwrap_or_else(|e| panic!("zsh: {e}. Run tests/run once: it installs it"));
        assert_eq!(String::from_utf8_lossy(&said.stdout).trim(), found, "{}", String::from_utf8_lossy(&said.stderr));
    }
    // Without a session there is silence.
    assert_eq!(desk.run(&["names", "takes"]).ends(0).out, "");
}
