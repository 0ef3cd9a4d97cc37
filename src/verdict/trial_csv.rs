//! One row per trial of closed tests, for recomputing by hand or in a spreadsheet.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::trial::{Plan, SlotRecord, TrialKind, TrialRecord, TrialState};
use crate::store::Session;
use crate::verdict::tally::setup_of;
use std::path::Path;

/// One row per answered or void trial of closed tests, for recomputing.
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

fn csv_row(plan: &Plan, trial: &TrialRecord) -> Vec<String> {
    let ids = [trial.test.to_string(), trial.listener.to_string(), trial.number.to_string()];
    let (opened, commitment) = (trial.opened_at.to_string(), trial.commitment.to_string());
    let middle: [String; 6] = match &trial.state {
        TrialState::Answered { answer, order, right, .. } => {
            // `2=s16:c023`; the dulled anchor of a graded test, which is made from its clip, is `2=s16:c023:anchor`.
            let slot = |s: &SlotRecord| {
                let setup = setup_of(plan, &s.clip).map_or("?", |n| n.as_str());
                format!("{}={setup}:{}{}", s.label, s.clip, if s.anchor { ":anchor" } else { "" })
            };
            let kind = match order.kind {
                TrialKind::Scored => "scored",
                TrialKind::SameFile => "same-file",
                TrialKind::Repeat => "repeat",
                TrialKind::Known => "known",
            };
            [
                kind.to_owned(),
                order.slots.iter().map(slot).collect::<Vec<_>>().join(" "),
                answer.choice.clone(),
                order.right.clone().unwrap_or_default(),
                right.map_or_else(String::new, |r| u8::from(r).to_string()),
                "answered".to_owned(),
            ]
        }
        TrialState::Void { reason, .. } => with_state(format!("void: {reason}")),
        TrialState::Open => with_state("open".to_owned()),
    };
    let (at, nonce) = match &trial.state {
        TrialState::Answered { at, nonce, .. } => (at.to_string(), nonce.clone()),
        TrialState::Void { at, .. } => (at.to_string(), String::new()),
        TrialState::Open => (String::new(), String::new()),
    };
    ids.into_iter().chain(middle).chain([opened, at, commitment, nonce]).collect()
}

fn with_state(state: String) -> [String; 6] {
    let none = String::new;
    [none(), none(), none(), none(), none(), state]
}
