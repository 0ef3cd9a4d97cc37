//! Slots as FLAC: lossless, of one size whatever sounds in them, and no slot counts as heard before it has reached the listener whole.

use super::support::{House, asked, host, house};
use axum::body::Body;
use axum::http::Request;
use cabjury::web::router;
use http_body_util::BodyExt;
use serde_json::Value;
use std::collections::BTreeSet;
use tower::ServiceExt;

/// A session whose two setups do not compress alike: one is quiet above, the other full of noise.
fn uneven() -> House {
    let folder = crate::program::Desk::new();
    let dry = crate::material::riff(3.4, 48_000);
    for (name, level) in [("one", -75.0), ("two", -38.0)] {
        for take in 1..3u64 {
            let sound = crate::material::noisy(&dry, level, take);
            crate::material::write_wav(&folder.join(&format!("{name}-{take}.wav")), 48_000, &sound);
        }
    }
    folder.run(&["new", "s", "one=one-1.wav", "two=two-1.wav"]).ends(0);
    folder.run(&["take", "s", "one-2.wav", "--setup", "one"]).ends(0);
    folder.run(&["take", "s", "two-2.wav", "--setup", "two"]).ends(0);
    folder.run(&["match", "s"]).ends(0);
    folder.run(&["plan", "s", "--compare", "one,two", "--trials", "40"]).ends(0);
    let (app, code) = super::support::open(&folder, "ann");
    House { folder, app, code }
}

/// Samples as an independent decoder reads them.
fn decoded(flac: &[u8]) -> Vec<i32> {
    claxon::FlacReader::new(flac).unwrap().samples().map(Result::unwrap).collect()
}

fn of_wav(wav: &[u8]) -> Vec<i32> {
    hound::WavReader::new(wav).unwrap().samples::<i32>().map(Result::unwrap).collect()
}

/// Bytes without the padding in front of the first frame: what a coder without it would have sent.
fn bare(flac: &[u8]) -> usize {
    let (mut at, mut padding) = (4, 0);
    loop {
        let (last, kind) = (flac[at] & 0x80 != 0, flac[at] & 0x7F);
        let length = usize::try_from(u32::from_be_bytes([0, flac[at + 1], flac[at + 2], flac[at + 3]])).unwrap();
        padding += if kind == 1 { length + 4 } else { 0 };
        at += 4 + length;
        if last {
            return flac.len() - padding;
        }
    }
}

#[tokio::test]
async fn every_slot_as_flac_has_one_size_and_is_the_sound() {
    let h = uneven();
    let (mut shapes, mut bodies, mut bare_sizes) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
    for _ in 0..4 {
        let trial = h.post(&h.at("/trials"), "").await.is(201).json();
        for slot in trial["slots"].as_array().unwrap() {
            let wav = of_wav(&h.get(slot["audio"].as_str().unwrap()).await.is(200).body);
            for _ in 0..2 {
                let flac = h.get(slot["flac"].as_str().unwrap()).await.is(200);
                let samples = decoded(&flac.body);
                assert_eq!(samples.len(), wav.len());
                // Two roundings with dither of a step to either side: at most two steps apart.
                assert!(samples.iter().zip(&wav).all(|(a, b)| (a - b).abs() <= 2));
                let headers: Vec<String> =
                    flac.headers.iter().filter(|h| h.0 != "date").map(|(n, v)| format!("{n}: {}", v.to_str().unwrap())).collect();
                bare_sizes.push(bare(&flac.body));
                shapes.insert((headers, flac.body.len()));
                assert!(bodies.insert(flac.body), "the same bytes as another slot");
            }
        }
        let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
        h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
    }
    assert_eq!(shapes.len(), 1, "{shapes:?}");
    // Without the padding their sizes would tell the setups apart: this test could fail.
    let (least, most) = (bare_sizes.iter().min().unwrap(), bare_sizes.iter().max().unwrap());
    assert!(most - least > 20_000, "{least} to {most}");
}

#[tokio::test]
async fn flac_comes_where_it_is_asked_for() {
    let h = house(4);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let path = trial["slots"][0]["audio"].as_str().unwrap();
    let kind = |answer: super::support::Answer| answer.headers["content-type"].to_str().unwrap().to_owned();
    assert_eq!(kind(h.get(path).await.is(200)), "audio/wav");
    let accepting = Request::get(path).header("host", host()).header("accept", "audio/flac, audio/wav;q=0.5");
    assert_eq!(kind(h.send(accepting.body(Body::empty()).unwrap()).await.is(200)), "audio/flac");
    assert_eq!(kind(h.get(&format!("{path}?as=wav")).await.is(200)), "audio/wav");
}

/// Half of a sound is not heard, in either form; the whole of it is, in either.
#[tokio::test]
async fn half_a_slot_is_not_heard() {
    let h = house(4);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    let address = |n: usize, form: &str| trial["slots"][n][form].as_str().unwrap().to_owned();
    for n in 1..trial["slots"].as_array().unwrap().len() {
        h.get(&address(n, "flac")).await.is(200);
    }
    let mut held = Vec::new();
    for form in ["audio", "flac"] {
        let mut body = router(&h.app).oneshot(asked("GET", &address(0, form), None, "")).await.unwrap().into_body();
        assert!(!body.frame().await.unwrap().unwrap().into_data().unwrap().is_empty());
        held.push(body);
        let said = h.post(&pick, r#"{"choice":"A"}"#).await.is(422).json();
        assert_eq!(said["error"]["kind"], "not-heard");
    }
    for body in held {
        body.collect().await.unwrap();
    }
    h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
}

/// Thirty readers who take a piece and then nothing hold up nobody, and what they were promised is still there.
#[tokio::test]
async fn slow_readers_hold_up_nobody() {
    let h = house(4);
    let trial: Value = h.post(&h.at("/trials"), "").await.is(201).json();
    let path = trial["slots"][0]["audio"].as_str().unwrap();
    let mut slow = Vec::new();
    for _ in 0..30 {
        let mut body = router(&h.app).oneshot(asked("GET", path, None, "")).await.unwrap().into_body();
        let first = body.frame().await.unwrap().unwrap().into_data().unwrap();
        // A piece, not the whole: what a slow reader holds is bounded.
        assert!(first.len() < 64 * 1024, "{}", first.len());
        slow.push((first.len(), body));
    }
    h.hears(&trial).await;
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
    let mut sizes = BTreeSet::new();
    for (first, body) in slow {
        sizes.insert(first + body.collect().await.unwrap().to_bytes().len());
    }
    assert_eq!(sizes.len(), 1, "{sizes:?}");
}
