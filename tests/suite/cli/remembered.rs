//! Placements are worked out once: what is kept is taken up again, belongs to these very takes alone, and is never needed.

use crate::program::Desk;
use crate::trial_support::matched_session;
use serde_json::Value;
use std::path::PathBuf;

fn kept(desk: &Desk, what: &str) -> Vec<PathBuf> {
    let all = std::fs::read_dir(desk.join("cache/cabjury")).unwrap().map(|e| e.unwrap().path());
    all.filter(|p| p.file_name().unwrap().to_string_lossy().starts_with(what)).collect()
}

fn lags(document: &Value, list: &str) -> Vec<(String, f64)> {
    let one = |c: &Value| (c["take"].as_str().unwrap().to_owned(), c["lag_samples"].as_f64().unwrap());
    document[list].as_array().unwrap().iter().map(one).collect()
}

fn matched(desk: &Desk) -> Vec<(String, f64)> {
    lags(&desk.run(&["match", "s", "--json"]).ends(0).json(), "clips")
}

#[test]
fn a_placement_is_worked_out_once_and_for_these_takes_alone() {
    let desk = Desk::new();
    matched_session(&desk);
    let (places, marks) = (kept(&desk, "places-"), kept(&desk, "marks-"));
    assert_eq!((places.len(), marks.len()), (1, 1));
    let first = matched(&desk);
    assert_eq!(kept(&desk, "places-"), places, "the same takes are the same key");
    // Another number in the place of the first shows that it is what is taken up, by match and by check.
    let text = std::fs::read_to_string(&places[0]).unwrap();
    let mut document: Value = serde_json::from_str(&text).unwrap();
    let moved = document[1]["lag"].as_f64().unwrap() + 7.0;
    document[1]["lag"] = moved.into();
    let take = document[1]["take"].as_str().unwrap().to_owned();
    std::fs::write(&places[0], document.to_string()).unwrap();
    assert!(matched(&desk).contains(&(take.clone(), moved)));
    assert!(lags(&desk.run(&["check", "s", "--json"]).ends(0).json(), "takes").contains(&(take, moved)));
    // Other takes, another key: nothing of it is left.
    desk.run(&["take", "s", "one-1.wav", "--setup", "one", "--json"]);
    desk.run(&["withdraw", "s", "--take", "t001", "--reason", "again"]).ends(0);
    desk.run(&["take", "s", "one-1.wav", "--setup", "one"]).ends(0);
    let again = desk.run(&["match", "s", "--json"]).ends(0).json();
    let again = lags(&again, "clips");
    assert_eq!(kept(&desk, "places-").len(), 2);
    assert!(again.iter().all(|(_, lag)| *lag != moved), "{again:?}");
    // The time base is another take's now; what lies between two takes is what it was.
    let between = |list: &[(String, f64)]| {
        let lag = |id: &str| list.iter().find(|(take, _)| take == id).unwrap().1;
        lag("t003") - lag("t002")
    };
    assert!((between(&again) - between(&first)).abs() < 1.0, "{again:?} and {first:?}");
}

#[test]
fn a_cache_that_is_damaged_or_cannot_be_written_costs_time_alone() {
    let desk = Desk::new();
    matched_session(&desk);
    let first = matched(&desk);
    for path in kept(&desk, "") {
        std::fs::write(path, "[{\"take\":").unwrap();
    }
    assert_eq!(matched(&desk), first);
    std::fs::remove_dir_all(desk.join("cache")).unwrap();
    std::fs::write(desk.join("cache"), "a file").unwrap();
    assert_eq!(matched(&desk), first);
}

/// A recording that was changed is nobody's to judge by, whatever was worked out of it before.
#[test]
fn a_changed_recording_is_refused_by_check_as_by_match() {
    let desk = Desk::new();
    matched_session(&desk);
    desk.run(&["check", "s"]).ends(0);
    let take = std::fs::read_dir(desk.join("s/takes")).unwrap().next().unwrap().unwrap().path();
    let mut bytes = std::fs::read(&take).unwrap();
    let last = bytes.len() - 2;
    bytes[last] ^= 1;
    std::fs::remove_file(&take).unwrap();
    std::fs::write(&take, bytes).unwrap();
    for command in ["check", "match"] {
        let said = desk.run(&[command, "s", "--json"]).ends(4).json();
        assert_eq!(said["error"]["kind"], "changed-recording", "{command}");
    }
}
