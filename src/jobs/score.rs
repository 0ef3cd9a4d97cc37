//! `score`: from a session's records to verdicts with evidence. The tally is a pure function over records: people's trials, rehearsals and
//! the audit go through the same one.

use super::chance::CountDoc;
use super::error::JobError;
use crate::model::explain::Fate;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::session::{Clip, Listener, Take};
use crate::model::trial::{Method, Plan, SealedTest, TrialCount, TrialKind, TrialRecord, TrialState};
use crate::report::sentence::{self, Facts};
use crate::stats::binomial::{two_sided, upper_tail};
use crate::stats::panel::{heterogeneity, holm};
use crate::stats::verdict::{ControlCount, Counted, Decision, Numbers, Surroundings, decide, numbers};
use crate::stats::{checks, evidence};
use crate::store::Session;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// One listener's part.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerDoc {
    /// Their code.
    pub listener: String,
    /// True for a simulated one.
    pub simulated: bool,
    /// Trials that count.
    pub trials: u64,
    /// Right ones.
    pub correct: u64,
    /// Exact p.
    pub p_value: f64,
    /// After Holm over the listeners.
    pub p_holm: f64,
    /// What stands out, in plain words. Nobody is left out for it.
    pub flags: Vec<String>,
}

/// Controls of one kind.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct ControlDoc {
    /// Answered.
    pub trials: u64,
    /// Right.
    pub correct: u64,
}

/// Both kinds.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct ControlsDoc {
    /// All slots were one file.
    pub same_file: ControlDoc,
    /// Two takes of one setup.
    pub repeat: ControlDoc,
}

/// How unequal the listeners are.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct HeterogeneityDoc {
    /// Pearson's chi-square.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub df: u64,
    /// Its p.
    pub p_value: f64,
    /// Tarone's Z.
    pub tarone_z: f64,
    /// Its one-sided p.
    pub tarone_p: f64,
}

/// How often each setup of a preference test was preferred.
#[derive(Debug, Clone, Serialize)]
pub struct PreferenceDoc {
    /// The first of a pair.
    pub first: String,
    /// The second of a pair.
    pub second: String,
    /// How often the first was preferred.
    pub first_preferred: u64,
    /// Picks of this pair.
    pub picks: u64,
    /// Two-sided exact p.
    pub p_value: f64,
    /// After Holm over the pairs.
    pub p_holm: f64,
}

/// One test.
#[derive(Debug, Clone, Serialize)]
pub struct TestDoc {
    /// Its number.
    pub test: String,
    /// True when it is closed; otherwise only how far it is.
    pub closed: bool,
    /// The first of two setups.
    pub first: Option<String>,
    /// The second of two setups.
    pub second: Option<String>,
    /// All setups.
    pub setups: Vec<String>,
    /// Everything that differs.
    pub differs: Vec<String>,
    /// Takes per setup.
    pub takes: BTreeMap<String, usize>,
    /// The mic or blend.
    pub mic: String,
    /// The excerpt.
    pub excerpt: String,
    /// True when raw levels are compared.
    pub as_recorded: bool,
    /// Scored trials planned for all listeners; null when open-ended.
    pub planned: Option<u64>,
    /// Scored trials answered.
    pub done: u64,
    /// Void trials.
    pub void: u64,
    /// Everything below is there for closed tests only.
    #[serde(flatten)]
    pub result: Option<ResultDoc>,
}

