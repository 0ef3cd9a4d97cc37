//! Sealed tests with their fate, results and picks, as the report shows them.

use super::takes_heard::takes_heard;
use crate::model::failure::Failure;
use crate::model::ids::ClipId;
use crate::model::result::{TestEntry, TestHead};
use crate::model::trial::{Method, OrderRecord, Plan, SealedTest, SlotRecord, TrialCount, TrialKind, TrialRecord, TrialState};
use crate::report::text::count;
use crate::report::view::{PickView, ScoreView, Stimuli, TestView};
use crate::store::Session;
use crate::testing::fingerprint::fingerprint;
use crate::verdict::outside::docs::WitnessesDoc;
use crate::verdict::score::ScoreDoc;
use crate::verdict::tally::{Tally, prefers_first};
use crate::verdict::trial_counts::pick_order;
use std::collections::{BTreeSet, HashMap};

/// All sealed tests but those that were given up, oldest first.
///
/// # Errors
/// The records cannot be read.
pub fn tests(session: &Session, scored: &ScoreDoc, witnesses: &WitnessesDoc) -> Result<Vec<TestView>, Failure> {
    let places = pick_order(session)?;
    let mut out = Vec::new();
    for sealed in session.tests()? {
        let Some(entry) = scored.tests.iter().find(|d| d.head().test == sealed.plan.test) else { continue };
        // Of an open test nothing is shown that a listener could learn from.
        let trials = if entry.result().is_some() { session.trials(&sealed.plan.test)? } else { Vec::new() };
        let mut view = test(&sealed, entry, &trials, &places);
        let said = witnesses.tests.iter().find(|t| t.test == view.test).map(|t| t.sentence.clone());
        // Where the records are so damaged that nothing could be held against them, the whole has a sentence.
        view.witnessed = said.unwrap_or_else(|| witnesses.sentence.clone());
        view.stimuli = stimuli(session, &sealed.plan)?;
        view.fingerprint = fingerprint(session, &sealed.plan.test)?.map(|f| f.line);
        out.push(view);
    }
    Ok(out)
}

fn test(sealed: &SealedTest, entry: &TestEntry, trials: &[TrialRecord], places: &HashMap<String, i64>) -> TestView {
    let (plan, head) = (&sealed.plan, entry.head());
    let attribute = plan.attribute.clone().zip(plan.expect.as_ref().map(ToString::to_string));
    TestView {
        test: head.test.to_string(),
        method: plan.method,
        setups: head.setups.iter().map(ToString::to_string).collect(),
        mic: head.mic.to_string(),
        excerpt: head.excerpt.to_string(),
        as_recorded: head.as_recorded,
        differs: head.differs.clone(),
        takes: head.takes.iter().map(|(s, n)| (s.to_string(), *n)).collect(),
        planned: match plan.trials {
            TrialCount::Fixed(n) => Some(n),
            TrialCount::OpenEnded => None,
        },
        listeners_planned: plan.listeners,
        alpha: plan.alpha.value(),
        bound: plan.bound.value(),
        controls_planned: (plan.controls.same_file, plan.controls.repeat, plan.controls.known),
        attribute,
        exclusion: plan.exclusion.clone(),
        warnings: plan.warnings.clone(),
        load_reason: plan.load_reason.clone(),
        seal_sha256: sealed.seal.to_string(),
        sealed_at: sealed.sealed_at.to_string(),
        closed_at: sealed.closed_at.map(|t| t.to_string()),
        fate: fate(head),
        conditions: plan.conditions.clone(),
        played: played(trials),
        answered: answered(trials),
        replays: replays(trials),
        takes_heard: entry.result().and_then(|result| takes_heard(sealed, result, trials)),
        stimuli: None,
        witnessed: String::new(),
        fingerprint: None,
        score: entry.result().map(|result| ScoreView {
            result: result.clone(),
            picks: trials.iter().map(|t| pick(plan, t, places.get(t.id.as_str()).copied())).collect(),
        }),
    }
}

/// Devices, each once.
fn played(trials: &[TrialRecord]) -> Vec<String> {
    let all: BTreeSet<&str> = trials.iter().map(|t| t.played.as_str()).filter(|p| !p.is_empty()).collect();
    all.into_iter().map(str::to_owned).collect()
}

