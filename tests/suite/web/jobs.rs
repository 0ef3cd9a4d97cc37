//! Long work beside the session: it runs once whatever the browser repeats, listeners go on meanwhile, and what is stopped leaves nothing.

use super::support::{House, cookie, host, house, open};
use crate::material;
use crate::program::Desk as Folder;
use axum::body::Body;
use axum::http::Request;
use cabjury::web::router;
use http_body_util::BodyExt;
use serde_json::Value;
use tower::ServiceExt;

/// Between two looks at a job: whoever looks without a pause takes the time that the job would have.
const PAUSE: std::time::Duration = std::time::Duration::from_millis(20);

/// Two setups of four takes each, long enough that matching them is work; one test is sealed, and one listener invited.
fn long_house(seconds: f64) -> House {
    let folder = Folder::new();
    let dry = material::riff(seconds, 48_000);
    for (setup, db) in [("one", 4.0), ("two", -4.0)] {
        for take in 0..4u64 {
            let wet = material::noisy(&material::peaking(&dry, 48_000, 900.0, 1.0, db), -60.0, take + 1);
            material::write_wav(&folder.join(&format!("{setup}{take}.wav")), 48_000, &wet);
        }
    }
    folder.run(&["new", "s", "one=one0.wav", "two=two0.wav"]).ends(0);
    for setup in ["one", "two"] {
        let files: Vec<String> = (1..4).map(|take| format!("{setup}{take}.wav")).collect();
        let mut args = vec!["take", "s"];
        args.extend(files.iter().map(String::as_str));
        args.extend(["--setup", setup]);
        folder.run(&args).ends(0);
    }
    folder.run(&["match", "s", "--excerpt", "part=1-5"]).ends(0);
    folder.run(&["plan", "s", "--compare", "one,two", "--trials", "60"]).ends(0);
    let (app, code) = open(&folder, "ann");
    House { folder, app, code }
}

impl House {
    /// Posts a form as a program does.
    async fn order(&self, path: &str, body: &str) -> Value {
        let request = Request::post(path)
            .header("host", host())
            .header("cookie", cookie(&self.app))
            .header("accept", "application/json")
            .header("content-type", "application/x-www-form-urlencoded");
        self.send(request.body(Body::from(body.to_owned())).unwrap()).await.is(202).json()
    }

    async fn state(&self, job: &Value) -> Value {
        self.page(&format!("/jobs/{}/state", job["job"].as_str().unwrap())).await.is(200).json()
    }