/// The result of a closed test.
#[derive(Debug, Clone, Serialize)]
pub struct ResultDoc {
    /// All numbers.
    #[serde(flatten)]
    pub count: CountDoc,
    /// The exact p of the answered trials alone: valid only if nobody saw the score before stopping.
    pub p_value_answered: Option<f64>,
    /// The p after Holm over the tests of one question.
    pub p_holm: f64,
    /// Level of the test.
    pub alpha: f64,
    /// Smallest share worth finding.
    pub bound: f64,
    /// Controls.
    pub controls: ControlsDoc,
    /// Listeners.
    pub listeners: Vec<ListenerDoc>,
    /// Listeners planned.
    pub listeners_planned: u32,
    /// True when only simulated listeners answered.
    pub simulated_only: bool,
    /// How unequal they are.
    pub heterogeneity: Option<HeterogeneityDoc>,
    /// Pairs of a preference test.
    pub preference: Option<Vec<PreferenceDoc>>,
    /// Some scored trial's hidden sample was its reference's own file.
    pub own_file: bool,
    /// What the engineer was warned about when sealing.
    pub warnings: Vec<String>,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The verdict as a sentence.
    pub sentence: String,
}

/// The document of `score`.
#[derive(Debug, Clone, Serialize)]
pub struct ScoreDoc {
    /// The session's folder.
    pub session: String,
    /// Its tests, all of them, whatever became of them.
    pub tests: Vec<TestDoc>,
}

/// What one listener did in a test.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Scored picks in order: right (`preference`: the first-named setup was preferred), and whether the first choice was picked.
    pub scored: Vec<(bool, bool)>,
    /// Same-file controls.
    pub same_file: ControlCount,
    /// Repeat controls.
    pub repeat: ControlCount,
    /// Some hidden sample was its reference's own file.
    pub own_file: bool,
}

/// Which setup stands in a slot of a finished trial.
fn setup_of<'a>(plan: &'a Plan, clip: &crate::model::ids::ClipId) -> Option<&'a crate::model::ids::SetupName> {
    plan.clips.iter().find(|c| &c.clip == clip).map(|c| &c.setup)
}

impl Tally {
    /// Adds an answered trial.
    pub fn add(&mut self, plan: &Plan, order: &crate::model::trial::OrderRecord, choice: &str, right: Option<bool>) {
        let control = ControlCount { trials: 1, correct: u64::from(right == Some(true)) };
        match order.kind {
            TrialKind::SameFile => add(&mut self.same_file, control),
            TrialKind::Repeat => add(&mut self.repeat, control),
            TrialKind::Scored => {
                let first_choice = matches!(choice, "A" | "1");
                let hit =
                    if plan.method == Method::Preference { prefers_first(plan, order, choice) } else { right == Some(true) };
                self.scored.push((hit, first_choice));
                self.own_file |= own_file(plan.method, order);
            }
        }
    }

    /// Right answers.
    #[must_use]
    pub fn correct(&self) -> u64 {
        self.scored.iter().filter(|s| s.0).count() as u64
    }
}

fn add(sum: &mut ControlCount, one: ControlCount) {
    sum.trials += one.trials;
    sum.correct += one.correct;
}

/// The picked slot's setup is the one that the plan names first of the pair.
fn prefers_first(plan: &Plan, order: &crate::model::trial::OrderRecord, choice: &str) -> bool {
    let place = |label: &str| {
        let slot = order.slots.iter().find(|s| s.label == label)?;
        let setup = setup_of(plan, &slot.clip)?;
        plan.setups.iter().position(|s| s == setup)
    };
    let other = if choice == "1" { "2" } else { "1" };
    place(choice).zip(place(other)).is_some_and(|(picked, left)| picked < left)
}

/// The hidden sample's file sounds a second time in the trial: a listener could recognise the take.
fn own_file(method: Method, order: &crate::model::trial::OrderRecord) -> bool {
    let clips: Vec<_> = order.slots.iter().map(|s| &s.clip).collect();
    match method {
        Method::Preference | Method::Attribute => false,
        _ => clips.iter().enumerate().any(|(i, c)| clips[i + 1..].contains(c)),
    }
}

/// What is known about a test besides its trials.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Listeners of the session.
    pub listeners: Vec<Listener>,
    /// Why the data is void, if it is.
    pub void_reason: Option<String>,
}

/// A test's tallies, by listener, of one kind: people if any person answered, else the simulated ones.
struct Panel {
    tallies: Vec<(ListenerCode, Tally)>,
    simulated: bool,
}

