//! The engineer's pages over a session: what they show, and that they show no order and no score of an open test.

use super::support::{House, cookie, host, house};
use axum::body::Body;
use axum::http::Request;
use cabjury::capture::runsheet::{self, PassDoc, RunsheetDoc};
use cabjury::model::session::Take;

async fn pages(h: &House) -> Vec<(&'static str, String)> {
    let mut out = Vec::new();
    for path in [
        "/",
        "/runsheet",
        "/takes",
        "/clips",
        "/tests",
        "/listeners",
        "/cards",
        "/results",
        "/publish",
        "/log",
        "/report",
        "/audit",
    ] {
        out.push((path, h.page(path).await.is(200).text()));
    }
    out
}

#[tokio::test]
async fn an_open_test_shows_progress_and_no_score() {
    let h = house(4);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.hears(&trial).await;
    h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
    h.post(&h.at("/trials"), "").await.is(201);
    for (path, text) in pages(&h).await {
        assert!(!text.contains(" right (chance") && !text.contains("\"right\""), "{path} tells a score");
        assert!(text.contains("<main"), "{path}");
    }
    let tests = h.page("/tests").await.text();
    assert!(tests.contains("1 trials answered") || tests.contains("1 trial answered"), "{tests}");
    assert!(tests.contains(&format!("/l/{}", h.code)));
    // What needs the session alone is refused in plain words while somebody listens, and nothing is lost.
    h.form("/runsheet", "takes=4").await.is(303);
    let said = h.page("/runsheet").await.text();
    assert!(said.contains("A listener is in the middle of a trial"), "{said}");
    // Nor is the test closed by the way.
    h.form("/close", "test=test-1").await.is(303);
    let asked = h.page("/listeners").await.text();
    assert!(asked.contains("Ann is in the middle of a trial, which is lost when test-1 is closed now"), "{asked}");
    assert!(h.get(&h.at("")).await.json()["phase"] == "trial");
    h.form("/close", "test=test-1&sure=yes").await.is(303);
    let results = h.page("/results").await.text();
    assert!(results.contains("test-1") && results.contains("of 1 answered"), "{results}");
    h.job("/match", "excerpt=whole").await;
    assert!(h.page("/clips").await.text().contains("clips were made"));
}

#[tokio::test]
async fn what_a_plan_could_find_is_shown_and_sealed() {
    let h = house(4);
    let fields = "with-one=yes&with-two=yes&method=abx&mic=main&trials=16&listeners=1&alpha=0.05&bound=0.3&same_file=8&repeat=6";
    let piece = h.form("/plan/what-if", fields).await.is(200).text();
    // 12 of 16: the published table's critical number (ISO 10399).
    assert!(piece.contains("<strong>12</strong>"), "{piece}");
    assert!(piece.contains("If 6 or fewer are right, the report may say"), "{piece}");
    let wrong = h.form("/plan/what-if", &fields.replace("trials=16", "trials=many")).await.is(200).text();
    assert!(wrong.contains("is not a whole number"), "{wrong}");
    h.form("/plan", fields).await.is(303);
    let text = h.page("/tests").await.text();
    assert!(text.contains("Sealed as test-2"), "{text}");
    h.form("/invite", "test=test-2&listener=bob").await.is(303);
    assert!(h.page("/tests").await.text().contains("bob has a link now."));
    h.form("/invite", "test=test-2&listener=not%2Fa%2Fname").await.is(303);
    assert!(h.page("/tests").await.text().contains("cannot be the name of a listener"));
    h.form("/plan", "%ff=1&a").await;
}

