//! What a person reads when something is wrong: every message once, with its exit code, kept as text and looked at.
//! A golden file shows at once when a message loses its path, its wish or its way out.

use crate::golden;
use crate::material;
use crate::program::Desk;
use crate::trial_support;
use serde_json::Value;
use std::fmt::Write as _;

/// What was typed and what came back, as it stands in the golden file.
pub(crate) struct Spoken<'d> {
    desk: &'d Desk,
    text: String,
    wrong: Vec<String>,
}

impl<'d> Spoken<'d> {
    pub(crate) fn new(desk: &'d Desk) -> Self {
        Self { desk, text: String::new(), wrong: Vec::new() }
    }

    pub(crate) fn note(&mut self, why: &str) {
        writeln!(self.text, "# {why}").unwrap();
    }

    /// Runs a line that must end with this code and takes down its message without what the machine alone decides.
    pub(crate) fn line(&mut self, code: i32, args: &[&str]) {
        self.told(code, args, "next: ");
    }

    /// The same of a line whose way out is told by this text.
    pub(crate) fn told(&mut self, code: i32, args: &[&str], way_out: &str) {
        let said = self.desk.run(args);
        if said.code != code || !said.err.contains(way_out) || said.err.contains("panicked") {
            self.wrong.push(format!("{args:?}: wanted {code} and a way out, got {}: {}{}", said.code, said.out, said.err));
        }
        let folder = self.desk.path().display().to_string();
        let typed: Vec<String> = args
            .iter()
            .map(|a| if a.contains([' ', '(']) || a.is_empty() { format!("'{a}'") } else { (*a).to_owned() })
            .collect();
        let (kind, said) = (self.kind(args), same_everywhere(&said.err.replace(&folder, "HERE")));
        writeln!(self.text, "$ cabjury {}\n{said}exit {code}{kind}\n", typed.join(" ")).unwrap();
    }

    /// The kind that a program is told, by the same line once more: what was refused has changed nothing. What the words themselves
    /// rule out is said before there is a document.
    fn kind(&self, args: &[&str]) -> String {
        let again = self.desk.run(&[args, &["--json"]].concat());
        let document: Value = serde_json::from_str(&again.out).unwrap_or_default();
        document["error"]["kind"].as_str().map_or_else(String::new, |kind| format!(": {kind}"))
    }

    /// Compares all that was said with the golden file.
    pub(crate) fn ends_as(self, name: &str) {
        assert!(self.wrong.is_empty(), "{}", self.wrong.join("\n"));
        golden::check(name, &self.text);
    }
}

/// Without the time of day and the names of this machine's outputs.
fn same_everywhere(text: &str) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let line = line.split_once("; there are: ").map_or(line.to_owned(), |(head, _)| format!("{head}; there are: THESE"));
        let words: Vec<&str> =
            line.split(' ').map(|w| if w.starts_with("20") && w.ends_with('Z') { "TIME" } else { w }).collect();
        writeln!(out, "{}", words.join(" ")).unwrap();
    }
    out
}