fn panel(plan: &Plan, trials: &[TrialRecord], listeners: &[Listener]) -> Panel {
    let simulated = |code: &ListenerCode| listeners.iter().any(|l| &l.code == code && l.simulated);
    let answered = |t: &&TrialRecord| matches!(t.state, TrialState::Answered { .. });
    let people = trials.iter().filter(answered).any(|t| !simulated(&t.listener));
    let mut tallies: Vec<(ListenerCode, Tally)> = Vec::new();
    for trial in trials.iter().filter(|t| simulated(&t.listener) != people) {
        let at = tallies.iter().position(|(c, _)| c == &trial.listener).unwrap_or_else(|| {
            tallies.push((trial.listener.clone(), Tally::default()));
            tallies.len() - 1
        });
        if let TrialState::Answered { answer, order, right, .. } = &trial.state {
            tallies[at].1.add(plan, order, &answer.choice, *right);
        }
    }
    // Who began is who has a trial: a listener whose only trial is void began as well, and what is unanswered counts as wrong.
    Panel { tallies, simulated: !people }
}

/// Trials of one listener that count: all planned ones, or for an open-ended test those answered.
fn counting(plan: &Plan, tally: &Tally) -> u64 {
    match plan.trials {
        TrialCount::Fixed(n) => u64::from(n),
        TrialCount::OpenEnded => tally.scored.len() as u64,
    }
}

/// Counts of a test, pooled.
#[derive(Debug, Clone)]
pub struct Pooled {
    /// What is judged.
    pub counted: Counted,
    /// Its numbers.
    pub numbers: Numbers,
    /// The gates' input, Holm over tests not yet in.
    pub around: Surroundings,
    /// Answered scored trials.
    pub answered: u64,
}

/// Pools tallies of one test. `preference` with several pairs is judged pair by pair; here it is the share of first-named picks.
#[must_use]
pub fn pool(plan: &Plan, tallies: &[&Tally]) -> Pooled {
    let trials: u64 = tallies.iter().map(|t| counting(plan, t)).sum();
    let correct: u64 = tallies.iter().map(|t| t.correct()).sum();
    let answered: u64 = tallies.iter().map(|t| t.scored.len() as u64).sum();
    let paired = plan.method == Method::Preference;
    let g = plan.method.chance().map_or(0.5, |(a, b)| f64::from(a) / f64::from(b));
    let anytime = (plan.trials == TrialCount::OpenEnded)
        .then(|| evidence::anytime_p(tallies.iter().flat_map(|t| t.scored.iter().map(|s| s.0)), g, paired));
    // An unanswered preference is no preference for the second: only answered picks are compared.
    let trials = if paired { answered } else { trials };
    let counted = Counted { method: plan.method, trials, correct, alpha: plan.alpha.value(), bound: plan.bound.value(), anytime };
    let numbers = numbers(&counted);
    let p = numbers.p_value.unwrap_or(numbers.anytime_p);
    let listeners = tallies.iter().map(|t| listener_p(plan, t, g)).collect();
    let mut around = Surroundings { own_file: tallies.iter().any(|t| t.own_file), listeners, ..Surroundings::bare(p) };
    for t in tallies {
        add(&mut around.same_file, t.same_file);
        add(&mut around.repeat, t.repeat);
    }
    Pooled { counted, numbers, around, answered }
}

fn listener_p(plan: &Plan, tally: &Tally, g: f64) -> f64 {
    let (n, x) = (counting(plan, tally), tally.correct());
    match plan.trials {
        TrialCount::OpenEnded => evidence::anytime_p(tally.scored.iter().map(|s| s.0), g, plan.method == Method::Preference),
        TrialCount::Fixed(_) if plan.method == Method::Preference => two_sided(x, tally.scored.len() as u64, 0.5),
        TrialCount::Fixed(_) => upper_tail(x, n, g),
    }
}

