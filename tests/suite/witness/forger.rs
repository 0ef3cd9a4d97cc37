//! The forger who owns the folder: turns wrong answers into right ones in every record, in the log and in the frozen result, and makes the
//! chain anew. The session verifies; what lies outside shows it.

use super::played::{Evening, answers, places};
use super::timestamps::{Authority, P_256};
use crate::store::unguarded::Unguarded;
use cabjury::model::ids::TestId;
use cabjury::store::Session;
use cabjury::store::log::{GENESIS, entry_hash};
use cabjury::verdict::closing::recompute;
use proptest::prelude::*;
use rusqlite::Connection;
use serde_json::Value;
use std::path::Path;

/// An entry of the log.
#[derive(Debug, Clone)]
struct Entry {
    at: String,
    what: String,
    subject: String,
    body: String,
}

/// A session's file in a forger's hands.
struct Opened(Unguarded);

impl Opened {
    fn new(folder: &Path) -> Self {
        Self(Unguarded::new(Connection::open(folder.join("session.db")).unwrap()))
    }

    fn log(&self) -> Vec<Entry> {
        let mut statement = self.0.prepare("SELECT at, what, subject, body FROM log ORDER BY seq").unwrap();
        let entry = |r: &rusqlite::Row<'_>| Ok(Entry { at: r.get(0)?, what: r.get(1)?, subject: r.get(2)?, body: r.get(3)? });
        statement.query_map([], entry).unwrap().map(Result::unwrap).collect()
    }

    /// Writes the log with its chain anew.
    fn write(&self, entries: &[Entry]) {
        self.0.execute_batch("BEGIN; DELETE FROM log").unwrap();
        let mut head = GENESIS.to_owned();
        for (seq, e) in (1i64..).zip(entries) {
            head = entry_hash(&head, seq, &e.at, &e.what, &e.subject, &e.body);
            let row = (seq, &e.at, &e.what, &e.subject, &e.body, &head);
            self.0.execute("INSERT INTO log VALUES (?1, ?2, ?3, ?4, ?5, ?6)", row).unwrap();
        }
        self.0.execute_batch("COMMIT").unwrap();
    }
}

/// Makes every answer right. Returns how many were not.
fn forge(folder: &Path) -> usize {
    let opened = Opened::new(folder);
    let (mut log, mut changed) = (opened.log(), 0);
    for entry in log.iter_mut().filter(|e| e.what == "pick") {
        let mut trial: Value = serde_json::from_str(&entry.body).unwrap();
        let state = &mut trial["state"];
        if state["right"] != false {
            continue;
        }
        // As text, so that keys stay in their order.
        let (wrong, right) = (state["answer"]["choice"].as_str().unwrap(), state["order"]["right"].as_str().unwrap());
        let body = entry.body.replace(&format!("\"choice\":\"{wrong}\""), &format!("\"choice\":\"{right}\""));
        // The outcome is the last of both: the order says which choice is right before it.
        let at = body.rfind("\"right\":false").unwrap();
        entry.body = format!("{}\"right\":true{}", &body[..at], &body[at + "\"right\":false".len()..]);
        opened.0.execute("UPDATE trial SET record = ?2 WHERE id = ?1", (&entry.subject, &entry.body)).unwrap();
        changed += 1;
    }
    opened.write(&log);
    // The frozen result goes with it: the program itself computes the forged one.
    let test = TestId::new("test-1").unwrap();
    let result = serde_json::to_string(&recompute(&Session::open_read(folder).unwrap(), &test).unwrap()).unwrap();
    let old: String = opened.0.query_row("SELECT result FROM test", [], |r| r.get(0)).unwrap();
    for entry in log.iter_mut().filter(|e| e.what == "close") {
        assert!(entry.body.contains(&old));
        entry.body = entry.body.replace(&old, &result);
    }
    opened.0.execute("UPDATE test SET result = ?1", [&result]).unwrap();
    opened.write(&log);
    changed
}

fn forged() -> Evening {
    let evening = Evening::new();
    evening.copy("s", "f");
    assert!(forge(&evening.desk.join("f")) > 0);
    let right = |folder: &str| {
        let doc = evening.desk.run(&["score", folder, "--json"]).ends(0).json();
        (doc["tests"][0]["correct"].as_u64().unwrap(), doc["tests"][0]["trials"].as_u64().unwrap())
    };
    assert_eq!(right("f"), (24, 24), "every answer is right now");
    assert!(right("s").0 < 24);
    evening
}

