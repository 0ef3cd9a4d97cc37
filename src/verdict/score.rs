//! `score`: from a session's records to verdicts with evidence. The tally is a pure function over records: people's trials, rehearsals and
//! the audit go through the same one.

use crate::model::failure::Failure;
use crate::model::ids::{SetupName, TestId};
use crate::model::session::{Clip, Take};
use crate::model::trial::{Method, Plan, SealedTest, TrialCount};
use crate::report::count::CountDoc;
use crate::report::sentence::{self, Facts, PairFact, RatingFact};
use crate::stats::beta_binomial;
use crate::stats::binomial::upper_tail;
use crate::stats::graded::quartiles;
use crate::stats::panel::{cluster_error, heterogeneity, holm};
use crate::stats::verdict::{ControlCount, Decision, decide};
use crate::store::{Session, StoreError};
use crate::verdict::flags::{flags, rating_flags};
pub use crate::verdict::score_doc::{
    ControlDoc, ControlsDoc, HeterogeneityDoc, ListenerDoc, PreferenceDoc, RanksDoc, RatingDoc, ResultDoc, ScoreDoc, TestDoc,
};
use crate::verdict::tally::{Pooled, Tally, counting, pair_counts, pool, ranked};
use crate::verdict::trial_counts::{Gathered, Tallies, gather};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

/// A test's tallies, by listener, of one kind: people if any person answered, else the simulated ones.
struct Panel<'a> {
    tallies: &'a Tallies,
    simulated: bool,
}

impl Panel<'_> {
    fn all(&self) -> Vec<&Tally> {
        self.tallies.iter().map(|t| &t.1).collect()
    }
}

/// Medians and quartiles of a graded test.
fn ratings(plan: &Plan, tallies: &[&Tally]) -> Vec<RatingDoc> {
    let rows: Vec<&(Vec<f64>, f64)> = tallies.iter().flat_map(|t| t.ratings.iter()).collect();
    let reference = plan.reference.as_ref().or(plan.setups.first());
    let doc = |setup: Option<&SetupName>, values: Vec<f64>| {
        let [q1, median, q3] = quartiles(&values)?;
        Some(RatingDoc {
            setup: setup.map(ToString::to_string),
            hidden_reference: setup.is_some() && setup == reference,
            count: values.len(),
            q1,
            median,
            q3,
        })
    };
    let setups = plan.setups.iter().enumerate().filter_map(|(k, s)| doc(Some(s), rows.iter().map(|r| r.0[k]).collect()));
    setups.chain(doc(None, rows.iter().map(|r| r.1).collect())).collect()
}

/// The pairs of a preference test.
fn pairs(plan: &Plan, panel: &Panel<'_>) -> Vec<PreferenceDoc> {
    pair_counts(plan, &panel.all())
        .into_iter()
        .map(|p| PreferenceDoc {
            first: plan.setups[p.pair.0].to_string(),
            second: plan.setups[p.pair.1].to_string(),
            first_preferred: p.first,
            picks: p.picks,
            p_value: p.p,
            p_holm: p.p_holm,
        })
        .collect()
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
    pub trials: Gathered,
    /// Why the data is void, if it is.
    pub void_reason: Option<String>,
}