fn flags(tally: &Tally) -> Vec<String> {
    let mut out = Vec::new();
    let first = tally.scored.iter().filter(|s| s.1).count() as u64;
    let n = tally.scored.len() as u64;
    if n >= 8 && checks::position_bias_p(first, n) <= checks::FLAG_LEVEL {
        out.push(format!("picked the first choice {first} of {n} times"));
    }
    let outcomes: Vec<bool> = tally.scored.iter().map(|s| s.0).collect();
    if (8..=400).contains(&outcomes.len()) {
        let (_, improving, declining) = checks::drift(&outcomes);
        if declining <= checks::FLAG_LEVEL / 2.0 {
            out.push("became worse towards the end: tired ears?".to_owned());
        } else if improving <= checks::FLAG_LEVEL / 2.0 {
            out.push("became better towards the end".to_owned());
        }
    }
    out
}

/// The pairs of a preference test.
fn pairs(plan: &Plan, trials: &[TrialRecord], codes: &[&ListenerCode]) -> Vec<PreferenceDoc> {
    let mut out = Vec::new();
    for (i, first) in plan.setups.iter().enumerate() {
        for second in &plan.setups[i + 1..] {
            let (mut n, mut x) = (0, 0);
            for trial in trials.iter().filter(|t| codes.contains(&&t.listener)) {
                let TrialState::Answered { answer, order, .. } = &trial.state else { continue };
                let heard: Vec<_> = order.slots.iter().filter_map(|s| setup_of(plan, &s.clip)).collect();
                if order.kind == TrialKind::Scored && heard.contains(&first) && heard.contains(&second) {
                    n += 1;
                    x += u64::from(prefers_first(plan, order, &answer.choice));
                }
            }
            let p_value = two_sided(x, n, 0.5);
            out.push(PreferenceDoc {
                first: first.to_string(),
                second: second.to_string(),
                first_preferred: x,
                picks: n,
                p_value,
                p_holm: p_value,
            });
        }
    }
    let adjusted = holm(&out.iter().map(|p| p.p_value).collect::<Vec<_>>());
    for (pair, p) in out.iter_mut().zip(adjusted) {
        pair.p_holm = p;
    }
    out
}

/// The question that a test asks: setups, mic, level.
fn question(plan: &Plan) -> (Vec<String>, String, bool) {
    let mut setups: Vec<String> = plan.setups.iter().map(ToString::to_string).collect();
    setups.sort();
    (setups, plan.mic.to_string(), plan.as_recorded)
}

/// A test with all that is needed to judge it.
pub struct Judgeable<'a> {
    /// The sealed test.
    pub test: &'a SealedTest,
    /// Its trials.
    pub trials: &'a [TrialRecord],
    /// What else is known.
    pub known: Known,
}