#[test]
fn without_a_witness_a_whole_forgery_verifies_and_is_called_unwitnessed() {
    let evening = forged();
    for folder in ["s", "f"] {
        let doc = evening.audit(0, &[folder]);
        assert_eq!(doc["ok"], true, "{doc:#}");
        let sentence = doc["witnesses"]["sentence"].as_str().unwrap();
        assert!(sentence.starts_with("Unwitnessed: engineer and listener could have been one"), "{sentence}");
        assert_eq!(doc["witnesses"]["tests"][0]["witnessed"], false);
        let page = evening.desk.run(&["report", folder, "--out", &format!("{folder}.md")]).ends(0);
        assert!(page.err.is_empty(), "{}", page.err);
        let text = std::fs::read_to_string(evening.desk.join(&format!("{folder}.md"))).unwrap();
        assert!(text.contains("Unwitnessed: engineer and listener could have been one"));
    }
}

#[test]
fn receipts_tell_the_forged_session_from_the_true_one() {
    let evening = forged();
    let doc = evening.audit(0, &["s", "--receipts", evening.receipt(0)]);
    let test = &doc["witnesses"]["tests"][0];
    assert_eq!((&test["listeners"], &test["with_receipts"]), (&2.into(), &1.into()));
    assert_eq!(test["sentence"], "Who vouches: 1 of 2 listeners holds a receipt that fits.");
    let doc = evening.audit(0, &["s", "--receipts", evening.receipt(0), evening.receipt(1)]);
    assert_eq!(doc["witnesses"]["tests"][0]["sentence"], "Who vouches: 2 of 2 listeners hold receipts that fit.");
    assert_eq!(doc["witnesses"]["receipts"][0]["listener"], "ann");
    // One receipt of the two is enough.
    for n in 0..2 {
        let doc = evening.audit(4, &["f", "--receipts", evening.receipt(n)]);
        let found = places(&doc);
        assert!(!found.is_empty() && found.iter().all(|p| p.starts_with(evening.receipt(n))), "{found:?}");
        assert!(doc["problems"][0]["what"].as_str().unwrap().contains("another head"), "{doc:#}");
        assert_eq!(doc["witnesses"]["receipts"][0]["fits"], false);
        assert!(!doc["witnesses"]["tests"][0]["sentence"].as_str().unwrap().contains("that fit"));
    }
    // A receipt of another session, and something that is none.
    std::fs::write(evening.desk.join("letter.json"), "{}").unwrap();
    std::fs::write(evening.desk.join("newer.json"), "{\"format\":\"cabjury receipt 9\"}").unwrap();
    std::fs::write(evening.desk.join("long.json"), " ".repeat(9 << 20)).unwrap();
    for (file, kind) in
        [("letter", "not-a-receipt"), ("newer", "newer-receipt"), ("long", "too-large"), ("nowhere", "unreadable")]
    {
        let said = evening.audit(4, &["s", "--receipts", &format!("{file}.json")]);
        assert_eq!(said["error"]["kind"], kind, "{said:#}");
        assert!(said["error"]["path"].as_str().unwrap().ends_with(&format!("{file}.json")), "{said:#}");
    }
    let other = Evening::new();
    let doc = other.audit(4, &["s", "--receipts", evening.receipt(0)]);
    assert!(doc["problems"][0]["what"].as_str().unwrap().contains("another session"), "{doc:#}");
}

#[test]
fn a_published_head_tells_them_apart_as_far_as_it_reaches() {
    let evening = forged();
    // The whole line, or its digits alone.
    for given in [evening.after.as_str(), evening.after.split(' ').next_back().unwrap()] {
        let doc = evening.audit(0, &["s", "--published", given]);
        let found = &doc["witnesses"]["published"];
        assert!(found["entry"].is_i64() && found["at"].is_string(), "{doc:#}");
        assert_eq!((&found["covers"][0]["answers"], &found["covers"][0]["of"]), (&24.into(), &24.into()));
        let doc = evening.audit(4, &["f", "--published", given]);
        assert!(places(&doc)[0].starts_with("published "), "{doc:#}");
        assert!(doc["witnesses"]["published"]["entry"].is_null());
    }
    // What was published before the first trial vouches for the plan, in both, and says no more.
    for folder in ["s", "f"] {
        let doc = evening.audit(0, &[folder, "--published", &evening.before]);
        assert_eq!(doc["witnesses"]["published"]["covers"][0]["answers"], 0);
        let sentence = doc["witnesses"]["tests"][0]["sentence"].as_str().unwrap();
        assert!(sentence.contains("its sealed plan, before the first answer, lies in the published"), "{sentence}");
    }
    evening.desk.run(&["audit", "s", "--published", "not-hex"]).ends(2);
}

