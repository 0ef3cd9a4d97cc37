//! A session that somebody answered, with the receipts that were taken home.

use crate::program::Desk;
use crate::trial_support::own_session;
use cabjury::model::ids::{ListenerCode, TestId};
use cabjury::model::outside::SystemClock;
use cabjury::model::trial::Answer;
use cabjury::testing::receipt::{Receipt, save};
use cabjury::testing::trials::Trials;
use cabjury::verdict::closing::freeze;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Answers `most` trials at most, each with its first choice, and takes the receipts home.
pub(super) fn answers(folder: &Path, listener: &str, most: usize) -> Vec<Receipt> {
    let mut trials = Trials::open(folder, &SystemClock).unwrap().closing_by(freeze);
    let plan = trials.choose(Some(&TestId::new("test-1").unwrap())).unwrap();
    let who = ListenerCode::new(listener).unwrap();
    trials.enter(&plan, &who, false).unwrap();
    let mut receipts = Vec::new();
    while receipts.len() < most && !trials.standing(&plan, &who).unwrap().through() {
        let open = trials.next(&plan, &who, "a test").unwrap();
        open.labels.iter().for_each(|label| trials.fetched(&open.id, label));
        let answer = Answer { choice: open.choices[0].clone(), confidence: None, remark: None };
        receipts.push(trials.pick(&plan, &open.id, &answer, Vec::new()).unwrap());
    }
    receipts
}

/// What was published, and what was taken home.
pub(super) struct Evening {
    pub(super) desk: Desk,
    /// The line that `plan` printed.
    pub(super) before: String,
    /// The line of the closed test.
    pub(super) after: String,
    /// The receipts of each listener, as a file.
    pub(super) receipts: Vec<PathBuf>,
}

impl Evening {
    /// Two listeners answer twelve trials each.
    pub(super) fn new() -> Self {
        let desk = Desk::new();
        own_session(&desk);
        let plan = ["plan", "s", "--compare", "one,two", "--trials", "12", "--listeners", "2", "--design", "paired", "--json"];
        let before = desk.run(&plan).ends(0).json()["fingerprint"]["line"].as_str().unwrap().to_owned();
        let mut receipts = Vec::new();
        for who in ["ann", "bob"] {
            let path = desk.join(&format!("{who}.json"));
            save(&path, &answers(&desk.join("s"), who, 100)).unwrap();
            receipts.push(path);
        }
        let mut lines = Vec::new();
        cabjury::store::Session::open_read(&desk.join("s"))
            .unwrap()
            .each_entry(&mut |e| {
                if e.what == "close" {
                    lines.push(e.hash[..20].to_owned());
                }
            })
            .unwrap();
        let id = before.split(' ').nth(1).unwrap();
        let after = format!("cabjury {id} test-1 {}", lines[0]);
        Self { desk, before, after, receipts }
    }

    pub(super) fn copy(&self, from: &str, to: &str) {
        let done = Command::new("cp").arg("-r").arg(self.desk.join(from)).arg(self.desk.join(to)).status().unwrap();
        assert!(done.success());
    }

    /// The document of an audit that ends so.
    pub(super) fn audit(&self, code: i32, args: &[&str]) -> Value {
        let all: Vec<&str> = ["audit", "--json", "--keep-nothing"].into_iter().chain(args.iter().copied()).collect();
        self.desk.run(&all).ends(code).json()
    }

    pub(super) fn receipt(&self, n: usize) -> &str {
        self.receipts[n].to_str().unwrap()
    }
}

/// The places of a document's problems.
pub(super) fn places(doc: &Value) -> Vec<String> {
    doc["problems"].as_array().unwrap().iter().map(|p| p["where"].as_str().unwrap().to_owned()).collect()
}