    fn clip_files(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.folder.join("s/clips")).unwrap();
        let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    fn runs(&self) -> usize {
        cabjury::testing::desk::records::read(&self.folder.join("s")).unwrap().runs.len()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn listeners_go_on_while_clips_are_made_and_the_job_runs_once() {
    let h = long_house(20.0);
    // A trial is open when the job begins, and stays so.
    let mut trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let (runs, form) = (h.runs(), "excerpt=whole&once=form-7");
    let job = h.order("/match", form).await;
    // What a browser does that was not answered in time.
    assert_eq!(h.order("/match", form).await["job"], job["job"]);
    let mut answered_meanwhile = 0;
    while !["done", "failed", "stopped"].contains(&h.state(&job).await["state"].as_str().unwrap()) {
        h.get(&h.at("")).await.is(200);
        tokio::time::sleep(PAUSE).await;
        // As many as a minute's downloads allow one listener.
        if answered_meanwhile < 30 {
            h.hears(&trial).await;
            let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
            h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
            trial = h.post(&h.at("/trials"), "").await.is(201).json();
            answered_meanwhile += 1;
        }
    }
    let over = h.state(&job).await;
    assert_eq!((&over["state"], &over["result"]["clips"]), (&"done".into(), &8.into()), "{over}");
    assert!(answered_meanwhile > 1, "no listener was answered while the job ran");
    // The trial that was open over the end of the job is as good as any.
    h.hears(&trial).await;
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.post(&pick, r#"{"choice":"B"}"#).await.is(200);
    // The browser's repeat may come when all is over: still the same job.
    assert_eq!(h.order("/match", form).await["job"], job["job"]);
    assert_eq!(h.runs(), runs + 1);
    assert_eq!(h.page("/jobs.json").await.json()["jobs"].as_array().unwrap().len(), 1);
    h.app.desk.stop();
    assert_eq!(h.folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stopped_job_leaves_nothing_half_and_the_next_one_runs() {
    let h = long_house(15.0);
    let (files, runs) = (h.clip_files(), h.runs());
    let first = h.order("/match", "excerpt=whole").await;
    let second = h.order("/check", "once=second").await;
    assert_ne!(first["job"], second["job"]);
    // A queue has an end: with the second, 32 wait.
    let mut others = Vec::new();
    for n in 0..31 {
        others.push(h.order("/check", &format!("once=waiting-{n}")).await);
    }
    let mut wav = std::fs::read(h.folder.join("one0.wav")).unwrap();
    // Another recording than the one that is there.
    *wav.last_mut().unwrap() ^= 1;
    let upload = Request::post("/takes/upload?name=a.wav&setup=one").header("host", host()).header("cookie", cookie(&h.app));
    let full = h.send(upload.body(Body::from(wav)).unwrap()).await.is(409).json();
    assert_eq!(full["error"]["kind"], "too-many-jobs");
    for other in &others {
        h.form(&format!("/jobs/{}/cancel", other["job"].as_str().unwrap()), "").await.is(303);
    }
    // The second waits for its turn and is taken back; the first is at work.
    h.form(&format!("/jobs/{}/cancel", second["job"].as_str().unwrap()), "").await.is(303);
    assert_eq!(h.state(&second).await["state"], "stopped");
    while h.state(&first).await["total"] == 0 {
        tokio::time::sleep(PAUSE).await;
    }
    h.form(&format!("/jobs/{}/cancel", first["job"].as_str().unwrap()), "").await.is(303);
    let over = h.over(&first).await;
    assert_eq!(over["state"], "stopped", "{over}");
    assert!(over["lines"][0].as_str().unwrap().contains("nothing of it was kept"), "{over}");
    assert_eq!((h.clip_files(), h.runs()), (files, runs));
    let checked = h.order("/check", "").await;
    let over = h.over(&checked).await;
    assert_eq!((&over["state"], &over["result"]["takes"]), (&"done".into(), &8.into()), "{over}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_job_has_a_live_page_and_says_on_the_next_one_what_came_of_it() {
    let h = house(4);
    let answer = h.form("/match", "excerpt=whole").await.is(303);
    let page = answer.headers["location"].to_str().unwrap().to_owned();
    assert_eq!(page, "/jobs/1");
    let request = Request::get(format!("{page}/live")).header("host", host()).header("cookie", cookie(&h.app));
    let body = router(&h.app).oneshot(request.body(Body::empty()).unwrap()).await.unwrap().into_body();
    // The stream ends by itself with the end of the job.
    let events = String::from_utf8(body.collect().await.unwrap().to_bytes().to_vec()).unwrap();
    let last = events.lines().rfind(|l| l.starts_with("data: ")).unwrap();
    let last: Value = serde_json::from_str(&last["data: ".len()..]).unwrap();
    assert_eq!(last["state"], "done", "{events}");
    assert_eq!(h.page(&page).await.is(303).headers["location"], "/clips");
    assert!(h.page("/clips").await.text().contains("clips were made"));
    assert!(!h.page("/takes").await.text().contains("clips were made"), "said twice");
    assert!(h.page(&page).await.is(200).text().contains("clips were made"), "it can be looked up");
    h.page("/jobs/9").await.is(404);
    for path in ["/jobs", "/jobs.json", "/jobs/1", "/jobs/1/state", "/jobs/1/live", "/published.json"] {
        h.get(path).await.is(403);
    }
}

/// The takes change while clips of them are made: nothing that is no longer true is kept.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_changed_meanwhile_is_not_kept_from() {
    let h = long_house(12.0);
    let (files, runs) = (h.clip_files(), h.runs());
    let job = h.order("/match", "excerpt=whole").await;
    while h.state(&job).await["total"] == 0 {
        tokio::time::sleep(PAUSE).await;
    }
    h.form("/withdraw", "take=t003&reason=a+bad+cable").await.is(303);
    let over = h.over(&job).await;
    assert_eq!((&over["state"], &over["result"]["error"]["kind"]), (&"failed".into(), &"changed-meanwhile".into()), "{over}");
    assert_eq!((h.clip_files(), h.runs()), (files, runs));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_recording_that_is_sent_twice_under_one_number_is_taken_in_once() {
    let h = house(4);
    h.post(&h.at("/trials"), "").await.is(201);
    let wav = std::fs::read(h.folder.join("one-1.wav")).unwrap();
    let send = |wav: Vec<u8>| {
        let request = Request::post("/takes/upload?name=a.wav&setup=one&pass=9&once=u-1")
            .header("host", host())
            .header("cookie", cookie(&h.app))
            .header("prefer", "respond-async");
        h.send(request.body(Body::from(wav)).unwrap())
    };
    // Another performance by one sample, so that it is no recording that is there already.
    let mut other = wav.clone();
    let last = other.len() - 1;
    other[last] ^= 1;
    let (first, again) = (send(other.clone()).await.is(202).json(), send(other).await.is(202).json());
    assert_eq!(first["job"], again["job"]);
    let over = h.over(&first).await;
    assert_eq!(over["result"]["takes"].as_array().map(Vec::len), Some(1), "a listener is in a trial, and it is taken in: {over}");
    assert!(!h.folder.join("s/incoming").exists(), "an upload was left behind");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_leaves_the_session_is_written_once_and_fetched() {
    let h = house(4);
    let jobs = [
        h.order("/publish/report", "").await,
        h.order("/publish/montage", "").await,
        h.order("/publish/bundle", "").await,
        h.order("/publish/montage", "blind=6").await,
        h.order("/publish/picture", "what-wirings=1&what-plots=1&size=1080x1080&theme=dark").await,
        h.order("/publish/audience", "flac=1&one_file=1&seconds=2&send_to=jury%40example.org").await,
    ];
    for job in &jobs {
        let over = h.over(job).await;
        assert_eq!(over["state"], "done", "{over}");
    }
    let listed = h.page("/published.json").await.is(200).json();
    let files: Vec<&str> = listed["files"].as_array().unwrap().iter().map(|f| f["path"].as_str().unwrap()).collect();
    for wanted in ["report-1.html", "bundle-1.zip"] {
        assert!(files.contains(&wanted), "{files:?}");
    }
    assert!(files.iter().any(|f| f.starts_with("montage-1/")) && files.iter().any(|f| f.starts_with("montage-2/")), "{files:?}");
    for file in listed["files"].as_array().unwrap() {
        let got = h.page(&file["url"].as_str().unwrap().replace(' ', "%20")).await.is(200);
        assert_eq!(got.body.len() as u64, file["bytes"].as_u64().unwrap());
    }
    let shown = h.page("/publish").await.is(200).text();
    for file in files.iter().filter(|f| f.starts_with("audience-1/") || f.ends_with(".zip")) {
        assert!(shown.contains(&format!("/published/{file}")), "{file}");
    }
    assert!(
        files.contains(&"audience-1/index.html")
            && files.iter().any(|f| f.starts_with("pictures-1/") && f.ends_with("-dark.png")),
        "{files:?}"
    );
    for (path, form) in [
        ("/publish/picture", ""),
        ("/publish/picture", "what-card=1&size=3x3"),
        ("/publish/picture", "what-card=1&theme=pink"),
        ("/publish/audience", "send_to=nowhere"),
        ("/publish/audience", "pair=one"),
        ("/publish/audience", "seconds=long"),
    ] {
        h.form(path, form).await.is(409);
    }
    for path in
        ["/published/../session.db", "/published/%2e%2e/session.db", "/published/.x", "/published/montage-1", "/published/x//y"]
    {
        h.page(path).await.is(404);
    }
    assert_eq!(h.folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
