//! One row per trial of closed tests, for recomputing by hand or in a spreadsheet.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::trial::{Plan, SlotRecord, TrialKind, TrialRecord, TrialState};
use crate::store::Session;
use crate::trial::methods;
use crate::verdict::tally::{Tally, setup_of};
use crate::verdict::trial_counts::pick_order;
use std::collections::HashSet;
use std::path::Path;

/// One row per answered trial of closed tests, for recomputing.
///
/// # Errors
/// The records cannot be read, or the file exists already or cannot be written.
pub fn write_csv(folder: &Path, only: Option<&TestId>, path: &Path) -> Result<u64, Failure> {
    let session = Session::open_read(folder)?;
    let cannot = |e: &dyn std::fmt::Display| {
        Failure::at_path(
            "cannot-write",
            Fate::Failed,
            path,
            format!("{} cannot be written: {e}", path.display()),
            "choose a folder that you may write to",
        )
    };
    if path.exists() {
        let message = format!("{} exists already and is never overwritten", path.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, path, message, "choose another name"));
    }
    let mut writer = csv::Writer::from_writer(Vec::new());
    let simulated: HashSet<ListenerCode> = session.listeners()?.into_iter().filter(|l| l.simulated).map(|l| l.code).collect();
    let places = pick_order(&session)?;
    writer.write_record(HEAD).map_err(|e| cannot(&e))?;
    let mut rows = 0;
    for test in session.tests()?.iter().filter(|t| t.closed_at.is_some() && only.is_none_or(|o| &t.plan.test == o)) {
        for trial in session.trials(&test.plan.test)? {
            let seq = places.get(trial.id.as_str()).copied();
            let Some(row) = csv_row(&test.plan, &trial, seq, simulated.contains(&trial.listener)) else { continue };
            writer.write_record(row).map_err(|e| cannot(&e))?;
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

/// The columns. What stands in the hidden order is told by takes; `a`, `b`, `x` are the method's samples in their order, and pairs have no x.
const HEAD: [&str; 22] = [
    "test",
    "listener",
    "number",
    "kind",
    "a_take",
    "b_take",
    "x_take",
    "pick",
    "right",
    "scored",
    "seq",
    "a_setup",
    "b_setup",
    "x_setup",
    "right_choice",
    "control_right",
    "listener_kind",
    "slots",
    "opened_at",
    "answered_at",
    "commitment_sha256",
    "nonce",
];

fn yes_no(value: Option<bool>) -> String {
    value.map_or_else(String::new, |v| u8::from(v).to_string())
}

/// The row of an answered trial; void ones keep their order to themselves and have none.
fn csv_row(plan: &Plan, trial: &TrialRecord, seq: Option<i64>, simulated: bool) -> Option<[String; 22]> {
    let TrialState::Answered { answer, order, nonce, right, at, .. } = &trial.state else { return None };
    // `2=s16:c023`; the dulled anchor of a graded test, which is made from its clip, is `2=s16:c023:anchor`.
    let slot = |s: &SlotRecord| {
        let setup = setup_of(plan, &s.clip).map_or("?", |n| n.as_str());
        let made = if s.anchor {
            ":anchor"
        } else if s.raised {
            ":raised"
        } else {
            ""
        };
        format!("{}={setup}:{}{made}", s.label, s.clip)
    };
    let columns = methods::rules(plan.method).columns;
    let sample = |i: usize| {
        let slot = order.slots.iter().find(|s| columns.get(i).is_some_and(|label| s.label == *label))?;
        plan.clips.iter().find(|c| c.clip == slot.clip)
    };
    let take = |i: usize| sample(i).map_or_else(String::new, |c| c.take.to_string());
    let setup = |i: usize| sample(i).map_or_else(String::new, |c| c.setup.to_string());
    let mut tally = Tally::default();
    tally.add(plan, order, &answer.choice, *right);
    let scored = !tally.scored.is_empty();
    let trial_kind = order.kind == TrialKind::Scored;
    let kind = if trial_kind { "trial" } else { order.kind.name() };
    let who = match (simulated, trial.practice) {
        (true, _) => "simulated",
        (false, true) => "practice",
        (false, false) => "person",
    };
    Some([
        trial.test.to_string(),
        trial.listener.to_string(),
        trial.number.to_string(),
        kind.to_owned(),
        take(0),
        take(1),
        take(2),
        answer.choice.clone(),
        yes_no(right.filter(|_| scored)),
        yes_no(Some(scored)),
        seq.map_or_else(String::new, |s| s.to_string()),
        setup(0),
        setup(1),
        setup(2),
        order.right.clone().unwrap_or_default(),
        yes_no(right.filter(|_| !trial_kind)),
        who.to_owned(),
        order.slots.iter().map(slot).collect::<Vec<_>>().join(" "),
        trial.opened_at.to_string(),
        at.to_string(),
        trial.commitment.to_string(),
        nonce.clone(),
    ])
}
