//! The trials service over a real session: nothing to peek at, nothing lost, nothing doubled.

use super::draws;
use cabjury::model::ids::ListenerCode;
use cabjury::model::outside::SystemClock;
use cabjury::model::trial::{Answer, Controls, Method, Plan, SealedTest, TrialState};
use cabjury::store::Session;
use cabjury::testing::trials::{OpenTrial, Trials};
use cabjury::trial::seal;
use std::path::Path;

fn answer(choice: &str) -> Answer {
    Answer { choice: choice.to_owned(), confidence: None, remark: None }
}

/// Every slot has reached the listener.
fn hears(trials: &mut Trials<'_>, open: &OpenTrial) {
    open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
}

/// A session with a sealed test over invented clips (their files are never played here).
pub(crate) fn session(folder: &Path, plan: &Plan) {
    let now = jiff::Timestamp::now();
    let mut session = Session::create(folder, Some("trials"), now).unwrap();
    let canonical = seal::canonical(plan);
    let sealed = SealedTest { plan: plan.clone(), seal: seal::seal(&canonical), canonical, sealed_at: now, closed_at: None };
    session.add_test(&sealed, now).unwrap();
}

/// Every byte under a folder.
fn bytes(folder: &Path) -> Vec<u8> {
    let mut all = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            all.extend(bytes(&path));
        } else {
            all.extend(std::fs::read(&path).unwrap());
        }
    }
    all
}

fn contains(hay: &[u8], needle: &[u8]) -> bool {
    hay.windows(needle.len()).any(|w| w == needle)
}

#[test]
fn no_byte_of_an_order_is_stored_before_its_pick() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    let plan = draws::plan(Method::Abx, &["one", "two"], 4, Controls { same_file: 2, repeat: 2, known: 0 });
    session(&folder, &plan);
    let clock = SystemClock;
    let mut trials = Trials::open(&folder, &clock).unwrap();
    let code = ListenerCode::new("me").unwrap();
    trials.enter(&plan, &code, false).unwrap();
    let before = bytes(&folder);
    let open = trials.next(&plan, &code, "silent").unwrap();
    // What is new on disk - database, write-ahead log, everything - while the trial is open.
    let during = bytes(&folder);
    assert!(during.len() > before.len());
    for secret in ["\"slots\"", "\"order\"", "\"right\"", "\"label\""] {
        assert!(!contains(&during, secret.as_bytes()), "{secret} is on disk while the trial is open");
    }
    let clip = trials.for_the_player(&open.id, "X").unwrap().0;
    // The sealed plan names all clips, and SQLite may copy its page: what was written for this trial is looked at by itself.
    let record = serde_json::to_string(&trials.session().trial(&open.id).unwrap()).unwrap();
    let mut logged = String::new();
    trials
        .session()
        .each_entry(&mut |e| {
            if e.what == "open" {
                logged.push_str(e.body);
            }
        })
        .unwrap();
    assert!(!record.contains(clip.as_str()) && !logged.is_empty() && !logged.contains(clip.as_str()));
    // The seal has a nonce of its own: the trial's is looked for where it would stand.
    assert!(!record.contains("nonce") && !logged.contains("nonce"));
    assert!(!format!("{open:?}").contains(clip.as_str()));
    hears(&mut trials, &open);
    trials.pick(&plan, &open.id, &answer("A"), Vec::new()).unwrap();
    // Proof that the search can fail: after the pick all of it is there.
    let after = bytes(&folder);
    for secret in ["\"slots\"", "\"order\"", "\"right\"", "\"label\""] {
        assert!(contains(&after, secret.as_bytes()), "{secret} was looked for and is never there: this test cannot fail");
    }
    let record = serde_json::to_string(&trials.session().trial(&open.id).unwrap()).unwrap();
    assert!(record.contains(clip.as_str()) && record.contains("nonce"));
}

