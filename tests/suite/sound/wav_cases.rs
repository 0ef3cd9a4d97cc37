//! The 67 whole WAV files of `tests/reference/audio.json`: built by hand to RIFF/WAVE, EBU Tech 3285 (bext), EBU Tech 3306 (RF64) and
//! ITU-R BS.2088 (BW64); where the bytes alone decide, libsndfile or ffmpeg 5.1.9 gave the same samples (the file's own note).

use cabjury::model::audio::{FaultKind, Severity};
use cabjury::model::explain::{Explain, Fate};
use cabjury::sound::read_all;
use serde_json::Value;

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

fn samples_agree(case: &Value, found: &[Vec<f32>]) -> bool {
    let tolerance = case["tolerance"].as_f64().unwrap_or(1e-7);
    let Some(wanted) = case["expected"]["samples"].as_array() else { return true };
    // Stereo cases list frames interleaved.
    let channels = found.len();
    wanted.len() == channels * found[0].len()
        && wanted.iter().enumerate().all(|(i, w)| {
            let w = w.as_f64().unwrap();
            (w - f64::from(found[i % channels][i / channels])).abs() <= tolerance
        })
}

/// The finding that stands for what the case wants the reader to say.
fn said(about: &str, kinds: &[(FaultKind, String)]) -> bool {
    let kind = match about {
        "unfinished header" => FaultKind::UnfinishedHeader,
        "truncated" | "incomplete last frame" => FaultKind::Truncated,
        "two data chunks" => FaultKind::Container,
        other => panic!("the cases ask for a warning about {other:?}, which this test does not know"),
    };
    kinds.iter().any(|(k, _)| *k == kind)
}

#[test]
fn every_wav_case_is_read_right_or_refused_by_name() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/audio.json")).unwrap();
    let all: Value = serde_json::from_str(&text).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let (mut count, mut refused) = (0, 0);
    for case in all["cases"].as_array().unwrap() {
        let id = case["id"].as_str().unwrap();
        if !id.starts_with("wav-") {
            continue;
        }
        count += 1;
        let path = dir.path().join(format!("{id}.wav"));
        std::fs::write(&path, bytes(case["inputs"]["file_hex"].as_str().unwrap())).unwrap();
        let expected = &case["expected"];
        let outcome = expected["outcome"].as_str().unwrap();
        match read_all(&path) {
            Ok((audio, facts)) => {
                assert_ne!(outcome, "refuse", "{id} was read, wanted a refusal: {}", expected["because"]);
                assert_eq!(u64::from(facts.rate.hz()), expected["rate_hz"].as_u64().unwrap(), "{id}");
                assert_eq!(u64::from(facts.channels), expected["channels"].as_u64().unwrap(), "{id}");
                assert_eq!(facts.frames, expected["frames"].as_u64().unwrap(), "{id}");
                assert_eq!(audio.frames() as u64, facts.frames, "{id}");
                assert!(samples_agree(case, audio.channels()), "{id}: {:?}", audio.channels());
                let found: Vec<_> = facts.findings.iter().map(|f| (f.kind, f.detail.clone())).collect();
                if let Some(about) = expected["warning_about"].as_str() {
                    assert!(said(about, &found), "{id} was read without a word about {about:?}: {found:?}");
                }
                if let Some(time) = expected["time_reference"].as_u64() {
                    assert_eq!(facts.time_reference, Some(time), "{id}");
                }
                assert!(facts.findings.iter().all(|f| f.severity != Severity::Stop), "{id}: {found:?}");
            }
            Err(error) => {
                refused += 1;
                assert!(matches!(outcome, "refuse" | "read-or-refuse"), "{id} was refused: {error}");
                assert_eq!(error.fate(), Fate::Unfit, "{id}");
                assert_eq!(error.path(), Some(path.as_path()), "{id}");
                assert!(error.to_string().contains(id) && !error.next().is_empty(), "{id}: {error}");
            }
        }
    }
    assert_eq!(count, 67);
    assert!(refused >= 20, "only {refused} files were refused: the reader lets anything through");
}
