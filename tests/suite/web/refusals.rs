//! Every refusal of the contract, and that a pick is taken once.

use super::support::{asked, cookie, host, house, open};
use axum::body::Body;
use axum::http::Request;
use serde_json::json;

#[tokio::test]
async fn a_trial_goes_from_ready_to_done_and_each_pick_is_taken_once() {
    let h = house(2);
    let seat = h.get(&h.at("")).await.is(200).json();
    assert_eq!((seat["phase"].as_str(), seat["planned"].as_u64(), seat["done"].as_u64()), (Some("ready"), Some(2), Some(0)));
    assert_eq!(seat["question"], "Which is X: A or B?");
    assert!(seat["open_trial"].is_null());
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    assert_eq!(trial["number"], 1);
    assert_eq!(trial["commitment_sha256"].as_str().unwrap().len(), 64);
    assert_eq!(trial["choices"], json!(["A", "B"]));
    // While one is open: the same one again, by both addresses.
    let again = h.post(&h.at("/trials"), "").await.is(409).json();
    assert_eq!(again["open_trial"], trial);
    assert_eq!(again["trial"], trial["trial"]);
    let seat = h.get(&h.at("")).await.is(200).json();
    assert_eq!((&seat["open_trial"], seat["phase"].as_str()), (&trial, Some("trial")));
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.post(&pick, r#"{"choice":"C","confidence":null,"remark":null}"#).await.is(422);
    h.post(&pick, r#"{"choice":7}"#).await.is(422);
    h.post(&pick, r#"{"choice":"A","confidence":101}"#).await.is(422);
    h.post(&pick, r#"{"confidence":1}"#).await.is(422);
    h.post(&pick, "{").await.is(400);
    h.hears(&trial).await;
    let taken = h.post(&pick, r#"{"choice":"A","confidence":70,"remark":"bright"}"#).await.is(200).json();
    assert_eq!((taken["done"].as_u64(), taken["phase"].as_str()), (Some(1), Some("ready")));
    // The receipt of a pick is the same however often it is sent.
    let again = h.post(&pick, r#"{"choice":"A","confidence":70,"remark":"bright"}"#).await.is(200).json();
    let receipt = &taken["receipt"];
    assert_eq!(&again["receipt"], receipt);
    assert_eq!((&receipt["trial"], &receipt["commitment_sha256"]), (&trial["trial"], &trial["commitment_sha256"]));
    assert_eq!(receipt["test"], "test-1");
    let other = h.post(&pick, r#"{"choice":"B","confidence":70,"remark":"bright"}"#).await.is(409).json();
    assert!(other["open_trial"].is_null());
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.hears(&trial).await;
    let last = h.post(&pick, r#"{"choice":"B"}"#).await.is(200).json();
    assert_ne!(last["receipt"]["head_sha256"], receipt["head_sha256"]);
    // The only planned listener is through: the test has closed by itself.
    let over = h.post(&h.at("/trials"), "").await.is(409).json();
    assert_eq!((over["phase"].as_str(), over["open_trial"].is_null()), (Some("closed"), true));
    h.app.desk.stop();
    let audit = h.folder.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!(audit["ok"], true);
    // Each head is one that the chain went through.
    let mut hashes = Vec::new();
    let session = cabjury::store::Session::open_read(&h.folder.join("s")).unwrap();
    session.each_entry(&mut |entry| hashes.push((entry.hash.to_owned(), entry.what.to_owned()))).unwrap();
    for given in [receipt, &last["receipt"]] {
        let found = hashes.iter().find(|(hash, _)| given["head_sha256"] == hash.as_str());
        assert_eq!(found.map(|f| f.1.as_str()), Some("pick"), "{given}");
    }
    let score = h.folder.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["done"], 2);
}

#[tokio::test]
async fn strangers_hosts_origins_and_kinds_are_refused() {
    let h = house(2);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    let good = r#"{"choice":"A"}"#;
    h.send(asked("POST", &pick, None, good)).await.is(415);
    h.send(asked("POST", &pick, Some("text/plain"), good)).await.is(415);
    h.post(&pick, &format!(r#"{{"choice":"A","remark":"{}"}}"#, "x".repeat(70_000))).await.is(413);
    for (method, path) in [("PUT", h.at("")), ("GET", h.at("/trials")), ("GET", pick.clone()), ("DELETE", pick.clone())] {
        h.send(asked(method, &path, None, "")).await.is(405);
    }
    for path in
        ["/api/l/00000000000000000000000000000000", "/l/00000000000000000000000000000000", "/l/..%2f", "/api/none", "/none"]
    {
        h.get(path).await.is(404);
    }
    let none = "00000000000000000000000000000000";
    let slot = |label: &str| h.at(&format!("/trials/{}/slots/{label}", trial["trial"].as_str().unwrap()));
    for (answer, kind) in [
        (h.post(&format!("/api/l/{none}/trials"), "").await, "no-invitation"),
        (h.post(&h.at(&format!("/trials/{none}/pick")), good).await, "no-trial"),
        (h.get(&h.at(&format!("/trials/{none}/slots/A"))).await, "no-slot"),
        (h.get(&slot("C")).await, "no-slot"),
    ] {
        assert_eq!(answer.is(404).json()["error"]["kind"], kind);
    }
    for name in ["evil.example:4711", "127.0.0.1:80", "127.0.0.1", "127.0.0.1.evil.example:4711", "192.168.1.5:4711"] {
        let request = Request::get(h.at("")).header("host", name).body(Body::empty()).unwrap();
        h.send(request).await.is(421);
    }
    h.send(Request::get(h.at("")).body(Body::empty()).unwrap()).await.is(421);
    for name in [host(), "localhost:4711".to_owned(), "[::1]:4711".to_owned()] {
        h.send(Request::get(h.at("")).header("host", name).body(Body::empty()).unwrap()).await.is(200);
    }
    let cross = |name: &str, value: &str| {
        Request::post(h.at("/trials")).header("host", host()).header(name, value).body(Body::empty()).unwrap()
    };
    h.send(cross("origin", "http://evil.example")).await.is(403);
    h.send(cross("origin", "null")).await.is(403);
    h.send(cross("sec-fetch-site", "cross-site")).await.is(403);
    h.send(cross("origin", &format!("http://{}", host()))).await.is(409);
    // Nothing of all that touched the trial.
    h.hears(&trial).await;
    h.post(&pick, good).await.is(200);
}

/// The seat's rule on the server: no client can pick what it never fetched, and none what it says it did not hear.
#[tokio::test]
async fn a_pick_before_every_slot_was_heard_is_refused() {
    let h = house(3);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    let slot = |n: usize| trial["slots"][n]["audio"].as_str().unwrap().to_owned();
    let good = r#"{"choice":"A"}"#;
    let refused = |said: serde_json::Value, label: &str| {
        assert_eq!(said["error"]["kind"], "not-heard");
        assert!(said["error"]["message"].as_str().unwrap().contains(label), "{said}");
    };
    refused(h.post(&pick, good).await.is(422).json(), "A, B, X");
    h.get(&slot(0)).await.is(200);
    h.get(&slot(2)).await.is(200);
    // A head without a body is no sound.
    h.send(asked("HEAD", &slot(1), None, "")).await;
    refused(h.post(&pick, good).await.is(422).json(), "B has");
    h.get(&slot(1)).await.is(200);
    let heard = |a: u64, b: Option<u64>, x: u64| {
        let one = |label: &str, ms: u64| json!({ "label": label, "times": 1, "ms": ms });
        let heard: Vec<_> = [Some(one("A", a)), b.map(|b| one("B", b)), Some(one("X", x))].into_iter().flatten().collect();
        json!({ "choice": "A", "heard": heard }).to_string()
    };
    refused(h.post(&pick, &heard(300, Some(299), 4000)).await.is(422).json(), "B has");
    // Who reports has to report every slot.
    refused(h.post(&pick, &heard(300, None, 4000)).await.is(422).json(), "B has");
    refused(h.post(&pick, &heard(0, Some(300), 0)).await.is(422).json(), "A, X have");
    h.post(&pick, &heard(300, Some(300), 300)).await.is(200);
    // Once taken, the same pick is the same pick, whatever is said of hearing it.
    h.post(&pick, good).await.is(200);
    // A client that does not measure: fetched whole is enough, and was heard of the trial before is nothing now.
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    refused(h.post(&pick, good).await.is(422).json(), "A, B, X");
    h.hears(&trial).await;
    h.post(&pick, good).await.is(200);
}

#[tokio::test]
async fn one_listeners_code_opens_nothing_of_anothers() {
    let h = house(2);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let id = trial["trial"].as_str().unwrap().to_owned();
    h.folder.run(&["plan", "s", "--compare", "one,two", "--trials", "2"]).ends(1);
    h.app.desk.stop();
    h.folder.run(&["plan", "s", "--compare", "one,two", "--trials", "2"]).ends(0);
    drop(h.app.clone());
    let desk = cabjury::testing::desk::Desk::open(&h.folder.join("s"), &cabjury::model::outside::SystemClock).unwrap();
    let test = cabjury::model::ids::TestId::new("test-2").unwrap();
    let bob = cabjury::model::ids::ListenerCode::new("bob").unwrap();
    let code = desk.wait(|desk, done| desk.invite(Some(test), bob, done)).unwrap();
    assert_ne!(code, h.code);
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], super::support::PORT));
    let app = cabjury::web::App::new(desk, super::support::KEY.to_owned(), address, false, &cabjury::model::outside::SystemClock);
    let send =
        |path: String, body: &'static str| super::support::send(&app, asked("POST", &path, Some("application/json"), body));
    send(format!("/api/l/{code}/trials/{id}/pick"), r#"{"choice":"A"}"#).await.is(404);
    super::support::send(&app, asked("GET", &format!("/api/l/{code}/trials/{id}/slots/A"), None, "")).await.is(404);
    // The desk was closed in between: that trial is void, and its own listener is told so.
    let late = send(format!("/api/l/{}/trials/{id}/pick", h.code), r#"{"choice":"A"}"#).await.is(409).json();
    assert_eq!((late["phase"].as_str(), late["open_trial"].is_null()), (Some("ready"), true));
}

#[tokio::test]
async fn an_invitation_stays_the_same_after_a_restart_and_listen_waits_its_turn() {
    let h = house(4);
    h.post(&h.at("/trials"), "").await.is(201);
    // Another program wants the session while a trial is open: it gets a clear message.
    let said = h.folder.run(&["listen", "s", "--listener", "bob", "--plain", "--device", "silent", "--json"]).ends(1).json();
    assert_eq!(said["error"]["kind"], "session-locked");
    h.app.desk.stop();
    let (app, code) = open(&h.folder, "ann");
    assert_eq!(code, h.code);
    // Without a trial open, the lock is given back after a moment.
    let patience = std::time::Instant::now();
    while h.folder.run(&["meter", "s", "A + B", "OL"]).code == 1 {
        assert!(patience.elapsed() < std::time::Duration::from_secs(60), "the session is never given back");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    h.folder.run(&["meter", "s", "A + B", "OL"]).ends(3);
    h.folder.run(&["check", "s"]).ends(0);
    // And the other way round: while another program has it, looking still works, a trial is refused in plain words.
    let lock = std::fs::OpenOptions::new().write(true).open(h.folder.join("s/session.lock")).unwrap();
    lock.try_lock().unwrap();
    super::support::send(&app, asked("GET", &format!("/api/l/{code}"), None, "")).await.is(200);
    let refused = super::support::send(&app, asked("POST", &format!("/api/l/{code}/trials"), None, "")).await.is(503).json();
    assert!(refused["error"]["message"].as_str().unwrap().contains("in use by another program"));
    drop(lock);
    super::support::send(&app, asked("POST", &format!("/api/l/{code}/trials"), None, "")).await.is(201);
}

#[tokio::test]
async fn the_engineers_pages_need_the_key_and_get_a_cookie() {
    let h = house(2);
    for path in ["/", "/runsheet", "/takes", "/clips", "/tests", "/results", "/log", "/report", "/audit", "/progress"] {
        h.get(path).await.is(403);
    }
    for path in ["/plan", "/close", "/invite", "/match", "/takes/upload?name=x"] {
        h.post(path, "").await.is(403);
    }
    // A listener's page opens nothing of the engineer's.
    let with_code = Request::get("/").header("host", host()).header("cookie", format!("cabjury-4711={}", h.code));
    h.send(with_code.body(Body::empty()).unwrap()).await.is(403);
    h.get("/?key=wrong").await.is(403);
    let let_in = h.get(&format!("/?key={}", super::support::KEY)).await.is(303);
    let set = let_in.headers["set-cookie"].to_str().unwrap();
    let (pair, rest) = set.split_once(';').unwrap();
    assert_eq!(rest, " HttpOnly; SameSite=Strict; Path=/");
    // A token of this browser's own; the key is in no cookie, and is none.
    assert!(!set.contains(super::support::KEY), "{set}");
    let again = h.get(&format!("/?key={}", super::support::KEY)).await.is(303);
    assert_ne!(again.headers["set-cookie"], set);
    let with = |cookie: String| Request::get("/").header("host", host()).header("cookie", cookie).body(Body::empty()).unwrap();
    h.send(with(pair.to_owned())).await.is(200);
    h.send(with(format!("cabjury-4711={}", super::support::KEY))).await.is(403);
    assert_eq!(let_in.headers["location"], "/");
    let foreign =
        Request::post("/close").header("host", host()).header("cookie", cookie(&h.app)).header("origin", "http://evil.example");
    h.send(foreign.body(Body::empty()).unwrap()).await.is(403);
    for _ in 0..40 {
        h.get("/?key=00000000000000000000000000000000").await;
    }
    h.get("/?key=00000000000000000000000000000000").await.is(429);
    // The right key still opens: nobody can lock the engineer out.
    h.get(&format!("/?key={}", super::support::KEY)).await.is(303);
}

#[tokio::test]
async fn too_many_downloads_are_slowed_down() {
    let h = house(2);
    let mut last = 0;
    for _ in 0..=cabjury::web::guard::DOWNLOADS {
        last = h.get(&h.at("/trials/0/slots/A")).await.status.as_u16();
    }
    assert_eq!(last, 429);
}
