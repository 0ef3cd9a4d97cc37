//! An audience's answers. The examples are those of the reference sheet on shared keys: 12 people, one playback, all right: p = .5.

use crate::program::Desk;
use crate::trial_support::played_session;
use serde_json::Value;

fn blind(desk: &Desk, clips: u32) -> Vec<String> {
    desk.run(&["montage", "s", "--blind", "--clips", &clips.to_string(), "--out", "m"]).ends(0);
    // The key, read where the test may: in the file that the engineer has and no bundle takes along.
    let file: Value = serde_json::from_str(&std::fs::read_to_string(desk.join("s/keys/montage-1.key")).unwrap()).unwrap();
    serde_json::from_str::<Value>(file["key_text"].as_str().unwrap())
        .unwrap()
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["setup"].as_str().unwrap().to_owned())
        .collect()
}

fn other(name: &str) -> &'static str {
    if name == "one" { "two" } else { "one" }
}

#[test]
fn twelve_people_who_heard_one_clip_are_one_trial() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let key = blind(&desk, 1);
    let rows: String = (1..=12).map(|n| format!("p{n},1,{}\n", key[0])).collect();
    std::fs::write(desk.join("v.csv"), format!("person,clip,choice\n{rows}")).unwrap();
    let doc = desk.run(&["votes", "s", "v.csv", "--json"]).ends(0).json();
    assert_eq!((doc["design"].as_str(), doc["people"].as_u64(), doc["correct"].as_u64()), (Some("one-key"), Some(12), Some(12)));
    assert_eq!((doc["p_value"].as_f64(), doc["least_p"].as_f64()), (Some(0.5), Some(0.5)));
    assert!(doc["sentence"].as_str().unwrap().contains("So few clips cannot beat chance"), "{doc}");
}

#[test]
fn all_right_over_eight_clips_reaches_the_least_p_and_a_second_count_claims_nothing() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let key = blind(&desk, 8);
    // As a spreadsheet of half of Europe writes it: a mark of order, semicolons, line ends of two characters.
    let mut text = "\u{feff}Person;Clip;Choice\r\n".to_owned();
    for person in ["ann", "bob"] {
        for (n, setup) in key.iter().enumerate() {
            text.push_str(&format!("{person}; {} ;{setup}\r\n", n + 1));
        }
    }
    std::fs::write(desk.join("v.csv"), text).unwrap();
    let doc = desk.run(&["votes", "s", "v.csv", "--montage", "montage-1", "--json"]).ends(0).json();
    assert_eq!((doc["answers"].as_u64(), doc["correct"].as_u64()), (Some(16), Some(16)));
    assert!((doc["p_value"].as_f64().unwrap() - 1.0 / 256.0).abs() < 1e-12, "{doc}");
    assert!(doc["sentence"].as_str().unwrap().starts_with("Heard by this audience: 16 of 16"), "{doc}");
    let again = desk.run(&["votes", "s", "v.csv", "--json"]).ends(0).json();
    assert!(again["sentence"].as_str().unwrap().starts_with("For the record"), "{again}");
    assert_eq!(again["counted_before"], 1);
    // All wrong: the mirror.
    let wrong: String = key.iter().enumerate().map(|(n, s)| format!("eve,{},{}\n", n + 1, other(s))).collect();
    std::fs::write(desk.join("w.csv"), format!("person,clip,choice\n{wrong}")).unwrap();
    let doc = desk.run(&["votes", "s", "w.csv", "--json"]).ends(0).json();
    assert_eq!((doc["correct"].as_u64(), doc["p_value"].as_f64()), (Some(0), Some(1.0)));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn faults_name_their_line() {
    let desk = Desk::new();
    played_session(&desk, 8);
    blind(&desk, 4);
    for (text, line, what) in [
        ("person,clip,choice\nann,1,one\nann,1,two\n", 3, "a second time (first on line 2)"),
        ("person,clip,choice\nann,5,one\n", 2, "is not a clip: a number from 1 to 4 is needed"),
        ("person,clip,choice\nann,0,one\n", 2, "is not a clip"),
        ("person,clip,choice\nann,1,One\n", 2, "is none of one, two"),
        ("person,clip,choice\nann,,one\n", 2, "the column clip is empty"),
        ("person,number,choice\nann,1,one\n", 1, "there is no column clip"),
    ] {
        std::fs::write(desk.join("v.csv"), text).unwrap();
        let error = desk.run(&["votes", "s", "v.csv", "--json"]).ends(4).json()["error"].clone();
        let message = error["message"].as_str().unwrap();
        assert!(message.contains(&format!("line {line}")) && message.contains(what), "{message}");
    }
    std::fs::write(desk.join("v.csv"), "person,clip,choice\n").unwrap();
    desk.run(&["votes", "s", "v.csv"]).ends(4);
    std::fs::write(desk.join("v.csv"), [0xff, 0xfe, b'a']).unwrap();
    desk.run(&["votes", "s", "v.csv"]).ends(4);
    desk.run(&["votes", "s", "none.csv"]).ends(4);
    desk.run(&["votes", "s", "v.csv", "--montage", "montage-9"]).ends(4);
    // None of them was counted.
    std::fs::write(desk.join("v.csv"), "person,clip,choice\nann,1,one\n").unwrap();
    assert_eq!(desk.run(&["votes", "s", "v.csv", "--json"]).ends(0).json()["counted_before"], 0);
}