/// Scores tests that belong to one session: Holm over those that ask one question.
#[must_use]
pub fn score_all(tests: &[Judgeable<'_>]) -> Vec<TestDoc> {
    let pooled: Vec<Option<(Panel<'_>, Pooled)>> = tests
        .iter()
        .map(|j| {
            j.test.closed_at?;
            let (tallies, simulated) = j.trials.panel();
            let panel = Panel { tallies, simulated };
            let pooled = pool(&j.test.plan, &panel.all());
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
        done: if j.test.closed_at.is_some() { j.trials.scored } else { j.trials.answered },
        void: j.trials.void,
        result,
    }
}

fn takes(plan: &Plan) -> BTreeMap<String, usize> {
    plan.setups.iter().map(|s| (s.to_string(), plan.clips.iter().filter(|c| &c.setup == s).count())).collect()
}

fn result(j: &Judgeable<'_>, panel: &Panel<'_>, pooled: &Pooled, p_holm: f64, several: bool) -> ResultDoc {
    let plan = &j.test.plan;
    let mut around = pooled.around.clone();
    around.data_void = j.void_reason.is_some();
    around.p_holm = p_holm;
    let decision = decide(&pooled.counted, &pooled.numbers, &around);
    let graded = plan.method == Method::Graded;
    let listeners: Vec<ListenerDoc> = panel
        .tallies
        .iter()
        .zip(around.listeners.iter().zip(&decision.listeners_holm))
        .map(|((code, tally), (p, adjusted))| ListenerDoc {
            listener: code.to_string(),
            simulated: panel.simulated,
            trials: counting(plan, tally),
            correct: tally.correct(),
            ratings: graded.then(|| ratings(plan, &[tally])),
            p_value: *p,
            p_holm: *adjusted,
            flags: if graded { rating_flags(plan, tally) } else { flags(plan, tally) },
        })
        .collect();
    let sentence = sentence::verdict(&facts(j, panel, pooled, &decision, &listeners, several.then_some(p_holm)));
    // Ratings have no right answer, and to prefer the first-named of several pairs is no one thing: nothing to be unequal in.
    let one_count = plan.method.one_count(plan.setups.len());
    let counts: Vec<(u64, u64)> = listeners.iter().filter(|_| one_count).map(|l| (l.trials, l.correct)).collect();
    let g = pooled.numbers.chance;
    let unequal = beta_binomial::fit(&counts);
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
            rho: unequal.map(|b| b.rho),
            rho_p: unequal.map(|b| b.p),
            cluster_error: cluster_error(&counts),
        }),
        ratings: graded.then(|| ratings(plan, &panel.all())),
        ranks: graded.then(|| RanksDoc::new(&ranked(&panel.all()), panel.tallies.iter().map(|t| t.1.ratings.len()).sum())),
        preference: (plan.method == Method::Preference).then(|| pairs(plan, panel)),
        scale: (plan.method == Method::Preference).then(|| crate::verdict::scale::scale(plan, &panel.all())).flatten(),
        own_file: around.own_file,
        warnings: plan.warnings.clone(),
        verdict: decision.kind.name(),
        sentence,
    }
}

fn facts(
    j: &Judgeable<'_>,
    panel: &Panel<'_>,
    pooled: &Pooled,
    decision: &Decision,
    listeners: &[ListenerDoc],
    p_holm: Option<f64>,
) -> Facts {
    let plan = &j.test.plan;
    let mut facts = Facts::bare(&pooled.counted, &pooled.numbers, decision.kind);
    facts.gates(decision, pooled.around.same_file.trials > 0, pooled.around.repeat.trials > 0);
    facts.answered = pooled.answered;
    if plan.method == Method::Graded {
        facts.ratings = ratings(plan, &panel.all())
            .into_iter()
            .filter_map(|r| {
                Some(RatingFact { setup: r.setup?, hidden_reference: r.hidden_reference, quartiles: [r.q1, r.median, r.q3] })
            })
            .collect();
    }
    if plan.method == Method::Preference && plan.setups.len() > 2 {
        facts.pairs = pairs(plan, panel)
            .into_iter()
            .map(|p| PairFact {
                first: p.first,
                second: p.second,
                preferred: p.first_preferred,
                picks: p.picks,
                p_holm: p.p_holm,
            })
            .collect();
    }
    facts.p_holm = p_holm;
    facts.differs.clone_from(&plan.differs);
    facts.takes = takes(plan).values().copied().min();
    facts.pair = (plan.setups.len() == 2).then(|| (plan.setups[0].to_string(), plan.setups[1].to_string()));
    facts.attribute.clone_from(&plan.attribute);
    facts.listeners = Some((listeners.len(), plan.listeners));
    facts.significant = listeners.iter().filter(|l| l.p_holm <= plan.alpha.value()).map(|l| l.listener.clone()).collect();
    facts.simulated_only = panel.simulated && !panel.tallies.is_empty();
    facts.void_reason.clone_from(&j.void_reason);
    facts
}

