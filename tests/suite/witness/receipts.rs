//! Receipts and the log they must fit.

use cabjury::model::digest::Sha256Hex;
use cabjury::model::explain::{Explain, Fate};
use cabjury::witness::receipt::{FORMAT, MisfitKind, Receipt, ReceiptTrial, Recorded, misfits, read};
use jiff::Timestamp;
use std::collections::HashMap;

fn of(text: &str) -> Sha256Hex {
    Sha256Hex::of(text.as_bytes())
}

fn receipt() -> Receipt {
    let trial = |name: &str| ReceiptTrial {
        trial: name.to_owned(),
        commitment_sha256: of(&format!("commitment {name}")),
        head_sha256: of(&format!("head {name}")),
        at: Timestamp::from_second(1_000).unwrap(),
    };
    Receipt {
        format: FORMAT.to_owned(),
        session_id: "5e55".to_owned(),
        test: "test-1".to_owned(),
        listener_sha256: Some(of("code")),
        trials: vec![trial("one"), trial("two")],
    }
}

fn log() -> HashMap<String, Recorded> {
    let recorded = |name: &str| Recorded {
        test: "test-1".to_owned(),
        listener_sha256: of("code"),
        commitment: of(&format!("commitment {name}")).to_string(),
        head: of(&format!("head {name}")).to_string(),
    };
    ["one", "two"].into_iter().map(|n| (n.to_owned(), recorded(n))).collect()
}

#[test]
fn a_receipt_fits_its_log_and_comes_back_from_its_text() {
    let text = serde_json::to_string(&receipt()).unwrap();
    assert_eq!(read(&text).unwrap(), [receipt()]);
    assert!(misfits(&receipt(), "5e55", &log()).is_empty());
}

#[test]
fn single_picks_are_put_together_by_session_test_and_listener() {
    let pick = |name: &str, test: &str| {
        let mut value = serde_json::to_value(&receipt().trials[usize::from(name == "two")]).unwrap();
        value["session_id"] = "5e55".into();
        value["test"] = test.into();
        value["listener_sha256"] = of("code").to_string().into();
        value
    };
    let (one, two) = (pick("one", "test-1"), pick("two", "test-1"));
    for whole in [
        serde_json::json!([one, two]),
        serde_json::json!({ "done": 2, "receipts": [one, two] }),
        serde_json::json!([{ "phase": "ready", "receipt": one }, { "phase": "done", "receipt": two }]),
    ] {
        assert_eq!(read(&whole.to_string()).unwrap(), [receipt()]);
    }
    let found = read(&serde_json::json!([one, pick("two", "test-2"), receipt()]).to_string()).unwrap();
    assert_eq!(
        found.iter().map(|r| (r.test.as_str(), r.trials.len())).collect::<Vec<_>>(),
        [("test-1", 1), ("test-2", 1), ("test-1", 2)]
    );
    let mut unsaid = one.clone();
    unsaid.as_object_mut().unwrap().remove("listener_sha256");
    let found = read(&unsaid.to_string()).unwrap();
    assert_eq!(found[0].listener_sha256, None);
    assert!(misfits(&found[0], "5e55", &log()).is_empty());
}

#[test]
fn every_kind_of_misfit_is_reached_and_named() {
    let mut seen = Vec::new();
    let mut hold = |receipt: &Receipt, log: &HashMap<String, Recorded>| {
        let found = misfits(receipt, "5e55", log);
        assert_eq!(found.len(), 1, "{found:?}");
        seen.push(found[0].what);
    };
    let other = |change: &dyn Fn(&mut Recorded)| {
        let mut log = log();
        change(log.get_mut("two").unwrap());
        log
    };
    hold(&Receipt { session_id: "0ther".to_owned(), ..receipt() }, &log());
    let mut without = log();
    without.remove("one");
    hold(&receipt(), &without);
    hold(&receipt(), &other(&|r| r.test = "test-2".to_owned()));
    hold(&receipt(), &other(&|r| r.listener_sha256 = of("another code")));
    hold(&receipt(), &other(&|r| r.commitment = of("x").to_string()));
    hold(&receipt(), &other(&|r| r.head = of("x").to_string()));
    assert_eq!(seen, MisfitKind::ALL);
    let texts: std::collections::HashSet<String> = seen.iter().map(ToString::to_string).collect();
    assert_eq!(texts.len(), seen.len());
}

#[test]
fn what_is_no_receipt_is_refused_in_words() {
    let newer = serde_json::to_string(&Receipt { format: "cabjury receipt 2".to_owned(), ..receipt() }).unwrap();
    let empty = serde_json::to_string(&Receipt { trials: Vec::new(), ..receipt() }).unwrap();
    for (text, kind) in [
        ("{}", "not-a-receipt"),
        ("[", "not-a-receipt"),
        ("[]", "not-a-receipt"),
        ("{\"format\":1}", "not-a-receipt"),
        ("{\"trial\":\"one\"}", "not-a-receipt"),
        (&newer, "newer-receipt"),
        (&empty, "not-a-receipt"),
    ] {
        let error = read(text).unwrap_err();
        assert_eq!(error.kind(), kind);
        assert_eq!(error.fate(), Fate::Unfit);
        assert!(!error.next().is_empty());
    }
}