#[test]
fn a_time_stamp_tells_them_apart_and_is_kept() {
    let evening = forged();
    let authority = Authority::new(P_256, "sha256", "critical,timeStamping");
    let doc = evening.audit(0, &["s", "--timestamp-query", "head.tsq"]);
    assert_eq!(doc["timestamp_query"], "head.tsq");
    evening.desk.run(&["audit", "s", "--timestamp-query", "head.tsq"]).ends(3);
    let answer = authority.stamp(&std::fs::read(evening.desk.join("head.tsq")).unwrap());
    std::fs::write(evening.desk.join("head.tsr"), &answer).unwrap();
    std::fs::write(evening.desk.join("root.pem"), authority.pem("root.pem")).unwrap();
    // Nothing is stamped of a session that does not verify.
    evening.copy("s", "b");
    Opened::new(&evening.desk.join("b")).0.execute_batch("UPDATE log SET hash = 'zz' WHERE seq = 3").unwrap();
    assert!(evening.audit(4, &["b", "--timestamp-query", "b.tsq"])["timestamp_query"].is_null());
    assert!(!evening.desk.join("b.tsq").exists());
    let with = ["--timestamp", "head.tsr", "--authority", "root.pem"];
    let doc = evening.audit(4, &[&["f"][..], &with].concat());
    assert_eq!(places(&doc), ["head.tsr"], "{doc:#}");
    assert!(doc["witnesses"]["timestamps"][0]["entry"].is_null());
    // Another authority's certificate, a file that is no answer, an answer with a byte changed.
    let other = Authority::new(P_256, "sha256", "critical,timeStamping");
    std::fs::write(evening.desk.join("other.pem"), other.pem("root.pem")).unwrap();
    assert_eq!(places(&evening.audit(4, &["s", "--timestamp", "head.tsr", "--authority", "other.pem"])), ["head.tsr"]);
    let error = |args: &[&str]| evening.audit(4, &[&["s"][..], args].concat())["error"]["kind"].clone();
    assert_eq!(error(&["--timestamp", "root.pem"]), "not-a-time-stamp");
    assert_eq!(error(&["--timestamp", "head.tsr", "--authority", "head.tsq"]), "not-certificates");
    let mut broken = answer;
    let last = broken.len() - 1;
    broken[last] ^= 1;
    std::fs::write(evening.desk.join("broken.tsr"), broken).unwrap();
    assert_eq!(places(&evening.audit(4, &["s", "--timestamp", "broken.tsr"])), ["broken.tsr"]);
    // It fits the true one, is kept there, and from then on every audit and report names it.
    let all = [&["audit", "s", "--json", "--receipts", evening.receipt(0)][..], &with].concat();
    let doc = evening.desk.run(&all).ends(0).json();
    assert_eq!((&doc["kept"], &doc["not_kept"]), (&2.into(), &Value::Null), "{doc:#}");
    let stamp = &doc["witnesses"]["timestamps"][0];
    assert_eq!((&stamp["nonce_fits"], &stamp["authority_checked"]), (&true.into(), &true.into()));
    assert_eq!(evening.desk.run(&all).ends(0).json()["kept"], 0, "a second time there is nothing new");
    let doc = evening.audit(0, &["s"]);
    let said = doc["witnesses"]["sentence"].as_str().unwrap();
    assert!(said.contains("stamped by CN=invented-authority at ") && said.contains("1 of 2 listeners holds a receipt"), "{said}");
    evening.desk.run(&["report", "s", "--out", "r.html"]).ends(0);
    let page = std::fs::read_to_string(evening.desk.join("r.html")).unwrap();
    assert!(page.contains("stamped by CN=invented-authority at "));
    // Another program's request for the same head: the stamp holds, and that is said.
    let head = evening.audit(0, &["s"])["head_sha256"].as_str().unwrap().to_owned();
    let request = cabjury::witness::timestamp::query(&cabjury::model::audio::Sha256Hex::parse(&head).unwrap(), [9; 8]).unwrap();
    std::fs::write(evening.desk.join("own.tsr"), authority.stamp(&request)).unwrap();
    let doc = evening.audit(0, &["s", "--timestamp", "own.tsr"]);
    let last = doc["witnesses"]["timestamps"].as_array().unwrap().last().unwrap();
    assert_eq!((&last["nonce_fits"], &last["authority_checked"]), (&false.into(), &false.into()), "{doc:#}");
}