/// Scores tests that belong to one session: Holm over those that ask one question.
#[must_use]
pub fn score_all(tests: &[Judgeable<'_>]) -> Vec<TestDoc> {
    let pooled: Vec<Option<(Panel, Pooled)>> = tests
        .iter()
        .map(|j| {
            j.test.closed_at?;
            let panel = panel(&j.test.plan, j.trials, &j.known.listeners);
            let pooled = pool(&j.test.plan, &panel.tallies.iter().map(|t| &t.1).collect::<Vec<_>>());
            Some((panel, pooled))
        })
        .collect();
    let p_of = |i: usize| pooled[i].as_ref().map_or(1.0, |(_, p)| p.numbers.p_value.unwrap_or(p.numbers.anytime_p));
    tests
        .iter()
        .enumerate()
        .map(|(i, j)| {
            // Every sealed test of the question counts, whatever became of it: an open one with p = 1.
            let family: Vec<usize> =
                (0..tests.len()).filter(|k| question(&tests[*k].test.plan) == question(&j.test.plan)).collect();
            let adjusted = holm(&family.iter().map(|k| p_of(*k)).collect::<Vec<_>>());
            let p_holm = family.iter().position(|k| *k == i).map_or(1.0, |at| adjusted[at]);
            let result = pooled[i].as_ref().map(|(panel, pooled)| result(j, panel, pooled, p_holm, family.len() > 1));
            test_doc(j, result)
        })
        .collect()
}

fn test_doc(j: &Judgeable<'_>, result: Option<ResultDoc>) -> TestDoc {
    let plan = &j.test.plan;
    let two = plan.setups.len() == 2;
    let scored = |t: &&TrialRecord| matches!(&t.state, TrialState::Answered { order, .. } if order.kind == TrialKind::Scored);
    TestDoc {
        test: plan.test.to_string(),
        closed: j.test.closed_at.is_some(),
        first: two.then(|| plan.setups[0].to_string()),
        second: two.then(|| plan.setups[1].to_string()),
        setups: plan.setups.iter().map(ToString::to_string).collect(),
        differs: plan.differs.clone(),
        takes: takes(plan),
        mic: plan.mic.to_string(),
        excerpt: plan.excerpt.to_string(),
        as_recorded: plan.as_recorded,
        planned: match plan.trials {
            TrialCount::Fixed(n) => Some(u64::from(n) * u64::from(plan.listeners)),
            TrialCount::OpenEnded => None,
        },
        // How many scored trials an open test has would, beside the number of all trials, tell which were controls: all answered ones are
        // counted until it is closed.
        done: if j.test.closed_at.is_some() {
            j.trials.iter().filter(scored).count() as u64
        } else {
            j.trials.iter().filter(|t| matches!(t.state, TrialState::Answered { .. })).count() as u64
        },
        void: j.trials.iter().filter(|t| matches!(t.state, TrialState::Void { .. })).count() as u64,
        result,
    }
}

fn takes(plan: &Plan) -> BTreeMap<String, usize> {
    plan.setups.iter().map(|s| (s.to_string(), plan.clips.iter().filter(|c| &c.setup == s).count())).collect()
}

fn result(j: &Judgeable<'_>, panel: &Panel, pooled: &Pooled, p_holm: f64, several: bool) -> ResultDoc {
    let plan = &j.test.plan;
    let mut around = pooled.around.clone();
    around.data_void = j.known.void_reason.is_some();
    around.p_holm = p_holm;
    let decision = decide(&pooled.counted, &pooled.numbers, &around);
    let listeners: Vec<ListenerDoc> = panel
        .tallies
        .iter()
        .zip(around.listeners.iter().zip(&decision.listeners_holm))
        .map(|((code, tally), (p, adjusted))| ListenerDoc {
            listener: code.to_string(),
            simulated: panel.simulated,
            trials: counting(plan, tally),
            correct: tally.correct(),
            p_value: *p,
            p_holm: *adjusted,
            flags: flags(tally),
        })
        .collect();
    let sentence = sentence::verdict(&facts(j, panel, pooled, &decision, &listeners, several.then_some(p_holm)));
    let counts: Vec<(u64, u64)> = listeners.iter().map(|l| (l.trials, l.correct)).collect();
    let codes: Vec<&ListenerCode> = panel.tallies.iter().map(|t| &t.0).collect();
    let g = pooled.numbers.chance;
    let control = |c: ControlCount| ControlDoc { trials: c.trials, correct: c.correct };
    ResultDoc {
        count: CountDoc::new(&pooled.counted, &pooled.numbers),
        p_value_answered: pooled
            .numbers
            .p_value
            .map(|_| upper_tail(pooled.counted.correct, pooled.answered, g))
            .filter(|_| plan.method != Method::Preference),
        p_holm,
        alpha: plan.alpha.value(),
        bound: plan.bound.value(),
        controls: ControlsDoc { same_file: control(around.same_file), repeat: control(around.repeat) },
        listeners,
        listeners_planned: plan.listeners,
        simulated_only: panel.simulated && !panel.tallies.is_empty(),
        heterogeneity: heterogeneity(&counts).map(|h| HeterogeneityDoc {
            chi_square: h.chi_square,
            df: h.df,
            p_value: h.p,
            tarone_z: h.tarone_z,
            tarone_p: h.tarone_p,
        }),
        preference: (plan.method == Method::Preference).then(|| pairs(plan, j.trials, &codes)),
        own_file: around.own_file,
        warnings: plan.warnings.clone(),
        verdict: decision.kind.name(),
        sentence,
    }
}

fn facts(
    j: &Judgeable<'_>,
    panel: &Panel,
    pooled: &Pooled,
    decision: &Decision,
    listeners: &[ListenerDoc],
    p_holm: Option<f64>,
) -> Facts {
    let plan = &j.test.plan;
    let mut facts = Facts::bare(&pooled.counted, &pooled.numbers, decision.kind);
    facts.gates(decision, pooled.around.same_file.trials > 0, pooled.around.repeat.trials > 0);
    facts.answered = pooled.answered;
    facts.p_holm = p_holm;
    facts.differs.clone_from(&plan.differs);
    facts.takes = takes(plan).values().copied().min();
    facts.pair = (plan.setups.len() == 2).then(|| (plan.setups[0].to_string(), plan.setups[1].to_string()));
    facts.attribute.clone_from(&plan.attribute);
    facts.listeners = Some((listeners.len(), plan.listeners));
    facts.significant = listeners.iter().filter(|l| l.p_holm <= plan.alpha.value()).map(|l| l.listener.clone()).collect();
    facts.simulated_only = panel.simulated && !panel.tallies.is_empty();
    facts.void_reason.clone_from(&j.known.void_reason);
    facts
}

/// Why a test's data cannot carry a verdict: a clip or take without its recorded hash, or a take with a `stop` fault.
pub(super) fn void_reason(session: &Session, plan: &Plan, clips: &[Clip], takes: &[Take]) -> Option<String> {
    use crate::model::audio::Severity;
    for planned in &plan.clips {
        let whole = clips
            .iter()
            .find(|c| c.id == planned.clip && c.sha256 == planned.sha256)
            .and_then(|c| crate::sound::read::hash_file(&session.absolute(&c.path)).ok())
            .is_some_and(|h| h == planned.sha256);
        if !whole {
            return Some(format!("the clip {} is no longer what was sealed", planned.clip));
        }
        let take = takes.iter().find(|t| t.id == planned.take);
        let Some(take) = take else { return Some(format!("the take {} is gone", planned.take)) };
        if crate::sound::read::hash_file(&session.absolute(&take.path)).ok().as_ref() != Some(&take.sha256) {
            return Some(format!("the take {} is no longer what was imported", take.id));
        }
        if let Some(fault) = take.findings.iter().find(|f| f.severity == Severity::Stop) {
            return Some(format!("the take {} is not usable ({})", take.id, fault.kind.name()));
        }
    }
    None
}

/// Reads a session's records and scores all of its tests (or one; the others still count for Holm).
///
/// # Errors
/// The session cannot be read, or has no such test.
pub fn score(folder: &Path, only: Option<&TestId>) -> Result<ScoreDoc, JobError> {
    let session = Session::open_read(folder)?;
    let mut tests = score_session(&session)?;
    if let Some(id) = only {
        session.test(id)?;
        tests.retain(|t| t.test == id.as_str());
    }
    Ok(ScoreDoc { session: folder.display().to_string(), tests })
}

/// All tests of an open session.
///
/// # Errors
/// The records cannot be read.
pub fn score_session(session: &Session) -> Result<Vec<TestDoc>, JobError> {
    let (tests, clips, takes, listeners) = (session.tests()?, session.clips()?, session.takes()?, session.listeners()?);
    let mut trials = Vec::new();
    for test in &tests {
        trials.push(session.trials(&test.plan.test)?);
    }
    let chain_holds = session.chain()?.breaks.is_empty();
    let judgeable: Vec<Judgeable<'_>> = tests
        .iter()
        .zip(&trials)
        .map(|(test, trials)| {
            let reason = if test.closed_at.is_none() {
                None
            } else if !chain_holds {
                Some("the log's chain does not hold".to_owned())
            } else {
                super::audit::seal_or_commitment_problem(test, trials)
                    .or_else(|| void_reason(session, &test.plan, &clips, &takes))
            };
            Judgeable { test, trials, known: Known { listeners: listeners.clone(), void_reason: reason } }
        })
        .collect();
    Ok(score_all(&judgeable))
}

/// One row per answered or void trial of closed tests, for recomputing.
///
/// # Errors
/// The records cannot be read, or the file exists already or cannot be written.
pub fn write_csv(folder: &Path, only: Option<&TestId>, path: &Path) -> Result<u64, JobError> {
    let session = Session::open_read(folder)?;
    let cannot = |e: &dyn std::fmt::Display| {
        JobError::at_path(
            "cannot-write",
            Fate::Failed,
            path,
            format!("{} cannot be written: {e}", path.display()),
            "choose a folder that you may write to",
        )
    };
    if path.exists() {
        let message = format!("{} exists already and is never overwritten", path.display());
        return Err(JobError::at_path("exists-already", Fate::Refused, path, message, "choose another name"));
    }
    let mut writer = csv::Writer::from_writer(Vec::new());
    let head = [
        "test",
        "listener",
        "number",
        "kind",
        "slots",
        "choice",
        "right_choice",
        "right",
        "state",
        "opened_at",
        "answered_at",
        "commitment_sha256",
        "nonce",
    ];
    writer.write_record(head).map_err(|e| cannot(&e))?;
    let mut rows = 0;
    for test in session.tests()?.iter().filter(|t| t.closed_at.is_some() && only.is_none_or(|o| &t.plan.test == o)) {
        for trial in session.trials(&test.plan.test)? {
            writer.write_record(csv_row(&test.plan, &trial)).map_err(|e| cannot(&e))?;
            rows += 1;
        }
    }
    let bytes = writer.into_inner().map_err(|e| cannot(&e))?;
    std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut f| std::io::Write::write_all(&mut f, &bytes))
        .map_err(|e| cannot(&e))?;
    Ok(rows)
}

