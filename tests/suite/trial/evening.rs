//! Whole evenings through the real store: invented recordings whose files are a byte each, sealed plans, listeners who answer as they are told.

use super::draws;
use cabjury::model::ids::{ListenerCode, SetupName};
use cabjury::model::outside::StoppedClock;
use cabjury::model::result::TestResult;
use cabjury::model::session::{Clip, MatchRun, Take};
use cabjury::model::trial::{Answer, Controls, Method, Plan, SealedTest};
use cabjury::store::Session;
use cabjury::testing::trials::Trials;
use cabjury::trial::{Generator, seal};
use cabjury::verdict::closing::{self, freeze};
use serde_json::json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

pub(crate) const AT: &str = "2026-03-01T20:00:00Z";

/// An evening: a session of its own with one sealed test.
pub(crate) struct Evening {
    _dir: tempfile::TempDir,
    pub(crate) folder: PathBuf,
    pub(crate) plan: Plan,
    random: Generator,
}

/// A trial as its listener is told to answer it.
pub(crate) struct Scene {
    pub(crate) choices: Vec<String>,
    setups: BTreeMap<String, SetupName>,
    anchors: Vec<String>,
    /// The samples are of two setups or more: not a control, and scored.
    pub(crate) two_setups: bool,
}

impl Scene {
    /// The choice of a setup among those that may be picked.
    pub(crate) fn of(&self, setup: &str) -> String {
        self.choices.iter().find(|c| self.setups[*c].as_str() == setup).unwrap_or(&self.choices[0]).clone()
    }

    /// The right choice of a scored trial, or a wrong one.
    fn judged(&self, plan: &Plan, right: bool) -> String {
        let fits = |choice: &String| match plan.method {
            Method::Abx => self.setups[choice] == self.setups["X"],
            Method::DuoTrio => self.setups[choice] == self.setups["R"],
            Method::Triangle => self.setups.values().filter(|s| **s == self.setups[choice]).count() == 1,
            _ => Some(&self.setups[choice]) == plan.expect.as_ref(),
        };
        self.choices.iter().find(|c| fits(c) == right).unwrap_or(&self.choices[0]).clone()
    }

    /// Ratings: of each setup, and of the anchor.
    pub(crate) fn rated(&self, of: impl Fn(&str) -> u32, anchor: u32) -> String {
        let value = |c: &String| if self.anchors.contains(c) { anchor } else { of(self.setups[c].as_str()) };
        self.choices.iter().map(|c| format!("{c}={}", value(c))).collect::<Vec<_>>().join(",")
    }
}

/// A plan over two setups with so many takes each, two facts that differ.
pub(crate) fn plan(method: Method, takes: usize, trials: u32, listeners: u32, controls: Controls) -> Plan {
    let mut plan = draws::plan(method, &["s16", "p4"], takes, controls);
    plan.trials = cabjury::model::trial::TrialCount::Fixed(trials);
    plan.listeners = listeners;
    plan.differs = vec!["wiring: A + B against A || B".to_owned(), "tap: 16 ohm against 4 ohm".to_owned()];
    if method == Method::Graded {
        plan.reference = Some(plan.setups[0].clone());
    }
    plan
}

fn clock() -> StoppedClock {
    StoppedClock(AT.parse().unwrap())
}

fn recordings(folder: &Path, plan: &Plan) -> (Vec<Take>, MatchRun, Vec<Clip>) {
    let (mut takes, mut clips) = (Vec::new(), Vec::new());
    for (i, c) in plan.clips.iter().enumerate() {
        let byte = [u8::try_from(i + 1).unwrap()];
        let (take_path, clip_path) = (format!("takes/{}.wav", c.take), format!("clips/{}.wav", c.clip));
        std::fs::write(folder.join(&take_path), byte).unwrap();
        std::fs::write(folder.join(&clip_path), byte).unwrap();
        let take = json!({
            "id": c.take, "setup": c.setup, "mic": plan.mic, "pass": i + 1, "depth": "rewired", "notes": {}, "path": take_path,
            "original_name": "invented.wav", "sha256": c.sha256, "channel": null, "rate": 48_000, "frames": 48_000, "channels": 1,
            "findings": [], "imported_at": AT, "withdrawn": null,
        });
        takes.push(serde_json::from_value(take).unwrap());
        let clip = json!({
            "id": c.clip, "setup": c.setup, "take": c.take, "mic": plan.mic, "excerpt": plan.excerpt, "as_recorded": false,
            "gain": 0.0, "lag_samples": 0.0, "drift": null, "polarity": "same", "loudness_before": null, "loudness": null,
            "shared_loudness": null, "true_peak": null, "residual": null, "path": clip_path, "sha256": c.sha256, "rate": 48_000,
            "frames": 48_000, "channels": 1, "run": 1,
        });
        clips.push(serde_json::from_value(clip).unwrap_or_else(|e| panic!("{e}")));
    }
    let run = json!({
        "run": 1, "as_recorded": false, "largest_mismatch": null, "ceiling": -1.0, "excerpts": [], "made_at": AT,
    });
    (takes, serde_json::from_value(run).unwrap(), clips)
}