#[test]
fn picks_are_idempotent_and_stay() {
    let dir = tempfile::tempdir().unwrap();
    let plan = draws::plan(Method::Abx, &["one", "two"], 2, Controls::default());
    session(&dir.path().join("s"), &plan);
    let clock = SystemClock;
    let mut trials = Trials::open(&dir.path().join("s"), &clock).unwrap();
    let code = ListenerCode::new("me").unwrap();
    trials.enter(&plan, &code, false).unwrap();
    let open = trials.next(&plan, &code, "silent").unwrap();
    assert!(trials.next(&plan, &code, "silent").is_err(), "two trials open at once");
    let error = trials.pick(&plan, &open.id, &answer("C"), Vec::new()).unwrap_err();
    assert_eq!(error.to_string(), "\"C\" is not one of the choices: A, B");
    let said = error.explain();
    assert_eq!((said.kind(), said.next().as_str()), ("not-a-choice", "pick one of the choices that are shown"));
    let error = trials.pick(&plan, &open.id, &answer("A"), Vec::new()).unwrap_err();
    assert_eq!((error.explain().kind(), error.explain().fate().exit_code()), ("not-heard", 3));
    hears(&mut trials, &open);
    let receipt = trials.pick(&plan, &open.id, &answer("A"), Vec::new()).unwrap();
    assert_eq!(trials.pick(&plan, &open.id, &answer("A"), Vec::new()).unwrap(), receipt);
    assert_eq!(receipt.commitment_sha256.as_str(), open.commitment);
    let error = trials.pick(&plan, &open.id, &answer("B"), Vec::new()).unwrap_err();
    assert_eq!(error.explain().kind(), "answered-already");
    assert_eq!(trials.standing(&plan, &code).unwrap().done, 1);
    let void = trials.next(&plan, &code, "silent").unwrap();
    trials.void(&void.id, "the cat").unwrap();
    assert_eq!(trials.pick(&plan, &void.id, &answer("A"), Vec::new()).unwrap_err().explain().kind(), "trial-void");
    let again = trials.next(&plan, &code, "silent").unwrap();
    assert_eq!(again.number, void.number, "a void trial's number is given again");
    assert_ne!(again.commitment, void.commitment);
}

#[test]
fn a_test_closes_by_itself_and_takes_no_listener_too_many() {
    let dir = tempfile::tempdir().unwrap();
    let plan = draws::plan(Method::Abx, &["one", "two"], 2, Controls::default());
    session(&dir.path().join("s"), &plan);
    let clock = SystemClock;
    let mut trials = Trials::open(&dir.path().join("s"), &clock).unwrap();
    let (me, you) = (ListenerCode::new("me").unwrap(), ListenerCode::new("you").unwrap());
    trials.enter(&plan, &me, false).unwrap();
    for number in 1..=16 {
        assert!(!trials.standing(&plan, &me).unwrap().closed);
        let open = trials.next(&plan, &me, "silent").unwrap();
        assert_eq!(open.number, number);
        if number == 1 {
            assert_eq!(trials.enter(&plan, &you, false).unwrap_err().explain().kind(), "panel-full");
            assert!(trials.enter(&plan, &me, true).is_err(), "a person cannot become a simulated listener");
        }
        hears(&mut trials, &open);
        trials.pick(&plan, &open.id, &answer("B"), Vec::new()).unwrap();
    }
    assert!(trials.standing(&plan, &me).unwrap().closed);
    assert_eq!(trials.next(&plan, &me, "silent").unwrap_err().explain().kind(), "test-closed");
}

#[test]
fn an_open_trial_of_an_ended_program_is_void_and_drawn_anew() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("s");
    let plan = draws::plan(Method::Abx, &["one", "two"], 2, Controls::default());
    session(&folder, &plan);
    let clock = SystemClock;
    let code = ListenerCode::new("me").unwrap();
    let lost = {
        let mut trials = Trials::open(&folder, &clock).unwrap();
        trials.enter(&plan, &code, false).unwrap();
        trials.next(&plan, &code, "silent").unwrap()
        // The program ends here without a word.
    };
    let mut trials = Trials::open(&folder, &clock).unwrap();
    assert_eq!(trials.session().healed().len(), 1);
    assert!(matches!(trials.session().trial(&lost.id).unwrap().state, TrialState::Void { .. }));
    let open = trials.next(&plan, &code, "silent").unwrap();
    assert_eq!(open.number, 1);
    assert_ne!(open.commitment, lost.commitment);
}
