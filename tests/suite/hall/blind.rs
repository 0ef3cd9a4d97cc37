//! A program that tries to tell orders from what the database, the sounds and the answers show, and is shown to find what is planted.

use super::visitors::{Hall, LISTENS, ask};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// A trial as somebody sees it who reads the database and has no key: every column as bytes.
type Seen = Vec<Vec<u8>>;

/// Features of a row that could tell something: lengths, and each bit of each column's first bytes.
fn features(row: &Seen) -> Vec<bool> {
    let mut out = Vec::new();
    for column in row {
        out.extend((0..10).map(|bit| (column.len() >> bit) & 1 == 1));
        out.extend(
            (0..160)
                .flat_map(|at| (0..8).map(move |bit| (at, bit)))
                .map(|(at, bit)| column.get(at).is_some_and(|b| (b >> bit) & 1 == 1)),
        );
    }
    out
}

/// The feature that goes best with what is right, and how likely chance does as well in as many features (Bonferroni; the exact tail of a
/// fair coin).
fn best(rows: &[(Seen, bool)]) -> (usize, f64) {
    let all: Vec<Vec<bool>> = rows.iter().map(|r| features(&r.0)).collect();
    let n = rows.len() as u64;
    let count = all[0].len();
    let agreeing = |f: usize| all.iter().zip(rows).filter(|(x, r)| x[f] == r.1).count() as u64;
    let (place, most) = (0..count).map(|f| (f, agreeing(f).max(n - agreeing(f)))).max_by_key(|x| x.1).unwrap();
    (place, (2.0 * count as f64 * cabjury::stats::binomial::upper_tail(most, n, 0.5)).min(1.0))
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()).collect()
}

#[test]
fn the_database_the_sounds_and_the_answers_tell_no_order() {
    let hall = Hall::published(4);
    let replica = hall.replica();
    let host = replica.host.clone();
    let (test, folder) = (hall.test.clone(), hall.folder.join("sound"));
    let listening: Vec<_> = (0..14)
        .map(|_| {
            let (visitor, host) = (hall.visitor(&host), host.clone());
            std::thread::spawn(move || {
                let mut opened = Vec::new();
                for _ in 0..4 {
                    let trial = visitor.opens(&host);
                    std::thread::sleep(LISTENS);
                    visitor.picks(&host, &trial, "A").unwrap().is(200);
                    opened.push(trial);
                }
                opened
            })
        })
        .collect();
    let opened: Vec<Value> = listening.into_iter().flat_map(|l| l.join().unwrap()).collect();
    let dump = hall.cluster.dump();
    let text = "select encode(t.trial, 'hex'), encode(t.sealed, 'hex'), encode(t.commitment, 'hex') from hall_trials t";
    let rows = hall.cluster.sql(text);
    hall.run(&["hall", "close", "s", "--test", "test-1"]);
    let doc = hall.run(&["hall", "collect", "s", "--test", "test-1", "--key", "key", "--json"]);
    let file = std::fs::read_to_string(hall.folder.join("s").join(doc["file"].as_str().unwrap())).unwrap();
    let orders: BTreeMap<String, Value> = file
        .lines()
        .skip(1)
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .map(|t| (t["id"].as_str().unwrap().to_owned(), t["state"]["order"].clone()))
        .collect();
    assert_eq!(orders.len(), 56);

    // In the database: no feature of a row goes with the order. One that is planted is found.
    let mut known: Vec<(Seen, bool)> = rows
        .lines()
        .map(|l| {
            let columns: Vec<&str> = l.split('\t').collect();
            (columns.iter().map(|c| bytes(c)).collect(), orders[columns[0]]["right"] == "A")
        })
        .collect();
    assert!(known.iter().any(|k| k.1) && known.iter().any(|k| !k.1));
    let (_, p) = best(&known);
    assert!(p > 1e-4, "a feature of the rows tells the order: {p}");
    for (row, right) in &mut known {
        row[1][40] = (row[1][40] & !1) | u8::from(*right);
    }
    assert!(best(&known).1 < 1e-9, "a planted bit is found");
    assert_eq!(known.iter().map(|k| k.0[1].len()).collect::<BTreeSet<_>>().len(), 1, "every ciphertext is as long");
    // Nothing of the clips' names beyond the plan, and no sound's name beside a clip or a trial.
    for (trial, order) in &orders {
        let clips: Vec<&str> = order["slots"].as_array().unwrap().iter().map(|s| s["clip"].as_str().unwrap()).collect();
        let line = dump.lines().find(|l| l.contains(trial)).expect("the trial is in the dump");
        // As a text, and within the bytes of a column (random digits may spell a short name by themselves).
        let spelled = |c: &&str| {
            let hex: String = c.bytes().map(|b| format!("{b:02x}")).collect();
            line.contains(&format!("\"{c}\"")) || line.contains(&hex)
        };
        assert!(!clips.iter().any(spelled) && !line.contains("scored"), "{line}");
    }
    for trial in &opened {
        for slot in trial["slots"].as_array().unwrap() {
            let name = slot["audio"].as_str().unwrap().rsplit('/').next().unwrap().trim_end_matches(".wav").to_owned();
            let lines = dump.lines().filter(|l| l.contains(&name)).count();
            assert_eq!(lines, 1, "a sound's name stands in its own row and nowhere else");
        }
    }
    answers_tell_nothing(&host, &opened, &orders);
    one_face(&folder);
    assert!(
        !dump.contains(&std::fs::read_to_string(hall.folder.join("key")).unwrap().trim()[..16]),
        "the key is in the database"
    );
    let metrics = String::from_utf8(ask(&host, "GET", "/metrics", "", "").unwrap().body).unwrap();
    assert!(!metrics.contains(&test) && !metrics.contains("right") && !metrics.contains("correct"), "{metrics}");
}

/// Sounds of one trial are different files, even of one clip; heads and sizes are the same for all.
fn answers_tell_nothing(host: &str, opened: &[Value], orders: &BTreeMap<String, Value>) {
    let mut faces = BTreeSet::new();
    for trial in opened.iter().take(12) {
        let names: BTreeSet<&str> = trial["slots"].as_array().unwrap().iter().map(|s| s["audio"].as_str().unwrap()).collect();
        assert_eq!(names.len(), 3, "two slots of a trial have one sound: {}", orders[trial["trial"].as_str().unwrap()]);
        for name in names {
            let answer = ask(host, "GET", name, "", "").unwrap().is(200);
            let head: Vec<&str> = answer.head.lines().filter(|l| !l.starts_with("date: ")).collect();
            assert!(!answer.head.contains("last-modified") && !answer.head.contains("etag"), "{}", answer.head);
            faces.insert((head.join("\n"), answer.body.len(), answer.body[..44].to_vec()));
        }
    }
    assert_eq!(faces.len(), 1, "a sound's head or size tells it from others");
}

/// Files in the store differ in nothing but names and bytes.
fn one_face(folder: &std::path::Path) {
    let all: Vec<_> = std::fs::read_dir(folder).unwrap().flatten().collect();
    assert_eq!(all.len(), 17);
    let faces: BTreeSet<_> = all.iter().map(|e| e.metadata().unwrap()).map(|m| (m.len(), m.modified().unwrap())).collect();
    assert_eq!(faces.len(), 1, "sizes or times of the files tell clips apart");
    let bytes: BTreeSet<Vec<u8>> = all.iter().map(|e| std::fs::read(e.path()).unwrap()).collect();
    assert_eq!(bytes.len(), 17, "equal bytes would tell that two sounds are one clip");
}