#[tokio::test]
async fn a_recording_is_streamed_in_and_its_name_is_never_a_path() {
    let h = house(4);
    h.app.desk.wait(|desk, done| desk.alone(|_| Ok(()), done)).unwrap();
    let wav = std::fs::read(h.folder.join("one-1.wav")).unwrap();
    let mut other = wav.clone();
    let last = other.len() - 3;
    other[last] ^= 1;
    let send = |query: String, bytes: Vec<u8>| {
        let request = Request::post(format!("/takes/upload?{query}"))
            .header("host", host())
            .header("cookie", cookie(&h.app))
            .body(Body::from(bytes))
            .unwrap();
        h.send(request)
    };
    let taken = send("name=..%2F..%2Fevil.wav&setup=one&mic=main&pass=9".to_owned(), other).await.is(200).json();
    assert_eq!((taken["takes"][0]["take"].as_str(), taken["takes"][0]["pass"].as_u64()), (Some("t005"), Some(9)));
    let records = cabjury::store::Session::open_read(&h.folder.join("s")).unwrap().takes().unwrap();
    assert_eq!(records.last().unwrap().original_name, "../../evil.wav");
    assert!(records.last().unwrap().path.starts_with("takes/"));
    let twice = send("name=again.wav&setup=one&mic=main&pass=10".to_owned(), wav).await.is(200).json();
    assert_eq!(twice["already"][0], "t001");
    assert!(twice["warnings"][0].as_str().unwrap().starts_with("again.wav is already"), "{twice}");
    let bad = send("name=notes.txt&setup=one&mic=main&pass=11".to_owned(), b"no sound".to_vec()).await;
    assert!(bad.status.is_client_error());
    assert!(bad.text().contains("notes.txt") && !bad.text().contains("incoming"), "{}", bad.text());
    send("name=x.wav&setup=three&mic=main".to_owned(), vec![1]).await;
    // A browser that goes away in the middle.
    let halves = [Ok(vec![1u8; 400]), Err(std::io::Error::other("gone"))];
    let broken = Request::post("/takes/upload?name=half.wav&setup=one&mic=main")
        .header("host", host())
        .header("cookie", cookie(&h.app))
        .body(Body::from_stream(futures_util::stream::iter(halves)))
        .unwrap();
    assert_eq!(h.send(broken).await.json()["error"]["kind"], "cut-off");
    assert!(!h.folder.join("s/incoming").exists(), "nothing is left of what came in");
    assert!(!h.folder.path().parent().unwrap().join("evil.wav").exists());
}

/// What was typed into a form with a fault in it is there again, and is gone once it was accepted; a rig is shown in its fields.
#[tokio::test]
async fn a_typo_loses_nothing_that_was_typed() {
    let h = house(4);
    let fields = "title=An+evening&question=Audible%3F&amp_label=head+1&amp_w=50&taps=4%2C+8%2C+16&driver1=A&ohm1=8x&w1=30&driver2=B&ohm2=8\
                  &setup1=one&network1=A+%2B+B&tap1=16&setup2=two&network2=A+%7C%7C+B&tap2=4&mics=main";
    h.form("/rig/fields", fields).await.is(303);
    let again = h.page("/").await.text();
    assert!(again.contains("is not a number"), "{again}");
    for value in ["An evening", "Audible?", "head 1", "50", "4, 8, 16", "8x", "A + B", "A || B", "main"] {
        assert!(again.contains(&format!("value=\"{value}\"")), "{value} was lost: {again}");
    }
    // A plan: the same.
    let plan = "with-one=yes&with-two=yes&method=triangle&trials=many&listeners=3&alpha=0.04&attribute=brighter";
    h.form("/plan", plan).await.is(303);
    let again = h.page("/tests").await.text();
    for value in ["many", "3", "0.04", "brighter"] {
        assert!(again.contains(&format!("value=\"{value}\"")), "{value} was lost");
    }
    assert!(again.contains("<option value=\"triangle\" selected>"), "{again}");
    // Every page says whose evening it is and how far it is.
    for (path, text) in pages(&h).await.into_iter().filter(|(path, _)| *path != "/report") {
        assert!(text.contains("class=\"session\"") && text.contains(">Verdict<"), "{path}");
    }
}

/// A row of the run sheet is ticked by takes of its own setup alone, whatever number a take of another one has.
#[tokio::test]
async fn a_pass_is_ticked_by_its_own_setup_alone() {
    let h = house(4);
    let takes = cabjury::store::Session::open_read(&h.folder.join("s")).unwrap().takes().unwrap();
    let of_own = |p: &PassDoc, t: &Take| t.setup.as_ref().is_some_and(|s| s.as_str() == p.setup);
    let count = |own: bool, sheet: &RunsheetDoc| -> usize {
        sheet.order.iter().map(|p| takes.iter().filter(|t| t.pass == p.pass && of_own(p, t) == own).count()).sum()
    };
    // Orders are drawn: one that by chance is that of the takes shows nothing, so another one is asked for.
    let mut sheets = Vec::new();
    for n in 0..40 {
        h.form("/runsheet", &format!("takes={}", 2 + n % 2)).await.is(303);
        sheets.push(runsheet::last(&h.folder.join("s"), 1).unwrap().unwrap());
        if count(false, &sheets[n]) > 0 {
            break;
        }
    }
    let sheet = sheets.last().unwrap();
    let page = h.page("/runsheet").await.is(200).text();
    let (fits, other) = (count(true, sheet), count(false, sheet));
    assert!(other > 0, "the session has a take of another setup under some pass");
    assert_eq!(page.matches("class=\"done\"").count() - page.matches("<li class=\"done\"><a").count(), fits);
    assert_eq!(page.matches("It ticks nothing here").count(), other);
}
