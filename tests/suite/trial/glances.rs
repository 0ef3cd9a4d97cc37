//! A million trials are scored by glances at their records (`model::glance`). The same numbers have to come out as from the records whole,
//! for every method, with void trials, controls and remarks that want escaping; and what was changed in the file is found either way.

use super::{draws, service};
use cabjury::model::glance::{Glance, GlanceState};
use cabjury::model::ids::{ListenerCode, TestId};
use cabjury::model::outside::SystemClock;
use cabjury::model::random::RandomWords;
use cabjury::model::result::TestEntry;
use cabjury::model::trial::{Answer, Controls, Method, TrialCount, TrialRecord, TrialState};
use cabjury::store::Session;
use cabjury::testing::trials::Trials;
use cabjury::trial::Generator;
use cabjury::verdict::hashes::Hashes;
use cabjury::verdict::judge::{Judgeable, entry};
use cabjury::verdict::score::score_with;
use cabjury::verdict::trial_counts::Gathered;
use std::path::Path;

/// A closed test in a session of its own, answered at random, with void trials in between and one left open at the end.
fn heard(folder: &Path, method: Method) -> TestId {
    let setups: &[&str] = if method == Method::Graded { &["one", "two", "three"] } else { &["one", "two"] };
    let mut plan = draws::plan(method, setups, 3, Controls { same_file: 2, repeat: 2, known: 0 });
    (plan.listeners, plan.trials, plan.ask_confidence) = (3, TrialCount::Fixed(9), true);
    if method == Method::Graded {
        plan.reference = Some(plan.setups[0].clone());
    }
    service::session(folder, &plan);
    let clock = SystemClock;
    let mut trials = Trials::open(folder, &clock).unwrap();
    let mut random = Generator::simulated(method as u64);
    // A simulated one and two people: people are what counts.
    for (code, simulated) in [("robot", true), ("Jörg", false), ("me", false)] {
        let code = ListenerCode::new(code).unwrap();
        trials.enter(&plan, &code, simulated).unwrap();
        for n in 0..if simulated { 4 } else { 7 } {
            let open = trials.next(&plan, &code, "a \"device\"\nof two lines").unwrap();
            if n % 5 == 3 {
                trials.void(&open.id, "the \\ cat").unwrap();
                continue;
            }
            let choice = if method == Method::Graded {
                open.choices.iter().map(|c| format!("{c}={}", random.below(101))).collect::<Vec<_>>().join(",")
            } else {
                open.choices[random.below(open.choices.len() as u64) as usize].clone()
            };
            let answer = Answer { choice, confidence: Some(7), remark: Some("\"boomy\", {\"order\": null}\tß".to_owned()) };
            open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
            trials.pick(&plan, &open.id, &answer, Vec::new()).unwrap();
        }
    }
    trials.next(&plan, &ListenerCode::new("me").unwrap(), "silent").unwrap();
    drop(trials);
    // What was left open is void when the next writer comes.
    Trials::open(folder, &clock).unwrap().close(&plan.test).unwrap();
    plan.test
}

fn whole(session: &Session, reason: &str) -> serde_json::Value {
    let (tests, listeners) = (session.tests().unwrap(), session.listeners().unwrap());
    let judged: Vec<TestEntry> = tests
        .iter()
        .map(|test| {
            let trials = session.trials(&test.plan.test).unwrap();
            let trials = Gathered::of(&test.plan, &listeners, &trials);
            entry(&Judgeable { void_reason: Some(reason.to_owned()), ..Judgeable::sound(test, trials) })
        })
        .collect();
    serde_json::to_value(judged).unwrap()
}

/// The invented clips have no files, which is said after everything else was looked at: a reason that both ways of reading are given.
const NO_CLIP: &str = "the clip c001 is no longer what was sealed";