/// First and last pick.
fn answered(trials: &[TrialRecord]) -> Option<(String, String)> {
    let at = trials.iter().filter_map(|t| match &t.state {
        TrialState::Answered { at, .. } => Some(*at),
        _ => None,
    });
    let (first, last) = (at.clone().min()?, at.max()?);
    Some((first.to_string(), last.to_string()))
}

/// Times that a sample was played in a trial, in the mean.
fn replays(trials: &[TrialRecord]) -> Option<f64> {
    let times: Vec<f64> = trials
        .iter()
        .filter_map(|t| match &t.state {
            TrialState::Answered { heard, .. } => Some(heard.iter().map(|h| f64::from(h.times))),
            _ => None,
        })
        .flatten()
        .collect();
    (!times.is_empty()).then(|| times.iter().sum::<f64>() / times.len() as f64)
}

/// Length and rate of the clips of a plan.
fn stimuli(session: &Session, plan: &Plan) -> Result<Option<Stimuli>, Failure> {
    let clips = session.clips()?;
    let of_plan = clips.iter().filter(|c| plan.clips.iter().any(|p| p.clip == c.id));
    let longest = of_plan.max_by_key(|c| c.frames);
    Ok(longest.map(|c| Stimuli { seconds: c.frames as f64 / c.rate.as_f64(), rate_hz: c.rate.hz() }))
}

fn fate(head: &TestHead) -> String {
    let of = head.planned.map_or_else(String::new, |n| format!(" of {n}"));
    match (head.closed, head.done, head.planned) {
        (false, 0, _) => "sealed, not begun".to_owned(),
        (false, done, Some(planned)) => {
            format!(
                "open, {} answered, controls included; {planned} planned without them",
                count(done as usize, "trial", "trials")
            )
        }
        (false, done, None) => format!("open, {} answered", count(done as usize, "trial", "trials")),
        (true, 0, _) => "closed without a trial: abandoned".to_owned(),
        (true, done, Some(planned)) if done < planned => format!("closed before its end, {done} of {planned} answered"),
        (true, done, _) => format!("closed, {done}{of} answered"),
    }
}

fn pick(plan: &Plan, trial: &TrialRecord, seq: Option<i64>) -> PickView {
    let mut view = PickView { listener: trial.listener.to_string(), number: trial.number, seq, ..PickView::default() };
    match &trial.state {
        TrialState::Open => view.void = Some("open".to_owned()),
        TrialState::Void { reason, .. } => view.void = Some(reason.clone()),
        TrialState::Answered { answer, order, right, at, .. } => {
            let mut tally = Tally::default();
            tally.add(plan, order, &answer.choice, *right);
            view.scored = !tally.scored.is_empty();
            view.kind = if order.kind == TrialKind::Scored { "trial" } else { order.kind.name() }.to_owned();
            if trial.practice {
                view.kind.push_str(", practice");
            }
            view.order = sounded(plan, order);
            view.choice = answer.choice.clone();
            view.key = order.right.clone().unwrap_or_default();
            view.right = *right;
            view.counted = match plan.method {
                Method::Preference => Some(prefers_first(plan, order, &answer.choice)),
                _ => *right,
            };
            view.seconds = at
                .duration_since(trial.opened_at)
                .as_secs_f64()
                .is_finite()
                .then(|| at.duration_since(trial.opened_at).as_secs_f64());
            let confidence = answer.confidence.map(|c| format!("confidence {c}"));
            let remark: Vec<String> = confidence.into_iter().chain(answer.remark.clone()).collect();
            view.remark = (!remark.is_empty()).then(|| remark.join(", "));
        }
    }
    view
}

/// `A s16 t003, B p4 t004, X p4 t008`.
fn sounded(plan: &Plan, order: &OrderRecord) -> String {
    let name = |clip: &ClipId| {
        plan.clips.iter().find(|c| &c.clip == clip).map_or_else(|| clip.to_string(), |c| format!("{} {}", c.setup, c.take))
    };
    let slots: Vec<String> = order.slots.iter().map(|s| format!("{} {}{}", s.label, name(&s.clip), made(s))).collect();
    slots.join(", ")
}

fn made(slot: &SlotRecord) -> &'static str {
    if slot.anchor {
        " (anchor)"
    } else if slot.raised {
        " (raised)"
    } else {
        ""
    }
}
