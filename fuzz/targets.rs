//! What is fuzzed: one function per way in which bytes from outside reach the program. The fuzzer calls them with what it invents, the test
//! suite with the corpora. A target panics when a promise is broken; an error with a message is what bad input deserves.

use axum::body::Body;
use axum::http::Request;
use cabjury::circuit::notation;
use cabjury::model::audio::Sha256Hex;
use cabjury::model::explain::Explain;
use cabjury::model::ids::ListenerCode;
use cabjury::model::montage::BlindMontage;
use cabjury::model::outside::{SystemClock, Unwatched};
use cabjury::model::trial::{Plan, SealedTest};
use cabjury::publish::unbundle::unbundle;
use cabjury::publish::votes::read_votes;
use cabjury::rig::sheet::read_sheet;
use cabjury::sound::read_all;
use cabjury::store::Session;
use cabjury::testing::desk::Desk;
use cabjury::trial::seal;
use cabjury::web::{App, router};
use http_body_util::BodyExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};
use tower::ServiceExt;

/// A folder that lives as long as the process: the fuzzer's own folder in memory, or the system's.
static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| {
    let memory = Path::new("/dev/shm");
    let kept = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    kept.expect("a folder for temporary files").keep()
});

/// The fuzzer ends at any panic, also one that is caught. A decoder's own panics are caught by `sound::decode` and told as a broken decoder:
/// those are let pass.
#[allow(dead_code, reason = "the fuzzer's only: the test suite catches panics itself")]
pub(crate) fn let_decoders_break() {
    let end = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !panic.location().is_some_and(|l| l.file().contains("/symphonia-")) {
            end(panic);
        }
    }));
}

/// Removes what the targets have laid down.
pub(crate) fn tidy() {
    let _ = std::fs::remove_dir_all(&*FOLDER);
}

fn told(kind: &str, message: &str, next: &str) {
    assert!(!kind.is_empty() && !message.is_empty() && !next.is_empty(), "an error that says nothing: {kind} {message} {next}");
    assert!(message.len() < 5000, "nobody reads this: {} bytes", message.len());
}

/// What others hold: a receipt, an authority's answer (with what may be its certificates behind a line of dashes), a published line.
pub(crate) fn witness(data: &[u8]) {
    use cabjury::witness::{fingerprint, receipt, timestamp};
    let text = String::from_utf8_lossy(data);
    match receipt::read(&text) {
        Ok(found) => assert!(found.iter().all(|r| !r.trials.is_empty())),
        Err(e) => told(e.kind(), &e.to_string(), &e.next()),
    }
    let cut = data.windows(5).position(|w| w == b"-----").unwrap_or(data.len());
    let (answer, authority) = data.split_at(cut);
    for authority in [None, Some(authority)] {
        if let Err(e) = timestamp::verify(answer, authority) {
            told(e.kind(), &e.to_string(), &e.next());
        }
    }
    if let Err(e) = fingerprint::digits(text.get(..200).unwrap_or_default()) {
        told(e.kind(), &e.to_string(), &e.next());
    }
}

fn audio(name: &str, data: &[u8]) {
    let path = FOLDER.join(name);
    std::fs::write(&path, data).expect("writing the input");
    match read_all(&path) {
        Ok((audio, facts)) => {
            assert_eq!(audio.frames() as u64, facts.frames);
            assert_eq!(audio.channels().len(), usize::from(facts.channels));
            // Samples that are no numbers are let through on purpose: the fault detector names the place.
            assert_eq!(facts.sha256, Sha256Hex::of(data));
        }
        Err(error) => told(error.kind(), &error.to_string(), &error.next()),
    }
}

/// WAV, RF64, BW64: the own walker.
pub(crate) fn walker(data: &[u8]) {
    if matches!(data.get(..4), Some(b"RIFF" | b"RF64" | b"BW64" | b"RIFX")) {
        audio("in.wav", data);
    } else {
        audio("in.wav", &[b"RIFF", data].concat());
    }
}

/// FLAC, AIFF, CAF, ALAC, MP3, Ogg Vorbis: what is not RIFF.
pub(crate) fn decoder(data: &[u8]) {
    if !matches!(data.get(..4), Some(b"RIFF" | b"RF64" | b"BW64" | b"RIFX")) {
        audio("in.audio", data);
    }
}

/// The rig sheet.
pub(crate) fn sheet(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Err(error) = read_sheet(text) {
        told(error.kind(), &error.to_string(), &error.next());
    }
}

/// Wiring notation: what is read is printed, and read again as the same.
pub(crate) fn notation(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match notation::parse(text) {
        Ok(network) => {
            let printed = network.to_string();
            let again = notation::parse(&printed).unwrap_or_else(|e| panic!("{text:?} became {printed:?}: {e}"));
            assert_eq!(again, network, "{text:?} became {printed:?}");
        }
        Err(error) => told(error.kind(), &error.to_string(), &error.next()),
    }
}