fn csv_row(plan: &Plan, trial: &TrialRecord) -> [String; 13] {
    let [test, listener, number] = [trial.test.to_string(), trial.listener.to_string(), trial.number.to_string()];
    let (opened, commitment) = (trial.opened_at.to_string(), trial.commitment.to_string());
    let none = String::new;
    match &trial.state {
        TrialState::Answered { answer, order, nonce, right, at, .. } => {
            let slots: Vec<String> = order
                .slots
                .iter()
                .map(|s| format!("{}={}:{}", s.label, setup_of(plan, &s.clip).map_or("?", |n| n.as_str()), s.clip))
                .collect();
            let kind = match order.kind {
                TrialKind::Scored => "scored",
                TrialKind::SameFile => "same-file",
                TrialKind::Repeat => "repeat",
            };
            let right = right.map_or_else(none, |r| u8::from(r).to_string());
            [
                test,
                listener,
                number,
                kind.to_owned(),
                slots.join(" "),
                answer.choice.clone(),
                order.right.clone().unwrap_or_default(),
                right,
                "answered".to_owned(),
                opened,
                at.to_string(),
                commitment,
                nonce.clone(),
            ]
        }
        TrialState::Void { reason, at } => [
            test,
            listener,
            number,
            none(),
            none(),
            none(),
            none(),
            none(),
            format!("void: {reason}"),
            opened,
            at.to_string(),
            commitment,
            none(),
        ],
        TrialState::Open => [
            test,
            listener,
            number,
            none(),
            none(),
            none(),
            none(),
            none(),
            "open".to_owned(),
            opened,
            none(),
            commitment,
            none(),
        ],
    }
}
