//! Random evenings: engineer and listeners do this and that in any order, programs die in between, and a small model of the session knows
//! what must be true after every step. Sixty short ones here; `CABJURY_EVENINGS=2000` for the long form.

use crate::material::Noise;
use crate::program::Desk;
use crate::trial_support::matched_session;
use cabjury::model::ids::{ListenerCode, TestId, TrialId};
use cabjury::model::outside::SystemClock;
use cabjury::model::trial::{Answer, Plan, TrialState};
use cabjury::store::Session;
use cabjury::testing::plan::{self, Request};
use cabjury::testing::receipt::Receipt;
use cabjury::testing::trials::{OpenTrial, Trials};
use cabjury::verdict::audit::audit;
use cabjury::verdict::closing::freeze;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

static CLOCK: SystemClock = SystemClock;

/// What must be true of a test.
#[derive(Default)]
struct Expected {
    closed: bool,
    given_up: bool,
    /// Its place among the declared ones.
    number: Option<u32>,
    /// Acknowledged picks: trial, choice, receipt.
    picks: BTreeMap<TrialId, (Answer, Receipt)>,
}

struct Evening {
    folder: PathBuf,
    random: Noise,
    tests: BTreeMap<TestId, Expected>,
    running: Option<Trials<'static>>,
    open: BTreeMap<TrialId, (Plan, OpenTrial, usize)>,
    done: Vec<&'static str>,
}

fn people() -> [ListenerCode; 3] {
    ["ann", "bob", "cid"].map(|c| ListenerCode::new(c).unwrap())
}

impl Evening {
    fn below(&mut self, n: usize) -> usize {
        // Noise lies in -1..1.
        ((self.random.next() + 1.0) / 2.0 * n as f64) as usize % n
    }

