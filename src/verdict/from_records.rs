//! Tests scored from their records, by the present rules.

use crate::matching::aim::matched_otherwise;
use crate::model::failure::Failure;
use crate::model::result::TestEntry;
use crate::model::session::{Clip, Listener};
use crate::model::trial::{Design, Plan, SealedTest, TrialCount};
use crate::store::{Session, StoreError};
use crate::verdict::hashes::{Hashes, file_problem};
use crate::verdict::judge::{Judgeable, entry};
use crate::verdict::promises::seal_problem;
use crate::verdict::trial_counts::{Gathered, gather};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Scores these tests from their records.
pub(crate) fn scored(session: &Session, tests: &[&SealedTest], hashes: &Hashes) -> Result<Vec<TestEntry>, Failure> {
    if tests.is_empty() {
        return Ok(Vec::new());
    }
    let (clips, takes, listeners) = (session.clips()?, session.takes()?, session.listeners()?);
    let plans: Vec<&Plan> = tests.iter().map(|t| &t.plan).collect();
    let (gathered, chain_holds) = walk_beside(session, || gather(session, &plans, &listeners))?;
    let mut out = Vec::new();
    for (test, mut trials) in tests.iter().zip(gathered) {
        let judged = test.closed_at.is_some() || test.plan.trials == TrialCount::OpenEnded;
        let void_reason = if !judged {
            None
        } else if !chain_holds {
            Some("the log's chain does not hold".to_owned())
        } else {
            seal_problem(test)
                .or_else(|| trials.problem.take())
                .or_else(|| file_problem(session, &test.plan, &clips, &takes, hashes))
        };
        let known_by_name = known_by_name(session, &test.plan, &listeners, &trials)?;
        out.push(entry(&Judgeable { test, trials, void_reason, known_by_name }));
    }
    Ok(out)
}

/// Why listeners of a crossed test could know takes by their setup's name. Who auditions takes by name hears which are which.
fn known_by_name(session: &Session, plan: &Plan, listeners: &[Listener], trials: &Gathered) -> Result<Option<String>, Failure> {
    if plan.design == Design::Paired {
        return Ok(None);
    }
    let otherwise = matched_otherwise(session)?;
    if !otherwise.is_empty() {
        let of_test = |c: &Clip| plan.clips.iter().any(|own| own.clip == c.id);
        let runs: Vec<u32> = session.clips()?.iter().filter(|c| of_test(c)).map(|c| c.run).collect();
        if runs.iter().any(|run| otherwise.get(run).is_some_and(|o| o.per_setup)) {
            return Ok(Some("all takes of a setup got one gain, so that what their levels differ by stayed".to_owned()));
        }
    }
    if plan.training_by_name {
        return Ok(Some("listeners could hear the setups by name before the trials".to_owned()));
    }
    let codes: Vec<&str> = trials.panel().into_iter().map(|(code, _)| code.as_str()).collect();
    let people = listeners.iter().filter(|l| codes.contains(&l.code.as_str())).count();
    let (mut who, mut anybody, mut over) = (None, false, false);
    session.each_entry(&mut |e| {
        // What happened after a test was closed changes nothing.
        over |= e.what == "close" && e.subject == plan.test.as_str();
        if e.what == "audition" && !over {
            anybody = true;
            who = who.take().or_else(|| codes.iter().find(|c| **c == e.subject).map(|c| (*c).to_owned()));
        }
    })?;
    // An audition under no listener's code was the engineer's; alone with one's own test, engineer and listener are one.
    Ok(match who {
        Some(code) => Some(format!("{code} auditioned takes by their setup's name")),
        None if anybody && people == 1 => Some("takes were auditioned by their setup's name at this session's desk".to_owned()),
        None => None,
    })
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
