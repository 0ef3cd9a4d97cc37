//! The panel's board as data: who is invited, who is where, who left; and nothing that tells right or wrong.

use super::support::{House, asked, cookie, host, house};
use axum::body::Body;
use axum::http::Request;
use cabjury::web::router;
use http_body_util::BodyExt;
use serde_json::Value;
use std::time::Duration;
use tower::ServiceExt;

async fn ann(h: &House) -> Value {
    let panel = h.page("/desk/panel.json").await.is(200).json();
    let found = panel["tests"][0]["listeners"].as_array().unwrap().iter().find(|l| l["listener"] == "ann").unwrap().clone();
    found
}

#[tokio::test]
async fn the_board_follows_a_listener_and_tells_no_score() {
    let h = house(2);
    let before = ann(&h).await;
    assert_eq!((&before["state"], &before["here"]), (&Value::from("invited"), &Value::Null));
    assert!(before["link"].as_str().unwrap().ends_with(&format!("/l/{}", h.code)));
    let mut texts = Vec::new();
    let mut states = Vec::new();
    for choice in ["A", "B"] {
        let trial = h.post(&h.at("/trials"), "").await.is(201).json();
        states.push((ann(&h).await["state"].clone(), ann(&h).await["in_trial"].clone()));
        h.hears(&trial).await;
        let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
        h.post(&pick, &format!("{{\"choice\":\"{choice}\"}}")).await.is(200);
        states.push((ann(&h).await["state"].clone(), ann(&h).await["in_trial"].clone()));
        texts.push(h.page("/desk/panel.json").await.text());
    }
    let wanted = [("trial", Value::from(1)), ("ready", Value::Null), ("trial", Value::from(2)), ("done", Value::Null)]
        .map(|(s, n)| (Value::from(s), n));
    assert_eq!(states, wanted);
    let last = ann(&h).await;
    assert_eq!(
        (&last["done"], &last["planned"], &last["here"], &last["left"]),
        (&2.into(), &2.into(), &true.into(), &false.into())
    );
    for text in texts {
        for word in ["right", "wrong", "correct", "choice", "order", "score"] {
            assert!(!text.contains(word), "{word}: {text}");
        }
    }
}

#[tokio::test]
async fn the_board_is_the_engineers_alone() {
    let h = house(2);
    for path in ["/desk/panel.json", "/desk/panel/live"] {
        h.get(path).await.is(403);
    }
    h.get("/api/l/00000000000000000000000000000000/here").await.is(404);
}

async fn event(body: &mut Body) -> Value {
    let frame = tokio::time::timeout(Duration::from_secs(20), body.frame()).await.unwrap().unwrap().unwrap();
    let text = String::from_utf8(frame.into_data().unwrap().to_vec()).unwrap();
    let data = text.strip_prefix("data: ").unwrap_or_else(|| panic!("{text}"));
    serde_json::from_str(data.trim()).unwrap()
}

/// The page's stream is the presence: it opens, the board says so by itself; it ends, and the board knows.
#[tokio::test]
async fn the_live_board_sees_a_page_open_and_close() {
    let h = house(2);
    let request = Request::get("/desk/panel/live").header("host", host()).header("cookie", cookie(&h.app));
    let mut board = router(&h.app).oneshot(request.body(Body::empty()).unwrap()).await.unwrap().into_body();
    assert_eq!(event(&mut board).await["tests"][0]["listeners"][0]["here"], Value::Null);
    let mut page = router(&h.app).oneshot(asked("GET", &h.at("/here"), None, "")).await.unwrap().into_body();
    assert!(page.frame().await.unwrap().unwrap().into_data().unwrap().starts_with(b"data: here"));
    let opened = event(&mut board).await;
    assert_eq!(opened["tests"][0]["counts"]["here"], 1, "{opened}");
    h.post(&h.at("/trials"), "").await.is(201);
    let begun = event(&mut board).await;
    assert_eq!(
        (&begun["tests"][0]["counts"]["in_trial"], &begun["tests"][0]["counts"]["left"]),
        (&1.into(), &0.into()),
        "{begun}"
    );
    drop(page);
    // A reload comes back within seconds; who does not has left, in the middle of a trial.
    let left = loop {
        let said = event(&mut board).await;
        if said["tests"][0]["counts"]["left"] == 1 {
            break said;
        }
    };
    assert_eq!(left["tests"][0]["listeners"][0]["state"], "trial");
}