#[test]
fn a_glance_counts_what_the_whole_record_counts() {
    for method in Method::ALL {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("s");
        let test = heard(&folder, method);
        let session = Session::open_read(&folder).unwrap();
        let trials = session.trials(&test).unwrap();
        let mut states = [0; 3];
        for trial in &trials {
            let text = serde_json::to_string(trial).unwrap();
            let glance = Glance::read(&text).unwrap();
            assert_eq!((glance.listener, glance.number), (trial.listener.as_str(), trial.number));
            assert_eq!((glance.commitment, glance.opened_at.parse().unwrap()), (trial.commitment.as_str(), trial.opened_at));
            match (&trial.state, &glance.state) {
                (TrialState::Open, GlanceState::Open) => states[0] += 1,
                (TrialState::Void { .. }, GlanceState::Void) => states[1] += 1,
                (
                    TrialState::Answered { answer, order, nonce, right, at, .. },
                    GlanceState::Answered { choice, order: text, nonce: n, right: r, at: when },
                ) => {
                    states[2] += 1;
                    assert_eq!((&answer.choice[..], &nonce[..], right, at), (*choice, *n, r, &when.parse().unwrap()));
                    assert_eq!(order, &serde_json::from_str(text).unwrap());
                }
                (whole, glance) => panic!("{whole:?} is seen as {glance:?}"),
            }
        }
        assert!(states[1] >= 3 && states[2] >= 12, "{method}: {states:?}");
        let scored = serde_json::to_value(score_with(&session, &Hashes::default()).unwrap()).unwrap();
        assert!(scored[0]["verdict"].is_string(), "{scored:#}");
        assert_eq!(scored, whole(&session, NO_CLIP), "{method}");
    }
}

/// A hand that changes the table, by way of JSON that can be borrowed from and JSON that cannot.
#[test]
fn what_was_changed_by_hand_is_found_either_way() {
    let trial_of = |folder: &Path, test: &TestId| -> TrialRecord {
        let session = Session::open_read(folder).unwrap();
        session.trials(test).unwrap().into_iter().find(|t| matches!(t.state, TrialState::Answered { .. })).unwrap()
    };
    type Edit = fn(&str) -> String;
    let edits: [(&str, Edit); 4] = [
        ("do not open its commitment", |record| {
            record.replacen("\"label\":\"A\",\"clip\":\"c00", "\"label\":\"A\",\"clip\":\"c10", 1)
        }),
        ("against its own order", |record| {
            if record.contains("\"right\":true") {
                record.replace("\"right\":true", "\"right\":false")
            } else {
                record.replace("\"right\":false", "\"right\":true")
            }
        }),
        ("a record cannot be read", |record| record.replace("\"listener\":\"robot\"", "\"listener\":\"-\"")),
        ("a record cannot be read", |record| record[..record.len() / 2].to_owned()),
    ];
    for (wanted, edit) in edits {
        for escape in [false, true] {
            let dir = tempfile::tempdir().unwrap();
            let folder = dir.path().join("s");
            let test = heard(&folder, Method::Abx);
            let trial = trial_of(&folder, &test);
            let record = serde_json::to_string(&trial).unwrap();
            let mut changed = edit(&record);
            assert_ne!(record, changed, "nothing was changed");
            if escape {
                // The first digit of the commitment, written as an escape: the same record, and nothing that could be borrowed.
                let first = trial.commitment.as_str().as_bytes()[0];
                let (from, to) =
                    (format!("\"commitment\":\"{}", char::from(first)), format!("\"commitment\":\"\\u00{first:02x}"));
                changed = changed.replacen(&from, &to, 1);
                assert!(Glance::read(&changed).is_none());
            }
            let db = rusqlite::Connection::open(folder.join("session.db")).unwrap();
            db.execute_batch("DROP TRIGGER trial_ends_once").unwrap();
            assert_eq!(db.execute("UPDATE trial SET record = ?1 WHERE id = ?2", (&changed, trial.id.as_str())).unwrap(), 1);
            drop(db);
            let session = Session::open_read(&folder).unwrap();
            let told = match score_with(&session, &Hashes::default()) {
                Ok(docs) => serde_json::to_string(&docs).unwrap(),
                Err(error) => error.to_string(),
            };
            assert!(told.contains(wanted), "escaped {escape}: {wanted} is not in {told}");
        }
    }
}