impl Evening {
    /// Seals a plan in a session of its own.
    pub(crate) fn sealed(plan: Plan) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("s");
        let now = AT.parse().unwrap();
        let mut session = Session::create(&folder, Some("an evening"), now).unwrap();
        let (takes, run, clips) = recordings(&folder, &plan);
        session.add_takes(&takes, now).unwrap();
        session.add_match_run(&run, &clips, now).unwrap();
        let canonical = seal::canonical(&plan);
        let sealed = SealedTest { plan: plan.clone(), seal: seal::seal(&canonical), canonical, sealed_at: now, closed_at: None };
        session.add_test(&sealed, now).unwrap();
        Self { _dir: dir, folder, plan, random: Generator::simulated(11) }
    }

    /// A listener answers so many trials. `choose` is asked with the number of scored trials that this listener answered before.
    pub(crate) fn listens(&mut self, code: &str, trials: u32, choose: &mut dyn FnMut(&Scene, usize) -> String) {
        let clock = clock();
        let mut service = Trials::open(&self.folder, &clock).unwrap().closing_by(freeze);
        let code = ListenerCode::new(code).unwrap();
        service.enter(&self.plan, &code, code.as_str().starts_with("robot")).unwrap();
        let mut scored = 0;
        for _ in 0..trials {
            let open = service.next_with(&self.plan, &code, "an invented device", &mut self.random).unwrap();
            let heard: Vec<_> = open.labels.iter().map(|l| (l.clone(), service.for_the_player(&open.id, l).unwrap())).collect();
            let setup_of = |clip| self.plan.clips.iter().find(|c| &c.clip == clip).unwrap().setup.clone();
            let setups: BTreeMap<String, SetupName> = heard.iter().map(|(l, (clip, _))| (l.clone(), setup_of(clip))).collect();
            let different: std::collections::BTreeSet<_> = setups.values().cloned().collect();
            let anchors = heard.iter().filter(|(_, (_, anchor))| *anchor).map(|(l, _)| l.clone()).collect();
            let decided = |c: &&String| setups.contains_key(*c);
            assert!(open.choices.iter().all(|c| decided(&c)));
            // A and B of one setup are scored by nobody, whatever X is.
            let of_choices: std::collections::BTreeSet<_> = open.choices.iter().map(|c| setups[c].clone()).collect();
            let two_setups = different.len() > 1 && of_choices.len() > 1;
            let scene = Scene { choices: open.choices.clone(), setups, anchors, two_setups };
            let choice = choose(&scene, scored);
            scored += usize::from(scene.two_setups);
            open.labels.iter().for_each(|l| service.fetched(&open.id, l));
            let answer = Answer { choice, confidence: None, remark: None };
            service.pick(&self.plan, &open.id, &answer, Vec::new()).unwrap();
        }
    }

    /// A listener who is right in the first `right` of the scored trials, takes the first choice elsewhere.
    pub(crate) fn hears(&mut self, code: &str, right: usize, trials: u32) {
        let plan = self.plan.clone();
        self.listens(code, trials, &mut |scene, k| {
            if scene.two_setups { scene.judged(&plan, k < right) } else { scene.choices[k % scene.choices.len()].clone() }
        });
    }

    /// A listener who picks s16 in the first `first` of the scored trials, and p4 in the others.
    pub(crate) fn prefers(&mut self, code: &str, first: usize, trials: u32) {
        self.listens(code, trials, &mut |scene, k| {
            if scene.two_setups { scene.of(if k < first { "s16" } else { "p4" }) } else { scene.choices[k % 2].clone() }
        });
    }

    /// Only opens the page: a trial that is never answered.
    pub(crate) fn opens(&mut self, code: &str) {
        let clock = clock();
        let mut service = Trials::open(&self.folder, &clock).unwrap();
        let code = ListenerCode::new(code).unwrap();
        service.enter(&self.plan, &code, false).unwrap();
        let open = service.next(&self.plan, &code, "an invented device").unwrap();
        service.void(&open.id, "the listener left").unwrap();
    }

    /// Ends the test, if it has not ended by itself, and reads what is kept of it.
    pub(crate) fn result(&self) -> TestResult {
        let clock = clock();
        let mut service = Trials::open(&self.folder, &clock).unwrap().closing_by(freeze);
        if service.session().test(&self.plan.test).unwrap().closed_at.is_none() {
            service.close(&self.plan.test).unwrap();
        }
        let kept = closing::frozen(service.session(), &self.plan.test).unwrap().expect("a closed test has its result");
        // What was frozen is what the records give.
        let again = closing::recompute(service.session(), &self.plan.test).unwrap();
        assert_eq!(serde_json::to_value(&kept).unwrap(), serde_json::to_value(&again).unwrap());
        kept
    }
}

/// No controls.
pub(crate) fn none() -> Controls {
    Controls::default()
}