    fn trials(&mut self) -> &mut Trials<'static> {
        if self.running.is_none() {
            self.running = Some(Trials::open(&self.folder, &CLOCK).unwrap().closing_by(freeze));
        }
        self.running.as_mut().unwrap()
    }

    /// The program that had the session ends without a word: what was open is void.
    fn dies(&mut self) {
        self.running = None;
        self.open.clear();
    }

    fn any_test(&mut self) -> Option<TestId> {
        let all: Vec<TestId> = self.tests.keys().cloned().collect();
        if all.is_empty() { None } else { Some(all[self.below(all.len())].clone()) }
    }

    fn step(&mut self) {
        let what = self.below(10);
        self.done.push(["seal", "open", "open", "open", "pick", "pick", "pick", "die", "close", "give up"][what]);
        match what {
            0 => self.seals(),
            1..=3 => self.opens(),
            4..=6 => self.picks(),
            7 => self.dies(),
            8 => self.closes(),
            _ => self.gives_up(),
        }
    }

    fn seals(&mut self) {
        if self.tests.len() >= 4 {
            return;
        }
        self.dies();
        let mut request = Request::of(["one", "two"].map(|s| cabjury::model::ids::SetupName::new(s).unwrap()).to_vec());
        request.trials = Some(cabjury::model::trial::TrialCount::Fixed(3));
        request.listeners = 1 + self.below(2) as u32;
        request.controls.same_file = self.below(2) as u32;
        let doc = plan::plan(&self.folder, &request, &CLOCK).unwrap();
        // One test was declared: its place is free where nobody has it, or who had it was given up.
        let taken = self.tests.values().any(|t| t.number == Some(1) && !t.given_up);
        let number = doc.family.unwrap().number;
        assert_eq!(number, (!taken).then_some(1), "{:?}", self.done);
        self.tests.insert(TestId::new(&doc.test.unwrap()).unwrap(), Expected { number, ..Expected::default() });
    }

    fn opens(&mut self) {
        let Some(test) = self.any_test() else { return };
        let who = people()[self.below(3)].clone();
        let ended = self.tests[&test].closed || self.tests[&test].given_up;
        let trials = self.trials();
        let plan = match trials.choose(Some(&test)) {
            Ok(plan) => plan,
            Err(error) => {
                assert!(ended && !error.explain().next().is_empty(), "{error}");
                return;
            }
        };
        let entered = trials.enter(&plan, &who, false).and_then(|()| trials.next(&plan, &who, "an evening"));
        match entered {
            Ok(open) => {
                assert!(!ended, "a trial of a test that has ended");
                self.open.insert(open.id.clone(), (plan, open, 0));
            }
            Err(error) => {
                let kind = error.explain().kind();
                assert!(matches!(kind, "test-closed" | "panel-full" | "trial-open" | "listener-through"), "{kind}: {error}");
                assert!(!error.explain().next().is_empty());
                assert_eq!(kind == "test-closed", ended, "{:?}", self.done);
            }
        }
    }

    fn picks(&mut self) {
        let ids: Vec<TrialId> = self.open.keys().cloned().collect();
        if ids.is_empty() {
            return self.picks_again();
        }
        let id = ids[self.below(ids.len())].clone();
        let (plan, open, heard) = self.open[&id].clone();
        let choice = open.choices[self.below(open.choices.len())].clone();
        let answer = Answer { choice, confidence: None, remark: None };
        // One slot after the other reaches the listener; before the last one no pick is taken.
        if heard < open.labels.len() {
            let trials = self.trials();
            let refused = trials.pick(&plan, &id, &answer, Vec::new()).unwrap_err();
            assert_eq!(refused.explain().kind(), "not-heard");
            open.labels.iter().for_each(|label| trials.fetched(&id, label));
            self.open.get_mut(&id).unwrap().2 = open.labels.len();
            return;
        }
        let receipt = self.trials().pick(&plan, &id, &answer, Vec::new()).unwrap();
        self.open.remove(&id);
        self.tests.get_mut(&plan.test).unwrap().picks.insert(id, (answer, receipt));
        self.learns(&plan.test);
    }

    /// An answer that was acknowledged may be sent again at any time: it gets the same receipt, and another one is refused.
    fn picks_again(&mut self) {
        let Some(test) = self.any_test() else { return };
        let Some((id, (answer, receipt))) = self.tests[&test].picks.iter().next().map(|(i, p)| (i.clone(), p.clone())) else {
            return;
        };
        let plan = Session::open_read(&self.folder).unwrap().test(&test).unwrap().plan;
        let trials = self.trials();
        assert_eq!(trials.pick(&plan, &id, &answer, Vec::new()).unwrap(), receipt);
        let other = Answer { choice: if answer.choice == "A" { "B" } else { "A" }.to_owned(), ..answer };
        assert_eq!(trials.pick(&plan, &id, &other, Vec::new()).unwrap_err().explain().kind(), "answered-already");
    }

    /// A test may have closed by itself: only when its planned listeners are through.
    fn learns(&mut self, test: &TestId) {
        let session = Session::open_read(&self.folder).unwrap();
        let sealed = session.test(test).unwrap();
        let planned = (3 + sealed.plan.controls.same_file) * sealed.plan.listeners;
        let through = self.tests[test].picks.len() as u32 == planned;
        assert_eq!(sealed.closed_at.is_some(), through || self.tests[test].closed, "{:?}", self.done);
        if through {
            self.tests.get_mut(test).unwrap().closed = true;
            self.open.retain(|_, (plan, ..)| &plan.test != test);
        }
    }

    fn closes(&mut self) {
        // Closing early ends most evenings at once: now and then is enough.
        if self.below(4) > 0 {
            return;
        }
        let Some(test) = self.any_test() else { return };
        self.dies();
        let ended = self.tests[&test].closed || self.tests[&test].given_up;
        match plan::close(&self.folder, &test, freeze, &CLOCK) {
            Ok(_) => assert!(!ended),
            Err(error) => {
                assert!(ended, "{error}");
                assert_eq!(error.explain().fate().exit_code(), 3);
                return;
            }
        }
        self.tests.get_mut(&test).unwrap().closed = true;
    }

    fn gives_up(&mut self) {
        let Some(test) = self.any_test() else { return };
        self.dies();
        let expected = &self.tests[&test];
        let may = expected.picks.is_empty() && !expected.closed && !expected.given_up;
        match plan::give_up(&self.folder, &test, "another idea", &CLOCK) {
            Ok(_) => assert!(may, "{:?}", self.done),
            Err(error) => {
                assert!(!may, "{error}: {:?}", self.done);
                assert_eq!(error.explain().fate().exit_code(), 3);
                return;
            }
        }
        self.tests.get_mut(&test).unwrap().given_up = true;
    }

    fn ends(mut self) {
        self.dies();
        drop(Trials::open(&self.folder, &CLOCK).unwrap());
        let session = Session::open_read(&self.folder).unwrap();
        for (test, expected) in &self.tests {
            assert_eq!(session.test(test).unwrap().closed_at.is_some(), expected.closed, "{:?}", self.done);
            let (mut kept, mut open) = (BTreeMap::new(), 0);
            for trial in session.trials(test).unwrap() {
                match trial.state {
                    TrialState::Answered { answer, .. } => drop(kept.insert(trial.id, answer)),
                    TrialState::Open => open += 1,
                    TrialState::Void { .. } => {}
                }
            }
            assert_eq!(open, 0, "no order is open after the end");
            let told: BTreeMap<_, _> = expected.picks.iter().map(|(id, (answer, _))| (id.clone(), answer.clone())).collect();
            assert_eq!(kept, told, "what was acknowledged is what is kept: {:?}", self.done);
        }
        let found = audit(&self.folder).unwrap();
        assert!(found.ok, "{:?}\n{:?}", found.problems, self.done);
    }
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            let _ = std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[test]
fn random_evenings_keep_what_they_promise() {
    let evenings: u64 = std::env::var("CABJURY_EVENINGS").ok().and_then(|n| n.parse().ok()).unwrap_or(60);
    let desk = Desk::new();
    matched_session(&desk);
    for n in 0..evenings {
        let folder = desk.join(&format!("evening-{n}"));
        copy(&desk.join("s"), &folder);
        let mut evening = Evening {
            folder: folder.clone(),
            random: Noise(1000 + n),
            tests: BTreeMap::new(),
            running: None,
            open: BTreeMap::new(),
            done: Vec::new(),
        };
        evening.seals();
        for _ in 0..40 {
            evening.step();
        }
        evening.ends();
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
