//! Hearing openly before a trial, and one's own count behind the end: neither says anything while a trial or a test is open.

use super::support::{House, house};
use serde_json::json;

async fn pick(h: &House, trial: &serde_json::Value) {
    h.hears(trial).await;
    let path = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.post(&path, &json!({ "choice": "A" }).to_string()).await.is(200);
}

/// Everything that the log says happened.
fn logged(h: &House, what: &str) -> usize {
    let path = h.folder.join("s/session.db");
    let db = rusqlite::Connection::open_with_flags(path, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    db.query_row("SELECT count(*) FROM log WHERE what = ?1", [what], |row| row.get::<_, i64>(0)).unwrap() as usize
}

#[tokio::test]
async fn training_is_before_a_trial_and_never_during_one() {
    let h = house(4);
    let noise = h.get(&h.at("/noise")).await.is(200);
    // Nothing can be fetched before the training was begun, for its beginning is logged.
    h.get(&h.at("/training/1")).await.is(404);
    let found = h.post(&h.at("/training"), "").await.is(200);
    let doc = found.json();
    let sounds = doc["sounds"].as_array().unwrap();
    assert!(sounds.len() >= 2, "{doc}");
    // This plan was sealed without names.
    assert!(sounds.iter().all(|s| s["name"].is_null()), "{doc}");
    assert!(!found.text().contains("one") && !found.text().contains("two"), "{doc}");
    assert_eq!(logged(&h, "training"), 1);
    h.post(&h.at("/training"), "").await.is(200);
    assert_eq!(logged(&h, "training"), 1, "once for a listener");
    let first = h.get(sounds[0]["audio"].as_str().unwrap()).await.is(200);
    assert_eq!((&first.headers["content-type"], first.body.len()), (&noise.headers["content-type"], noise.body.len()));
    for place in ["0", "99", "x", "-1"] {
        let answer = h.get(&h.at(&format!("/training/{place}"))).await;
        assert!(matches!(answer.status.as_u16(), 400 | 404), "{place}: {}", answer.status);
    }
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let refused = h.post(&h.at("/training"), "").await.is(409).json();
    assert_eq!(refused["error"]["kind"], "in-a-trial");
    h.get(sounds[0]["audio"].as_str().unwrap()).await.is(409);
    pick(&h, &trial).await;
    h.get(sounds[0]["audio"].as_str().unwrap()).await.is(200);
    h.post("/api/l/00000000000000000000000000000000/training", "").await.is(404);
}

#[tokio::test]
async fn ones_own_count_is_shown_behind_the_end_alone() {
    let h = house(2);
    for _ in 0..2 {
        let refused = h.get(&h.at("/result")).await.is(409).json();
        assert_eq!(refused["error"]["kind"], "not-closed");
        assert!(refused.get("own").is_none());
        let trial = h.post(&h.at("/trials"), "").await.is(201).json();
        pick(&h, &trial).await;
    }
    assert_eq!(h.get(&h.at("")).await.is(200).json()["phase"], "closed");
    let shown = h.get(&h.at("/result")).await.is(200).json();
    // The same as `score` says of this listener.
    let scored = cabjury::verdict::score::score(&h.folder.join("s"), None).unwrap();
    let listener = &scored.tests[0].result().unwrap().listeners[0];
    assert_eq!(shown["own"]["correct"], json!(listener.correct));
    assert_eq!(shown["own"]["trials"], json!(listener.trials));
    assert_eq!(shown["own"]["p_value"], json!(listener.p_value));
    h.get("/api/l/00000000000000000000000000000000/result").await.is(404);
}
