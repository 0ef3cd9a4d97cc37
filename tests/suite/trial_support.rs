//! A session whose clips are real files, made through the program, with a sealed test.

use crate::material;
use crate::program::Desk;
use std::fs::Permissions;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

/// Two setups of two takes each, matched, with a sealed ABX test of so many trials.
pub(crate) fn played_session(desk: &Desk, trials: u32) {
    matched_session(desk);
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", &trials.to_string()]).ends(0);
}

/// The same, sealed for simulated listeners.
pub(crate) fn simulated_session(desk: &Desk, trials: u32) {
    matched_session(desk);
    desk.run(&["plan", "s", "--compare", "one,two", "--simulated", "--trials", &trials.to_string()]).ends(0);
}

/// A person answers all trials that are left, each with its first choice, after every slot has reached them.
pub(crate) fn answers_all(folder: &std::path::Path, test: &str, listener: &str) {
    use cabjury::model::ids::{ListenerCode, TestId};
    use cabjury::model::trial::Answer;
    let clock = cabjury::model::outside::SystemClock;
    let mut trials =
        cabjury::testing::trials::Trials::open(folder, &clock).unwrap().closing_by(cabjury::verdict::closing::freeze);
    let plan = trials.choose(Some(&TestId::new(test).unwrap())).unwrap();
    let who = ListenerCode::new(listener).unwrap();
    trials.enter(&plan, &who, false).unwrap();
    while !trials.standing(&plan, &who).unwrap().through() {
        let open = trials.next(&plan, &who, "a test").unwrap();
        open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
        let answer = Answer { choice: open.choices[0].clone(), confidence: None, remark: None };
        trials.pick(&plan, &open.id, &answer, Vec::new()).unwrap();
    }
}

/// Two setups of two takes each, matched: made once by the program, kept in memory, and laid out anew for every test. All of them are one
/// session, with one id.
pub(crate) fn matched_session(desk: &Desk) {
    static MADE: OnceLock<Vec<File>> = OnceLock::new();
    let files = MADE.get_or_init(|| {
        let (first, mut files) = (Desk::new(), Vec::new());
        own_session(&first);
        read_below(first.path(), Path::new(""), &mut files);
        files
    });
    for (path, bytes, permissions) in files {
        let path = desk.join(path);
        match bytes {
            None => std::fs::create_dir_all(&path).unwrap(),
            Some(bytes) => std::fs::write(&path, bytes).unwrap(),
        }
        std::fs::set_permissions(path, permissions.clone()).unwrap();
    }
}

/// A file (a folder: no bytes) as it lay in the first folder: its relative path, bytes and rights.
type File = (String, Option<Vec<u8>>, Permissions);

fn read_below(root: &Path, below: &Path, files: &mut Vec<File>) {
    for entry in std::fs::read_dir(root.join(below)).unwrap().map(Result::unwrap) {
        let (relative, folder) = (below.join(entry.file_name()), entry.file_type().unwrap().is_dir());
        let bytes = (!folder).then(|| std::fs::read(entry.path()).unwrap());
        files.push((relative.to_str().unwrap().to_owned(), bytes, entry.metadata().unwrap().permissions()));
        if folder {
            read_below(root, &relative, files);
        }
    }
}

/// The same, made anew: with an id that no other session has.
pub(crate) fn own_session(desk: &Desk) {
    let rate = 48_000;
    let di = material::riff(3.4, rate);
    let one = material::peaking(&di, rate, 120.0, 1.0, 3.0);
    let two = material::peaking(&di, rate, 2_500.0, 0.7, 3.0);
    for (name, sound, lag, seed) in
        [("one-1", &one, 10, 1), ("two-1", &two, 300, 2), ("two-2", &two, 0, 3), ("one-2", &one, 41, 4)]
    {
        material::write_wav(
            &desk.join(&format!("{name}.wav")),
            rate,
            &material::noisy(&material::later(sound, lag), -80.0, seed),
        );
    }
    desk.run(&["new", "s", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    desk.run(&["take", "s", "two-2.wav", "--setup", "two"]).ends(0);
    desk.run(&["take", "s", "one-2.wav", "--setup", "one"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
}

/// The listener of session `s` at the fastest silent device, without a screen.
pub(crate) const LISTEN: [&str; 7] = ["listen", "s", "--listener", "me", "--plain", "--device", "silent-fastest"];

/// The same as a process whose input and output are at hand.
pub(crate) fn listening(desk: &Desk) -> Command {
    let mut command = desk.command(&LISTEN);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}
