//! Simulated audiences that hear nothing: how often is something claimed?

use crate::program::Desk as Folder;
use crate::trial_support::matched_session;
use cabjury::model::ids::{ListenerCode, TestId, TrialId};
use cabjury::model::random::RandomWords;
use cabjury::model::trial::{Answer, TrialRecord, TrialState};
use cabjury::store::Session;
use cabjury::store::event::Happening;
use cabjury::trial::{Generator, Progressed, draw_trial};
use cabjury::verdict::audience::{Collected, FORMAT, Header, audience};
use std::fmt::Write;

const AUDIENCES: u64 = 120;

/// Visitors who guess. Some leave early: the more they got right so far, the likelier they stay, as if they knew; some come again.
fn answered(plan: &cabjury::model::trial::Plan, planned: u32, seed: u64) -> (String, u64, u64) {
    let mut random = Generator::simulated(seed);
    let (mut out, mut trials, mut visitors) = (String::new(), 0, 0);
    for visitor in 0..24 {
        // A repeater has a second code and is counted twice.
        for _ in 0..=u32::from(visitor % 6 == 0) {
            visitors += 1;
            let (mut done, mut right) = (Progressed::default(), 0);
            for number in 1..=planned {
                let hidden = draw_trial(plan, done, &mut random).unwrap();
                let commitment = hidden.commitment();
                let choice = hidden.choices()[random.below(2) as usize].clone();
                let answer = Answer { choice, confidence: None, remark: None };
                let opened = hidden.open(&answer);
                done.add(opened.order.kind);
                right += u32::from(opened.right == Some(true));
                trials += 1;
                let at = "2030-01-01T00:00:00Z".parse().unwrap();
                let state = TrialState::Answered {
                    answer,
                    order: opened.order,
                    nonce: opened.nonce,
                    right: opened.right,
                    at,
                    heard: Vec::new(),
                };
                let record = TrialRecord {
                    id: TrialId::new(&format!("{seed}-{trials}")).unwrap(),
                    test: plan.test.clone(),
                    listener: ListenerCode::new(&format!("v{visitors}")).unwrap(),
                    number,
                    commitment,
                    opened_at: at,
                    played: "simulated".to_owned(),
                    practice: false,
                    state,
                };
                writeln!(out, "{}", serde_json::to_string(&record).unwrap()).unwrap();
                let stays = (right + 1) as f64 / f64::from(number + 1);
                if random.unit() > 0.55 + 0.6 * stays {
                    break;
                }
            }
        }
    }
    (out, trials, visitors)
}

#[test]
fn audiences_that_hear_nothing_are_claimed_to_hear_no_oftener_than_the_level() {
    let folder = Folder::new();
    matched_session(&folder);
    let mut claims = Vec::new();
    for (number, method) in [(1, "abx"), (2, "preference")] {
        folder.run(&["plan", "s", "--compare", "one,two", "--audience", "--trials", "6", "--method", method]).ends(0);
        claims.push(falsely(&folder, &format!("test-{number}")));
    }
    for (claimed, level) in claims {
        // So many false claims of a true level have less than one chance in ten thousand.
        let most = (0..=AUDIENCES).find(|k| cabjury::stats::binomial::upper_tail(*k, AUDIENCES, level) < 1e-4).unwrap();
        assert!(claimed < most, "{claimed} of {AUDIENCES} audiences at level {level}");
    }
}

fn falsely(folder: &Folder, test: &str) -> (u64, f64) {
    let test = TestId::new(test).unwrap();
    let now = "2030-01-01T00:00:00Z".parse().unwrap();
    let mut session = Session::open_write(&folder.join("s"), now).unwrap();
    let sealed = session.test(&test).unwrap();
    let header = Header {
        format: FORMAT.to_owned(),
        session_id: session.id().unwrap().to_string(),
        test: test.clone(),
        hall: "0".repeat(32),
        seal: sealed.seal.clone(),
        closed_at: now,
    };
    std::fs::create_dir_all(folder.join("s/reports")).unwrap();
    for seed in 0..AUDIENCES {
        let (lines, trials, visitors) = answered(&sealed.plan, 6, 1 + seed);
        let text = format!("{}\n{lines}", serde_json::to_string(&header).unwrap());
        let file = format!("reports/audience-{test}-{seed}.jsonl");
        std::fs::write(folder.join("s").join(&file), &text).unwrap();
        let sha256 = cabjury::model::audio::Sha256Hex::of(text.as_bytes());
        let body = Collected { hall: "0".repeat(32), file, sha256, visitors, trials, picks: trials, closed_at: now };
        session.happened(Happening::HallCollected, test.as_str(), &body, now).unwrap();
    }
    let docs: Vec<_> = audience(&session).unwrap().into_iter().filter(|d| d.test == test).collect();
    assert_eq!(docs.len() as u64, AUDIENCES);
    assert!(docs.iter().all(|d| d.void_reason.is_none() && d.visitors == 28 && d.unanswered > 0), "{:?}", docs[0]);
    (docs.iter().filter(|d| d.p_value.unwrap() <= d.level).count() as u64, docs[0].level)
}
