//! Many listeners at once: every pick that was acknowledged is in the session, and none twice.

use super::support::{PORT, asked, hears, send};
use crate::program::Desk as Folder;
use crate::trial_support::played_session;
use cabjury::model::ids::ListenerCode;
use cabjury::model::outside::SystemClock;
use cabjury::testing::desk::Desk;
use cabjury::web::App;

static CLOCK: SystemClock = SystemClock;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_hundred_listeners_at_once_lose_nothing() {
    let folder = Folder::new();
    played_session(&folder, 3);
    folder.run(&["plan", "s", "--compare", "one,two", "--trials", "3", "--listeners", "200"]).ends(0);
    let desk = Desk::open(&folder.join("s"), &CLOCK).unwrap();
    let test = cabjury::model::ids::TestId::new("test-2").unwrap();
    let mut codes = Vec::new();
    for n in 0..200 {
        let who = ListenerCode::new(&format!("p{n}")).unwrap();
        codes.push(desk.wait(|desk, done| desk.invite(Some(test.clone()), who, done)).unwrap());
    }
    let app = App::new(desk, "k".to_owned(), std::net::SocketAddr::from(([127, 0, 0, 1], PORT)), false, &CLOCK);
    let listeners: Vec<_> = codes
        .into_iter()
        .map(|code| {
            let app = app.clone();
            tokio::spawn(async move {
                for _ in 0..3 {
                    let trial = send(&app, asked("POST", &format!("/api/l/{code}/trials"), None, "")).await.is(201).json();
                    hears(&app, &trial).await;
                    let path = format!("/api/l/{code}/trials/{}/pick", trial["trial"].as_str().unwrap());
                    // Sent twice, as over a bad line.
                    for _ in 0..2 {
                        send(&app, asked("POST", &path, Some("application/json"), r#"{"choice":"A"}"#)).await.is(200);
                    }
                }
            })
        })
        .collect();
    for listener in listeners {
        listener.await.unwrap();
    }
    app.desk.stop();
    let score = folder.run(&["score", "s", "--test", "test-2", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["done"], 600);
    assert_eq!(score["tests"][0]["closed"], true);
    assert_eq!(score["tests"][0]["listeners"].as_array().unwrap().len(), 200);
    assert_eq!(folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