#[test]
fn two_copies_tell_where_they_part() {
    let evening = forged();
    let doc = evening.audit(0, &["s", "f"]);
    let copies = &doc["copies"];
    assert_eq!((&copies["same_session"], &copies["shared_recordings"]), (&true.into(), &4.into()), "{doc:#}");
    assert_eq!(copies["here"]["what"], "pick");
    assert_eq!(copies["part_at"].as_u64().unwrap(), copies["shared_entries"].as_u64().unwrap() + 1);
    assert_eq!(copies["shared_seals"].as_array().unwrap().len(), 1);
    // Played on in one copy alone.
    evening.copy("s", "further");
    evening.desk.run(&["withdraw", "further", "--take", "t001", "--reason", "a test"]).ends(0);
    let copies = &evening.audit(0, &["s", "further"])["copies"];
    assert_eq!((&copies["part_at"], &copies["here"]), (&Value::Null, &Value::Null));
    assert_eq!(copies["there"]["what"], "withdraw");
    // Copies that were played apart from the same seal on, and a receipt of the one that is not shown.
    let other = crate::program::Desk::new();
    crate::trial_support::played_session(&other, 4);
    assert!(std::process::Command::new("cp").arg("-r").arg(other.join("s")).arg(other.join("t")).status().unwrap().success());
    let kept = other.join("kept.json");
    cabjury::testing::receipt::save(&kept, &answers(&other.join("s"), "ann", 100)).unwrap();
    answers(&other.join("t"), "ann", 100);
    let doc = other.run(&["audit", "s", "t", "--json"]).ends(0).json();
    assert_eq!(doc["copies"]["same_session"], true);
    assert!(doc["copies"]["sentence"].as_str().unwrap().contains("part at log entry"), "{doc:#}");
    other.run(&["audit", "s", "--receipts", "kept.json", "--keep-nothing"]).ends(0);
    other.run(&["audit", "t", "--receipts", "kept.json"]).ends(4);
    // Another session with the same recordings, and one with none of them.
    other.run(&["new", "u", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    let copies = &other.run(&["audit", "s", "u", "--json"]).ends(0).json()["copies"];
    assert_eq!((&copies["same_session"], &copies["shared_recordings"]), (&false.into(), &2.into()), "{copies:#}");
    other.run(&["audit", "s", "nowhere", "--json"]).ends(4);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// Any change of the log before a receipt's head is noticed with that receipt, also when the chain is made anew behind it; what lies behind
    /// the head is not vouched for.
    #[test]
    fn any_change_of_the_log_before_a_receipts_head_is_noticed(place in any::<prop::sample::Index>(), kind in 0..6, spot in any::<prop::sample::Index>()) {
        static EVENING: std::sync::OnceLock<Evening> = std::sync::OnceLock::new();
        let evening = EVENING.get_or_init(Evening::new);
        let to = tempfile::tempdir().unwrap();
        let folder = to.path().join("s");
        std::fs::create_dir(&folder).unwrap();
        {
            // One file, without what is still in its journal.
            let db = Connection::open(evening.desk.join("s/session.db")).unwrap();
            db.execute("VACUUM INTO ?1", [folder.join("session.db").to_str().unwrap()]).unwrap();
        }
        let opened = Opened::new(&folder);
        let mut log = opened.log();
        let at = place.index(log.len());
        let heads = |log: &[Entry]| {
            let mut head = GENESIS.to_owned();
            (1i64..).zip(log).map(|(seq, e)| { head = entry_hash(&head, seq, &e.at, &e.what, &e.subject, &e.body); (e.clone(), head.clone()) }).collect::<Vec<_>>()
        };
        let before = heads(&log);
        let change = |text: &mut String| {
            let mut chars: Vec<char> = text.chars().collect();
            if chars.is_empty() { chars.push('x'); } else { let i = spot.index(chars.len()); chars[i] = if chars[i] == '1' { '2' } else { '1' }; }
            *text = chars.into_iter().collect();
        };
        match kind {
            0 => change(&mut log[at].at),
            1 => change(&mut log[at].what),
            2 => change(&mut log[at].subject),
            3 => change(&mut log[at].body),
            4 => drop(log.remove(at)),
            _ => log.insert(at, log[at].clone()),
        }
        opened.write(&log);
        drop(opened);
        let asked = cabjury::verdict::asked::Asked {
            outside: cabjury::verdict::outside::Outside { receipts: evening.receipts.clone(), ..Default::default() },
            keep_nothing: true,
            ..Default::default()
        };
        let doc = cabjury::verdict::asked::audit_asked(&folder, &asked, &cabjury::model::outside::SystemClock).unwrap();
        for (n, path) in evening.receipts.iter().enumerate() {
            let who = ["ann", "bob"][n];
            let own = |e: &Entry| e.what == "pick" && e.body.contains(&format!("\"listener\":\"{who}\""));
            let last = before.iter().rposition(|(e, _)| own(e)).unwrap();
            let named = doc.audit.problems.iter().any(|p| p.place.starts_with(path.to_str().unwrap()));
            // A change in the log that comes to the same text is none.
            prop_assert_eq!(named, at <= last, "entry {} of {}, {}'s last pick is {}", at + 1, before.len(), who, last + 1);
        }
    }
}
