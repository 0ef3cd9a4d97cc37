//! Killed, stopped, out of room: earlier takes stay as they were, what is broken says so.

use super::{Sitter, session};
use crate::faults::SmallDisk;
use crate::program::Desk;
use cabjury::model::audio::Sha256Hex;
use cabjury::sound::read_all;
use cabjury::store::Session;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

/// Takes in use with their bytes' hashes, which must be those of the records.
fn takes(folder: &Path) -> BTreeMap<String, String> {
    let session = Session::open_read(folder).unwrap();
    let whole = |t: &cabjury::model::session::Take| {
        assert!(Sha256Hex::of(&std::fs::read(folder.join(&t.path)).unwrap()) == t.sha256, "{} is not what was recorded", t.id);
    };
    session.takes().unwrap().iter().inspect(|&t| whole(t)).map(|t| (t.id.to_string(), t.sha256.to_string())).collect()
}

/// Goes on until a pass is being recorded (or all are) and returns true when one is.
fn until_it_records(sitter: &mut Sitter) -> bool {
    let mut ready = false;
    while let Some(seen) = sitter.sees() {
        if seen.has("stop at once") && ready {
            return true;
        }
        if seen.has("All passes are recorded") {
            return false;
        }
        ready = seen.has("Enter: play and record");
        if seen.has("type the ohms") {
            let reading = super::READINGS.iter().find(|(s, _)| *s == seen.setup()).unwrap().1;
            sitter.types(reading);
        } else if !seen.has("It warms up") {
            sitter.types("");
        }
    }
    false
}

#[test]
fn kills_in_mid_pass_leave_a_file_that_opens_and_says_what_it_is() {
    let desk = Desk::new();
    session(&desk);
    let rounds: u64 = std::env::var("CABJURY_ROUNDS").ok().and_then(|r| r.parse().ok()).unwrap_or(4).min(50);
    let mut before = BTreeMap::new();
    let mut broken = 0;
    for round in 0..rounds {
        // In real time, so that there is a middle; every round another moment of the pass.
        let command = desk.command(&["record", "s", "--device", "simulated", "--takes", "99", "--warm-up", "0", "--plain"]);
        let mut sitter = Sitter::new(command);
        assert!(until_it_records(&mut sitter));
        std::thread::sleep(Duration::from_millis(4_300 + 700 * (round % 9)));
        sitter.child.kill().unwrap();
        sitter.child.wait().unwrap();
        let now = takes(&desk.join("s"));
        assert!(before.iter().all(|(id, hash)| now.get(id) == Some(hash)), "an earlier take is gone or another one");
        before = now;
        let files: Vec<_> =
            std::fs::read_dir(desk.join("s/recording")).into_iter().flatten().map(|e| e.unwrap().path()).collect();
        assert!(files.iter().all(|f| f.to_string_lossy().ends_with(".unfinished.wav")), "{files:?}");
        for file in &files {
            // Opens, however far it came; hound is the general library.
            hound::WavReader::open(file).unwrap();
        }
        let sound = |f: &std::path::PathBuf| read_all(f).is_ok_and(|(audio, _)| audio.frames() > 4800);
        broken = files.iter().filter(|f| sound(f)).count();
    }
    assert!(broken >= 2, "no kill came in the middle of a recording");
    // The next start names them, and goes on.
    let mut sitter = Sitter::record(&desk, &["--takes", "1"]);
    sitter.goes_on(&mut |_, _| false);
    let said = sitter.ends(0);
    assert!(said.contains("unfinished.wav: the program or the device ended in mid-pass"), "{said}");
    assert!(said.contains("2 passes kept"), "{said}");
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn a_stop_in_mid_pass_leaves_nothing_half() {
    let desk = Desk::new();
    session(&desk);
    let command = desk.command(&["record", "s", "--device", "simulated", "--takes", "1", "--warm-up", "0", "--plain"]);
    let mut sitter = Sitter::new(command);
    assert!(until_it_records(&mut sitter));
    std::thread::sleep(Duration::from_millis(4_500));
    sitter.types("stop");
    let mut seen = sitter.sees().unwrap();
    while !seen.has("The pass is void") {
        seen = sitter.sees().expect("it ends before it says what became of the pass");
    }
    assert!(seen.has("it was stopped"), "{seen:?}");
    assert_eq!(std::fs::read_dir(desk.join("s/recording")).unwrap().count(), 0, "something half is left");
    sitter.types("leave");
    let said = sitter.ends(0);
    assert!(said.contains("0 passes kept, 0 played again, 1 void; 2 are left."), "{said}");
    assert_eq!(takes(&desk.join("s")).len(), 1, "the DI alone");
}

#[test]
fn a_full_disk_in_mid_pass_voids_it_and_keeps_what_was_there() {
    let desk = Desk::new();
    session(&desk);
    std::fs::create_dir(desk.join("small")).unwrap();
    let Some(disk) = SmallDisk::new(&desk.join("small"), 24) else {
        println!("no small file system can be made here (not the administrator): the full disk was not tested");
        return;
    };
    disk.copy_in(&desk.join("s"), "s");
    let args = ["record", "s", "--device", "simulated-fastest", "--takes", "2", "--plain"];
    let mut sitter = Sitter::new(disk.command(&args));
    // One pass is kept; then there is room for half of one more.
    let (mut filled, mut full, mut kept) = (false, false, BTreeMap::new());
    sitter.goes_on(&mut |sitter, seen| {
        if seen.has("Kept as") && !filled {
            filled = true;
            kept = disk.looked_at(&desk, "s", takes);
            disk.fill(1_200_000);
        }
        if seen.has("The pass is void") {
            assert!(seen.has("make room on the disk"), "{seen:?}");
            full = true;
            disk.make_room();
        }
        let _ = sitter;
        false
    });
    let said = sitter.ends(0);
    assert!(filled && full, "the disk never filled up:\n{said}");
    assert!(said.contains("4 passes kept") && said.contains("1 void"), "{said}");
    let now = disk.looked_at(&desk, "s", takes);
    assert!(kept.len() == 3 && kept.iter().all(|(id, hash)| now.get(id) == Some(hash)), "{kept:?} {now:?}");
    assert_eq!(disk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