fn bad_files(desk: &Desk) {
    let riff = material::riff(2.0, 48_000);
    material::write_wav(&desk.join("riff.wav"), 48_000, &riff);
    material::write_wav(&desk.join("riff-44.wav"), 44_100, &riff);
    material::write_wav(&desk.join("silent.wav"), 48_000, &vec![0.0; 96_000]);
    material::write_wav(&desk.join("blip.wav"), 48_000, &riff[24_000..26_000]);
    material::write_wav(&desk.join("no-frames.wav"), 48_000, &[]);
    std::fs::write(desk.join("empty.wav"), b"").unwrap();
    std::fs::write(desk.join("shopping.wav"), "two kilos of apples, a loaf of bread and a new set of strings").unwrap();
    let whole = std::fs::read(desk.join("riff.wav")).unwrap();
    std::fs::write(desk.join("header-only.wav"), &whole[..20]).unwrap();
    let mut odd = whole.clone();
    // Format tag 0x0161 in the fmt chunk: compressed audio inside a WAV.
    odd[20..22].copy_from_slice(&0x0161u16.to_le_bytes());
    std::fs::write(desk.join("compressed.wav"), odd).unwrap();
    std::fs::create_dir(desk.join("folder.wav")).unwrap();
    // Four mics on one file: the riff at four levels.
    let spec = hound::WavSpec { channels: 4, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut four = hound::WavWriter::create(desk.join("four.wav"), spec).unwrap();
    for v in riff {
        for gain in [0.9, 0.7, 0.5, 0.3] {
            four.write_sample((v * gain * 8_388_608.0).round() as i32).unwrap();
        }
    }
    four.finalize().unwrap();
}

#[test]
fn every_message_about_a_recording() {
    let desk = Desk::new();
    bad_files(&desk);
    desk.run(&["new", "s", "one=riff.wav"]).ends(0);
    let mut t = Spoken::new(&desk);
    for file in ["none.wav", "folder.wav", "empty.wav", "shopping.wav", "header-only.wav", "no-frames.wav", "compressed.wav"] {
        t.line(4, &["take", "s", file, "--setup", "one"]);
    }
    t.note("silent, too short, another rate: nothing is taken in");
    for file in ["silent.wav", "blip.wav", "riff-44.wav"] {
        t.line(4, &["take", "s", file, "--setup", "one"]);
    }
    t.note("more than a listener hears at once");
    t.line(4, &["take", "s", "four.wav", "--setup", "one"]);
    t.line(4, &["new", "another", "one=riff.wav", "two=four.wav"]);
    assert!(!desk.join("another").exists(), "a refused recording left a folder behind");
    t.line(4, &["take", "s", "four.wav", "--setup", "one", "--mic", "5=room"]);
    t.line(2, &["take", "s", "four.wav", "riff.wav", "--setup", "one", "--mic", "1=close-a", "--mic", "2=room"]);
    t.line(4, &["measure", "none.wav"]);
    t.line(4, &["level", "riff.wav", "none.wav", "--out", "levelled"]);
    t.line(4, &["level", "riff.wav", "silent.wav", "--out", "levelled"]);
    t.ends_as("errors/recordings.txt");
    let kept = desk.run(&["status", "s"]).ends(0).out;
    assert!(kept.contains("takes of one") && kept.contains("1 (4 or more advised)"), "something unfit was stored: {kept}");
}

/// The way out that the message names: channels are mics of one pass, each a take of its own with one channel.
#[test]
fn channels_of_one_file_are_mics() {
    let desk = Desk::new();
    bad_files(&desk);
    desk.run(&["new", "s", "one=riff.wav"]).ends(0);
    desk.run(&["take", "s", "four.wav", "--setup", "one", "--mic", "1=close-a", "--mic", "3=room"]).ends(0);
    let found = desk.run(&["check", "s", "--json"]).ends(0).json();
    let takes = found["takes"].as_array().unwrap();
    let of = |mic: &str| takes.iter().find(|t| t["mic"] == mic).unwrap_or_else(|| panic!("no take of {mic} in {found}"));
    for (mic, gain) in [("close-a", 0.9), ("room", 0.5)] {
        assert_eq!((&of(mic)["channels"], &of(mic)["pass"]), (&1.into(), &2.into()));
        let level = |mic: &str| of(mic)["integrated_lufs"].as_f64().unwrap();
        let wanted = 20.0 * f64::log10(gain);
        assert!((level(mic) - level("main") - wanted).abs() < 0.01, "{mic} is {} to the whole", level(mic) - level("main"));
    }
}

#[test]
fn every_message_about_a_wiring_or_a_sheet() {
    let desk = Desk::new();
    let mut t = Spoken::new(&desk);
    let load = |wiring: &'static str| ["load", wiring, "--tap", "8", "--driver", "A=8", "--driver", "B=8", "--driver", "C=8"];
    for wiring in ["", "A + ", "(A + B) || C)", "(A + B", "A + B || C", "A B || C", "A + A + B", "A + D + B", "A ? B"] {
        t.line(4, &load(wiring));
    }
    t.note("a driver that the wiring does not use");
    t.line(4, &load("A || B"));
    t.note("sheets");
    let head = "[amplifier]\nlabel = \"head\"\nkind = \"valve\"\nrated_w = 50\ntaps_ohm = [4, 8, 16]\n";
    let driver = "[[driver]]\nlabel = \"A\"\nnominal_ohm = 8\n";
    let wiring = "[[wiring]]\nname = \"one\"\nnetwork = \"A\"\n";
    let setup = "[[setup]]\nname = \"s\"\nwiring = \"one\"\ntap_ohm = 8\n";
    for (why, text) in [
        ("a typing mistake in a key", format!("{head}{driver}nominal_ohms = 8\n{wiring}{setup}")),
        ("no TOML", format!("{head}{driver}{wiring}{setup}taps = [4, 8\n")),
        ("a value of another kind", format!("{head}{}{wiring}{setup}", driver.replace("= 8", "= \"eight\""))),
        ("an impossible value", format!("{head}{}{wiring}{setup}", driver.replace("= 8", "= -8"))),
        ("a setup of a wiring that is not there", format!("{head}{driver}{wiring}{}", setup.replace("\"one\"", "\"won\""))),
        ("a wiring of a driver that is not there", format!("{head}{driver}{}{setup}", wiring.replace("\"A\"", "\"A + B\""))),
        ("a reserved name", format!("{head}{driver}{wiring}{}", setup.replace("\"s\"", "\"X\""))),
    ] {
        std::fs::write(desk.join("sheet.toml"), text).unwrap();
        t.note(why);
        t.line(4, &["new", "s", "--sheet", "sheet.toml"]);
    }
    t.line(4, &["new", "s", "--sheet", "none.toml"]);
    t.ends_as("errors/wirings.txt");
    assert!(!desk.join("s").exists(), "a refused sheet left a folder behind");
}

#[test]
fn every_message_about_a_session_and_its_tests() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    std::fs::create_dir(desk.join("other")).unwrap();
    std::fs::write(desk.join("other/letter.txt"), "dear band").unwrap();
    let mut t = Spoken::new(&desk);
    t.line(4, &["status", "none"]);
    t.line(4, &["status", "other"]);
    t.line(3, &["new", "other"]);
    t.line(4, &["take", "s", "none.wav", "--setup", "one"]);
    t.line(4, &["take", "s", "one-1.wav", "--setup", "three"]);
    t.line(4, &["withdraw", "s", "--take", "t009", "--reason", "wrong song"]);
    t.line(4, &["plan", "s", "--compare", "one,three"]);
    t.line(4, &["plan", "s", "--compare", "one,two", "--mic", "room"]);
    t.line(4, &["plan", "s", "--compare", "one,two", "--excerpt", "solo"]);
    t.line(4, &["score", "s", "--test", "test-9"]);
    t.line(4, &["listen", "s", "--listener", "me", "--test", "test-9", "--plain", "--device", "silent"]);
    t.line(1, &["listen", "s", "--listener", "me", "--plain", "--device", "no such device"]);
    t.line(3, &["meter", "s", "series", "8"]);
    t.note("before its end a test gives no figures away");
    desk.run(&["report", "s", "--out", "page.html"]).ends(0);
    t.line(3, &["report", "s", "--out", "page.html"]);
    t.note("after its end nobody can add to it");
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    t.line(3, &["listen", "s", "--listener", "late", "--test", "test-1", "--plain", "--device", "silent"]);
    t.line(3, &["close", "s", "--test", "test-1"]);
    t.line(3, &["rehearse", "s", "--hears", "0", "--test", "test-1", "--keep", "robot"]);
    t.note("too few clips for a plan");
    desk.run(&["new", "bare", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    t.line(3, &["plan", "bare", "--compare", "one,two"]);
    t.ends_as("errors/sessions.txt");
}

/// Every mistake of an evening once: names, passes, files, folders.
#[test]
fn every_message_about_an_evening_of_takes() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let sheet = "[[driver]]\nlabel = \"A\"\nnominal_ohm = 8\n[[wiring]]\nname = \"w\"\nnetwork = \"A\"\n\
                 [[setup]]\nname = \"one\"\n[[setup]]\nname = \"two\"\n[[mic]]\nname = \"close-a\"\n[[mic]]\nname = \"close-b\"\n\
                 [[blend]]\nname = \"both\"\nof = [\"close-a\", \"close-b\"]\ngains_db = [0.0, 0.0]\n";
    std::fs::write(desk.join("rig.toml"), sheet).unwrap();
    std::fs::write(desk.join("comma.toml"), sheet.replace("nominal_ohm = 8", "nominal_ohm = 8,2")).unwrap();
    std::fs::create_dir(desk.join("my takes")).unwrap();
    std::fs::create_dir(desk.join("empty")).unwrap();
    for (name, level) in [("one 1", 0.9), ("three 2", 0.8), ("solo", 0.7)] {
        let riff = material::gain(&material::riff(2.0, 48_000), 20.0 * f64::log10(level));
        material::write_wav(&desk.join(&format!("my takes/{name}.wav")), 48_000, &riff);
    }
    let mut t = Spoken::new(&desk);
    t.note("two setups need two names and two recordings");
    t.line(2, &["new", "twice", "one=one-1.wav", "one=one-2.wav"]);
    t.line(3, &["new", "twice", "one=one-1.wav", "two=one-1.wav"]);
    assert!(!desk.join("twice").exists(), "a refused recording left a folder behind");
    t.note("a mic that the sheet has not got, a blend, a setup");
    desk.run(&["new", "n", "--sheet", "rig.toml"]).ends(0);
    t.line(4, &["take", "n", "one-1.wav", "--setup", "one", "--mic", "close-A1"]);
    t.line(4, &["take", "n", "one-1.wav", "--setup", "one", "--mic", "room"]);
    t.line(4, &["take", "n", "one-1.wav", "--setup", "one", "--mic", "both"]);
    t.line(4, &["take", "n", "one-1.wav", "--setup", "onee", "--mic", "close-a"]);
    t.line(2, &["take", "n", "one-1.wav"]);
    t.note("a second recording of one mic in one pass");
    desk.run(&["take", "n", "one-1.wav", "--setup", "one", "--mic", "close-a", "--pass", "3"]).ends(0);
    t.line(3, &["take", "n", "one-2.wav", "--setup", "one", "--mic", "close-a", "--pass", "3"]);
    t.note("reassigning");
    t.line(2, &["reassign", "n", "--take", "t1", "--pass", "3", "--reason", "x"]);
    t.line(2, &["reassign", "n", "--take", "t1", "--pass", "4", "--reason", " "]);
    t.line(4, &["reassign", "n", "--take", "t7", "--pass", "4", "--reason", "x"]);
    t.line(4, &["reassign", "n", "--take", "t1", "--mic", "close-c", "--reason", "x"]);
    t.line(3, &["reassign", "s", "--take", "t1", "--setup", "two", "--reason", "x"]);
    desk.run(&["withdraw", "n", "--take", "t1", "--reason", "wrong cable"]).ends(0);
    t.line(3, &["reassign", "n", "--take", "t1", "--pass", "4", "--reason", "x"]);
    t.line(3, &["withdraw", "n", "--take", "t1", "--reason", "again"]);
    t.note("a matching run: one that a test uses, one that is not there");
    t.line(3, &["withdraw", "s", "--run", "1", "--reason", "x"]);
    t.line(4, &["withdraw", "s", "--run", "2", "--reason", "x"]);
    t.note("two passages under one name");
    t.line(2, &["match", "s", "--excerpt", "riff=0.5-1.5", "--excerpt", "riff=1.5-2.5"]);
    t.note("a folder");
    t.line(4, &["take", "s", "empty"]);
    t.line(3, &["take", "s", "my takes"]);
    t.line(2, &["take", "s", "my takes", "one-1.wav", "--pattern", "{setup}.wav"]);
    t.line(2, &["take", "s", "one-1.wav", "one-2.wav", "--split"]);
    t.note("swapped arguments");
    t.line(4, &["take", "one-1.wav", "s", "--setup", "one"]);
    t.note("one long bounce without a DI");
    t.line(3, &["take", "s", "one-1.wav", "--split"]);
    t.note("a sheet with a decimal comma, and one that takes a recorded setup away");
    t.line(4, &["rig", "n", "--sheet", "comma.toml"]);
    std::fs::write(desk.join("less.toml"), sheet.replace("\"two\"", "\"three\"")).unwrap();
    t.line(3, &["rig", "s", "--sheet", "less.toml"]);
    t.ends_as("errors/takes.txt");
}

/// What no evening meets: each refusal once, so that every kind of error has been brought about.
#[test]
fn every_message_that_is_left() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    bad_files(&desk);
    let four = material::riff(2.0, 48_000);
    material::write_wav(&desk.join("mono.wav"), 48_000, &four);
    let spec = hound::WavSpec { channels: 2, sample_rate: 48_000, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut stereo = hound::WavWriter::create(desk.join("stereo.wav"), spec).unwrap();
    for v in &four {
        stereo.write_sample((v * 8_388_608.0 * 0.9).round() as i32).unwrap();
        stereo.write_sample((v * 8_388_608.0 * 0.4).round() as i32).unwrap();
    }
    stereo.finalize().unwrap();
    let mut t = Spoken::new(&desk);
    t.note("names and numbers");
    t.line(4, &["load", "A", "--tap", "8", "--driver", "A=8", "--driver", "A=8"]);
    t.note("a folder and a file that are there");
    t.line(3, &["demo", "s"]);
    desk.run(&["level", "one-1.wav", "two-1.wav", "--out", "levels"]).ends(0);
    t.line(3, &["level", "one-1.wav", "two-1.wav", "--out", "levels"]);
    t.line(4, &["level", "mono.wav", "stereo.wav", "--out", "levelled"]);
    t.line(4, &["level", "mono.wav", "riff-44.wav", "--out", "levelled"]);
    t.note("without a rig sheet, a DI, a run sheet");
    t.line(3, &["rig", "s"]);
    t.line(2, &["runsheet", "s", "--takes", "0"]);
    t.line(2, &["record", "s", "--damage", "1=hum", "--plain"]);
    t.line(3, &["sheet", "s", "--new", "--out", "one-1.wav"]);
    t.note("taking back");
    t.line(2, &["withdraw", "s", "--take", "t001", "--reason", " "]);
    t.line(2, &["withdraw", "s", "--test", "test-1", "--reason", ""]);
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "4", "--yes"]).ends(0);
    t.line(2, &["listen", "s", "--listener", "me", "--plain", "--device", "silent"]);
    desk.run(&["withdraw", "s", "--test", "test-2", "--reason", "one too many"]).ends(0);
    t.line(3, &["withdraw", "s", "--test", "test-2", "--reason", "again"]);
    t.line(3, &["close", "s", "--test", "test-2"]);
    t.line(3, &["listen", "s", "--listener", "me", "--test", "test-2", "--plain", "--device", "silent"]);
    t.note("montage and votes");
    std::fs::write(desk.join("votes.csv"), "listener,clip,answer\nann,1,one\n").unwrap();
    t.line(3, &["votes", "s", "votes.csv"]);
    t.line(3, &["montage", "s", "--out", "m", "--blind", "--order", "one"]);
    t.line(3, &["montage", "s", "--out", "m", "--excerpt", "solo"]);
    t.line(3, &["montage", "s", "--out", "m", "--mic", "room"]);
    t.note("matching and checking");
    t.line(3, &["match", "s", "--turn", "t001"]);
    t.line(3, &["match", "s", "--confirm", "clipping", "--reason", "meant so"]);
    t.note("a report of a kind that is not made");
    t.line(2, &["report", "s", "--out", "page.docx"]);
    t.note("fingerprints and receipts");
    std::fs::write(desk.join("letter.json"), "{\"dear\": \"band\"}").unwrap();
    t.line(2, &["audit", "s", "--published", "not hexadecimal"]);
    t.line(4, &["audit", "s", "--receipts", "letter.json"]);
    t.line(4, &["audit", "s", "--receipts", "none.json"]);
    t.note("no test is open");
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    t.line(3, &["listen", "s", "--listener", "me", "--plain", "--device", "silent"]);
    t.ends_as("errors/rest.txt");
}
