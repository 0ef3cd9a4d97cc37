//! From a sealed test to an audience's sentence, with a replica that dies in the middle.

use super::visitors::{Hall, LISTENS, ask, picked};
use serde_json::Value;

#[test]
fn an_audience_is_served_by_replicas_that_hold_nothing_and_scored_as_what_it_is() {
    let mut hall = Hall::sealed(3);
    // Two publishers and two replicas at once over an empty database: migrations and sounds are made once.
    let publish = ["hall", "publish", "s", "--test", "test-1", "--sound", "sound", "--key", "key", "--variants", "4", "--json"];
    std::fs::write(hall.folder.join("key"), format!("{}\n", "5a".repeat(32))).unwrap();
    let mut starting: Vec<_> = (0..2).map(|_| hall.begin(&[])).collect();
    let going: Vec<_> = (0..2).map(|_| hall.command(&publish).stdout(std::process::Stdio::piped()).spawn().unwrap()).collect();
    let both: Vec<_> = going.into_iter().map(|c| c.wait_with_output().unwrap()).collect();
    let docs: Vec<Value> = both.iter().map(|o| serde_json::from_slice(&o.stdout).unwrap()).collect();
    let added: u64 = docs.iter().map(|d| d["sounds_added"].as_u64().unwrap()).sum();
    assert_eq!(added, 4 * 4 + 1, "four clips of four sounds, and the noise: {docs:?}");
    assert_eq!(docs[0]["hall"], docs[1]["hall"]);
    hall.test = docs[0]["hall"].as_str().unwrap().to_owned();
    assert_eq!(hall.cluster.sql("select count(*) from hall_migrations").trim(), "1");
    let (mut first, second) = (Hall::ready(starting.remove(0)), Hall::ready(starting.remove(0)));

    // The test is an audience's: the player of this computer refuses it.
    let said = hall.folder.run(&[
        "listen",
        "s",
        "--listener",
        "me",
        "--test",
        "test-1",
        "--plain",
        "--device",
        "silent-fastest",
        "--json",
    ]);
    assert_eq!((said.code, said.json()["error"]["kind"].as_str()), (3, Some("audience-test")));

    let visitor = hall.visitor(&first.host);
    assert_eq!(visitor.ask(&second.host, "GET", "", "").unwrap().is(200).json()["phase"], "ready");
    let trial = visitor.opens(&first.host);
    assert_eq!(visitor.ask(&first.host, "POST", "/trials", "").unwrap().is(409).json()["open_trial"], trial);
    let early = visitor.picks(&first.host, &trial, "A").unwrap().is(422);
    assert_eq!(early.json()["error"]["kind"], "not-heard");
    first.cut();
    // The other replica goes on with the very same trial.
    let status = visitor.ask(&second.host, "GET", "", "").unwrap().is(200).json();
    assert_eq!((&status["phase"], &status["open_trial"]), (&Value::from("trial"), &trial));
    let sizes: Vec<usize> = trial["slots"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| ask(&second.host, "GET", s["audio"].as_str().unwrap(), "", "").unwrap().is(200).body.len())
        .collect();
    assert!(sizes.windows(2).all(|w| w[0] == w[1] && w[0] > 100_000), "{sizes:?}");
    std::thread::sleep(LISTENS);
    let path = format!("/trials/{}/pick", trial["trial"].as_str().unwrap());
    let unheard = visitor.ask(&second.host, "POST", &path, r#"{"choice":"A"}"#).unwrap().is(422);
    assert_eq!(unheard.json()["error"]["kind"], "not-heard");
    let bad = visitor.picks(&second.host, &trial, "Z").unwrap().is(422);
    assert_eq!(bad.json()["error"]["kind"], "not-a-choice");
    let taken = visitor.picks(&second.host, &trial, "A").unwrap().is(200).json();
    assert_eq!(visitor.picks(&second.host, &trial, "A").unwrap().is(200).json()["receipt"], taken["receipt"]);
    visitor.picks(&second.host, &trial, "B").unwrap().is(409);
    assert!(taken.get("own_score").is_none(), "nothing of right and wrong before the visitor is through");
    let mut receipts = vec![taken["receipt"].clone()];
    receipts.extend(visitor.answers(&second.host, 2, |_| "B"));
    let through = visitor.ask(&second.host, "GET", "", "").unwrap().is(200).json();
    assert_eq!((&through["phase"], through["own_score"]["trials"].as_u64()), (&Value::from("done"), Some(3)));
    visitor.ask(&second.host, "POST", "/trials", "").unwrap().is(409);

    // Somebody else leaves in the middle.
    let other = hall.visitor(&second.host);
    other.answers(&second.host, 1, |_| "A");
    let left = other.opens(&second.host);
    std::thread::sleep(LISTENS);

    assert_eq!(hall.refused(&["hall", "collect", "s", "--test", "test-1", "--key", "key", "--json"], 3), "hall-open");
    let status = hall.run(&["hall", "status", "s", "--test", "test-1", "--json"]);
    assert_eq!((status["visitors"].as_i64(), status["opened"].as_i64(), status["picks"].as_i64()), (Some(2), Some(5), Some(4)));
    hall.run(&["hall", "close", "s", "--test", "test-1", "--json"]);
    let late = other.ask(&second.host, "POST", &format!("/trials/{}/pick", left["trial"].as_str().unwrap()), &picked(&left, "A"));
    assert_eq!(late.unwrap().is(409).json()["phase"], "closed");
    collected(&hall, &receipts);
    assert_eq!(second.ends(), Some(0));
}

fn collected(hall: &Hall, receipts: &[Value]) {
    std::fs::write(hall.folder.join("other"), format!("{}\n", "00".repeat(32))).unwrap();
    let collect = |key: &'static str| ["hall", "collect", "s", "--test", "test-1", "--key", key, "--json"];
    assert_eq!(hall.refused(&collect("other"), 4), "hall-wrong-key");
    assert_eq!(hall.refused(&collect("nowhere"), 4), "hall-no-key");
    let doc = hall.run(&collect("key"));
    assert_eq!((doc["visitors"].as_u64(), doc["trials"].as_u64(), doc["picks"].as_u64()), (Some(2), Some(5), Some(4)));
    let again = hall.run(&collect("key"));
    assert_eq!((&again["again"], &again["sha256"]), (&Value::from(true), &doc["sha256"]));

    let score = hall.run(&["score", "s", "--json"]);
    assert!(score["tests"].as_array().unwrap().is_empty(), "an audience is never a panel's test");
    let audience = &score["audience"][0];
    assert_eq!((audience["verdict"].as_str(), audience["visitors"].as_u64()), (Some("audience"), Some(2)));
    // Two visitors of three trials: what one of them left counts as wrong.
    assert_eq!((audience["trials"].as_u64(), audience["unanswered"].as_u64()), (Some(6), Some(2)));
    let p = cabjury::stats::binomial::upper_tail(audience["correct"].as_u64().unwrap(), 6, 0.5);
    assert!((audience["p_value"].as_f64().unwrap() - p).abs() < 1e-12);
    let sentence = audience["sentence"].as_str().unwrap();
    assert!(sentence.starts_with("Audience: ") && sentence.contains("never added to one"), "{sentence}");
    assert!(audience["not_guarded"].as_array().unwrap().len() >= 5);

    std::fs::write(hall.folder.join("receipt.json"), serde_json::to_string(receipts).unwrap()).unwrap();
    let audit = hall.run(&["audit", "s", "--receipts", "receipt.json", "--json"]);
    assert_eq!(audit["ok"], true, "{audit}");
    hall.run(&["report", "s", "--out", "report.html"]);
    assert!(std::fs::read_to_string(hall.folder.join("report.html")).unwrap().contains("never added to one"));

    // An answer that is changed in the file is noticed.
    let file = hall.folder.join("s").join(doc["file"].as_str().unwrap());
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replacen("\"choice\":\"A\"", "\"choice\":\"B\"", 1)).unwrap();
    let audit = hall.folder.run(&["audit", "s", "--json"]).ends(4).json();
    assert!(audit["problems"].to_string().contains("test-1"), "{audit}");
    assert!(hall.run(&["score", "s", "--json"])["audience"][0]["void_reason"].is_string());
    assert_eq!(hall.refused(&collect("key"), 3), "hall-collected");
}

#[test]
fn the_unit_is_one_that_systemd_takes() {
    let unit = include_str!("../../../sessions/hall.service");
    // Where there is no systemd (a container, another system), what the unit says of the program can still be held against it.
    let folder = crate::program::Desk::new();
    let here = unit.replace("/usr/bin/cabjury", env!("CARGO_BIN_EXE_cabjury"));
    std::fs::write(folder.join("hall.service"), &here).unwrap();
    let start = unit.lines().find_map(|l| l.strip_prefix("ExecStart=/usr/bin/cabjury ")).unwrap();
    // Every option that it names is one of the program's: what is missing is the key alone.
    let args: Vec<&str> = start.split(' ').chain(["--json", "--database", "postgres://nobody@/none"]).collect();
    let said = folder.run(&args);
    assert_eq!((said.code, said.json()["error"]["kind"].as_str()), (4, Some("hall-no-key")));
    let verified = std::process::Command::new("systemd-analyze").arg("verify").arg(folder.join("hall.service")).output();
    if let Ok(verified) = verified {
        let said = String::from_utf8_lossy(&verified.stderr);
        assert!(verified.status.success() && !said.contains("hall.service"), "{said}");
    }
}