/// Why a test's data cannot carry a verdict: a clip or take without its recorded hash, or a take with a `stop` fault.
pub(crate) fn void_reason(session: &Session, plan: &Plan, clips: &[Clip], takes: &[Take]) -> Option<String> {
    use crate::model::audio::{Severity, Sha256Hex};
    // A copy that was shared for its numbers only has no files to look at; the document says so. A file that is there is looked at.
    let left_out = |path: &str| !session.has_audio() && !session.absolute(path).exists();
    let holds = |path: &str, wanted: &Sha256Hex| {
        left_out(path) || crate::sound::read::hash_file(&session.absolute(path)).is_ok_and(|found| found == *wanted)
    };
    for planned in &plan.clips {
        let whole = clips
            .iter()
            .find(|c| c.id == planned.clip && c.sha256 == planned.sha256)
            .is_some_and(|c| holds(&c.path, &planned.sha256));
        if !whole {
            return Some(format!("the clip {} is no longer what was sealed", planned.clip));
        }
        let take = takes.iter().find(|t| t.id == planned.take);
        let Some(take) = take else { return Some(format!("the take {} is gone", planned.take)) };
        if !holds(&take.path, &take.sha256) {
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
pub fn score(folder: &Path, only: Option<&TestId>) -> Result<ScoreDoc, Failure> {
    let session = Session::open_read(folder)?;
    let mut tests = score_session(&session)?;
    if let Some(id) = only {
        session.test(id)?;
        tests.retain(|t| t.test == id.as_str());
    }
    Ok(ScoreDoc { session: folder.display().to_string(), tests })
}

/// Entries of the log that are walked in one go. A session of an evening is shorter.
const PIECE: u32 = 50_000;

/// Reads the trials, and walks the chain: in a large session side by side, each thread with a connection of its own; who is done takes the
/// next piece of the chain. Tells what was read, and whether the chain holds.
fn walk_beside<T>(session: &Session, read: impl FnOnce() -> Result<T, StoreError>) -> Result<(T, bool), Failure> {
    let pieces = session.chain_pieces(PIECE)?;
    let taken = AtomicUsize::new(0);
    let walk = &|session: &Session| -> Result<bool, StoreError> {
        let mut holds = true;
        while let Some(piece) = pieces.get(taken.fetch_add(1, Ordering::Relaxed)) {
            holds &= session.chain_piece(piece.clone())?.breaks.is_empty();
        }
        Ok(holds)
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(pieces.len());
    let beside = (1..threads).map(|_| Session::open_read(session.folder())).collect::<Result<Vec<_>, _>>()?;
    std::thread::scope(|scope| {
        let walkers: Vec<_> = beside.into_iter().map(|own| scope.spawn(move || walk(&own))).collect();
        let read = read()?;
        let mut holds = walk(session)?;
        for walker in walkers {
            holds &= walker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
        }
        Ok((read, holds))
    })
}

/// All tests of an open session.
///
/// # Errors
/// The records cannot be read.
pub fn score_session(session: &Session) -> Result<Vec<TestDoc>, Failure> {
    let (tests, clips, takes, listeners) = (session.tests()?, session.clips()?, session.takes()?, session.listeners()?);
    let plans: Vec<&Plan> = tests.iter().map(|t| &t.plan).collect();
    let (gathered, chain_holds) = walk_beside(session, || gather(session, &plans, &listeners))?;
    let judgeable: Vec<Judgeable<'_>> = tests
        .iter()
        .zip(gathered)
        .map(|(test, mut trials)| {
            let void_reason = if test.closed_at.is_none() {
                None
            } else if !chain_holds {
                Some("the log's chain does not hold".to_owned())
            } else {
                crate::verdict::audit::seal_problem(test)
                    .or_else(|| trials.problem.take())
                    .or_else(|| void_reason(session, &test.plan, &clips, &takes))
            };
            Judgeable { test, trials, void_reason }
        })
        .collect();
    Ok(score_all(&judgeable))
}
