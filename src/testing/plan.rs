//! `plan`, `close` and giving up: a test is sealed before its first trial, and never changes.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::outside::Clock;
use crate::model::result::RULES;
use crate::model::session::Clip;
use crate::model::trial::{self, Plan, SealedTest, Sealing};
use crate::rig::gate;
use crate::stats::family::may_be_given_up;
use crate::store::Session;
pub(crate) use crate::testing::build::build;
use crate::testing::fingerprint::fingerprint;
pub use crate::testing::plan_doc::PlanDoc;
pub(crate) use crate::testing::plan_doc::document;
use crate::testing::plan_family::Tests;
pub use crate::testing::request::Request;
use crate::testing::request::wrong;
use crate::testing::standing::Closing;
use crate::trial::seal;
use serde::Serialize;
use std::path::Path;

/// How many tests stand already, if a test that is sealed now would be a further one for people.
///
/// # Errors
/// The session cannot be read.
pub fn further(folder: &Path, request: &Request) -> Result<Option<usize>, Failure> {
    if request.simulated || request.audience {
        return Ok(None);
    }
    let before = Tests::read(&Session::open_read(folder)?)?.before();
    Ok(Some(before).filter(|n| *n > 0))
}

/// Seals a test.
///
/// # Errors
/// Unknown setups, no clips (exit code 3 tells to run `match`), numbers that cannot be.
pub fn plan(folder: &Path, request: &Request, clock: &dyn Clock) -> Result<PlanDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let test = TestId::new(&format!("test-{}", session.next_test()?))?;
    let mut plan = build(&session, request, test)?;
    sounds_are_as_recorded(&session, &plan)?;
    gate::pass(&mut session, &request.compare, request.load_reason.as_deref(), clock.now())?;
    let context = session.seal_context()?;
    plan.sealing = Some(Sealing {
        session_id: Some(context.session_id.to_string()),
        nonce: context.nonce.clone(),
        head: context.head.clone(),
        rules: RULES,
    });
    let canonical = seal::canonical(&plan);
    let sealed = SealedTest { seal: seal::seal(&canonical), canonical, plan, sealed_at: clock.now(), closed_at: None };
    session.add_test_with(&sealed, &context, clock.now())?;
    let fingerprint = fingerprint(&session, &sealed.plan.test)?;
    Ok(PlanDoc { fingerprint, ..document(&sealed.plan, Some(&sealed)) })
}

/// What will be heard, and what it was made from, has the bytes that were recorded. A copy without recordings can be planned in.
fn sounds_are_as_recorded(session: &Session, plan: &Plan) -> Result<(), Failure> {
    let there = |path: &str| session.has_audio() || session.absolute(path).exists();
    let clips: Vec<Clip> = session.clips()?.into_iter().filter(|c| plan.clips.iter().any(|p| p.clip == c.id)).collect();
    for take in session.takes()?.iter().filter(|t| there(&t.path) && clips.iter().any(|c| c.take == t.id)) {
        session.verified_take(take)?;
    }
    for clip in clips.iter().filter(|c| there(&c.path)) {
        session.verified_clip(clip)?;
    }
    Ok(())
}

/// Ends a test for good.
///
/// # Errors
/// No such test, it was given up, or it is closed already.
pub fn close(folder: &Path, test: &TestId, closing: Closing, clock: &dyn Clock) -> Result<SealedTest, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    session.test(test)?;
    if session.given_up(test)?.is_some() {
        let message = format!("{test} was given up and stays so");
        return Err(Failure::plain("test-given-up", Fate::Refused, message, "plan another test"));
    }
    closing(&mut session, test, clock.now())?;
    Ok(session.test(test)?)
}

/// The document of `withdraw --test`.
#[derive(Debug, Clone, Serialize)]
pub struct GivenUpDoc {
    /// The test.
    pub test: TestId,
    /// Why.
    pub reason: String,
}

/// Gives up a sealed test that nobody answered: logged, printed in every report, and its place among the session's tests is free again.
///
/// # Errors
/// No reason; no such test; it was answered, is closed, or was given up already.
pub fn give_up(folder: &Path, test: &TestId, reason: &str, clock: &dyn Clock) -> Result<GivenUpDoc, Failure> {
    let reason = reason.trim();
    if reason.is_empty() {
        return Err(wrong("a reason is needed: every report prints it", "as in --reason \"the wrong mic\""));
    }
    let mut session = Session::open_write(folder, clock.now())?;
    let sealed = session.test(test)?;
    let refused =
        |message: String| Err(Failure::plain("cannot-give-up", Fate::Refused, message, "close it instead: cabjury close"));
    if sealed.closed_at.is_some() {
        return refused(format!("{test} is closed and stays so"));
    }
    if session.given_up(test)?.is_some() {
        return refused(format!("{test} was given up already"));
    }
    let mut answered = 0u64;
    session.each_trial(test, &mut |trial| {
        answered += u64::from(matches!(trial.state, trial::TrialState::Answered { .. }) && !trial.practice);
    })?;
    if !may_be_given_up(answered) {
        return refused(format!("{test} was answered: a test that was begun stays"));
    }
    let doc = GivenUpDoc { test: test.clone(), reason: reason.to_owned() };
    session.withdraw_test(test, reason, clock.now())?;
    Ok(doc)
}