static MONTAGE: LazyLock<BlindMontage> = LazyLock::new(|| {
    let text = r#"{"id":"montage-1","setups":["one","two"],"mic":"main","excerpt":"whole","run":1,"raw_level":false,"named":["c001","c002"],
        "clips":8,"commitment":"0000000000000000000000000000000000000000000000000000000000000000","generator":"g","rate":48000,
        "segments":[],"made_at":"2026-01-01T00:00:00Z","revealed":null}"#;
    serde_json::from_str(text).expect("the montage")
});

/// An audience's answers as CSV.
pub(crate) fn votes(data: &[u8]) {
    match read_votes(Path::new("answers.csv"), data, &MONTAGE) {
        Ok(votes) => assert!(votes.iter().all(|v| (1..=8).contains(&v.clip) && v.choice < 2)),
        Err(error) => {
            let error = error.explain();
            told(error.kind(), &error.to_string(), &error.next());
        }
    }
}

/// A bundle: the very session or nothing.
pub(crate) fn bundle(data: &[u8]) {
    let (file, folder) = (FOLDER.join("in.zip"), FOLDER.join("out"));
    std::fs::write(&file, data).expect("writing the input");
    match unbundle(&file, &folder, &Unwatched) {
        Ok(_) => std::fs::remove_dir_all(&folder).expect("what was unpacked is a folder"),
        Err(error) => {
            let error = error.explain();
            told(error.kind(), &error.to_string(), &error.next());
            assert!(!folder.exists(), "a refused bundle left something");
        }
    }
}

static CLOCK: SystemClock = SystemClock;
const KEY: &str = "0123456789abcdef0123456789abcdef";

/// A desk over a sealed test, its invited listener, and what runs it.
static HOUSE: LazyLock<(Arc<App>, String, tokio::runtime::Runtime)> = LazyLock::new(|| {
    let text = include_str!("plan.json");
    let plan: Plan = serde_json::from_str(text).expect("the plan");
    let folder = FOLDER.join("session");
    let now = jiff::Timestamp::now();
    let mut session = Session::create(&folder, Some("fuzz"), now).expect("a session");
    let canonical = seal::canonical(&plan);
    let sealed = SealedTest { plan, seal: seal::seal(&canonical), canonical, sealed_at: now, closed_at: None };
    session.add_test(&sealed, now).expect("a test");
    drop(session);
    let desk = Desk::open(&folder, &CLOCK).expect("a desk");
    let listener = ListenerCode::new("ann").expect("a code");
    let code = desk.wait(|desk, done| desk.invite(None, listener, done)).expect("an invitation");
    let app = App::new(desk, KEY.to_owned(), std::net::SocketAddr::from(([127, 0, 0, 1], 4711)), false, &CLOCK);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    (app, code, runtime)
});

/// Bodies and addresses of requests. The first byte says which address and kind, the rest is the body; or the rest is an address itself.
pub(crate) fn http(data: &[u8]) {
    let Some((first, rest)) = data.split_first() else { return };
    let (app, code, runtime) = &*HOUSE;
    let listener = |path: &str| format!("/api/l/{code}{path}");
    let form = "application/x-www-form-urlencoded";
    let (method, path, kind) = match first % 16 {
        0 => ("POST", listener("/trials"), "application/json"),
        1 => ("POST", listener("/trials/0123456789abcdef0123456789abcdef/pick"), "application/json"),
        2 => ("POST", listener("/level"), "application/json"),
        3 => ("POST", "/rig/sheet".to_owned(), form),
        4 => ("POST", "/rig/fields".to_owned(), form),
        5 => ("POST", "/meter".to_owned(), form),
        6 => ("POST", "/withdraw".to_owned(), form),
        7 => ("POST", "/plan".to_owned(), form),
        8 => ("POST", "/plan/what-if".to_owned(), form),
        9 => ("POST", "/invite".to_owned(), form),
        10 => ("POST", "/close".to_owned(), form),
        11 => ("POST", "/takes/upload?name=in.wav&setup=one".to_owned(), "application/octet-stream"),
        12 | 13 => ("GET", String::from_utf8_lossy(rest).into_owned(), ""),
        14 => ("POST", listener(&String::from_utf8_lossy(rest)), "application/json"),
        _ => ("GET", listener(&String::from_utf8_lossy(rest)), ""),
    };
    let host = "127.0.0.1:4711";
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header("host", host)
        .header("origin", format!("http://{host}"))
        .header("cookie", format!("cabjury-4711={KEY}"))
        .header("content-type", kind);
    // What is no request at all does not come as far as this.
    let Ok(request) = request.body(Body::from(rest.to_vec())) else { return };
    runtime.block_on(async {
        let response = router(app).oneshot(request).await.expect("the router always answers");
        let status = response.status().as_u16();
        let body = response.into_body().collect().await.expect("the answer has an end").to_bytes();
        assert!(status < 500 || status == 503, "{method} {first}: {status} {}", String::from_utf8_lossy(&body));
    });
}
