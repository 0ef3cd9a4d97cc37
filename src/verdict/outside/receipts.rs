//! Listeners' receipts, and a published fingerprint, held against the log.

use super::docs::{PublishedDoc, ReceiptDoc};
use super::files::{not_what_was_meant, small};
use super::inside::Inside;
use crate::model::failure::Failure;
use crate::verdict::promises::Problem;
use crate::witness::fingerprint;
use crate::witness::receipt::{Receipt, misfits, read};
use std::path::Path;

/// Largest file of receipts that is read.
const LARGEST: u64 = 8 * 1024 * 1024;

/// A receipt that fits and is not kept yet.
#[derive(Debug)]
pub(super) struct New {
    pub(super) listener: String,
    pub(super) receipt: Receipt,
}

/// Where what is found goes.
pub(super) struct Found<'a> {
    pub(super) docs: &'a mut Vec<ReceiptDoc>,
    pub(super) new: &'a mut Vec<New>,
    pub(super) problems: &'a mut Vec<Problem>,
}

fn held(inside: &Inside, place: &str, path: Option<String>, receipt: &Receipt, problems: &mut Vec<Problem>) -> ReceiptDoc {
    let found = misfits(receipt, &inside.session_id, &inside.recorded);
    for misfit in &found {
        let place = misfit.trial.as_ref().map_or_else(|| place.to_owned(), |trial| format!("{place}, trial {trial}"));
        problems.push(Problem { place, what: misfit.what.to_string() });
    }
    let listener = receipt.trials.iter().find_map(|t| inside.who.get(&t.trial)).cloned();
    let own = |(trial, who): &(&String, &String)| {
        Some(*who) == listener.as_ref() && inside.recorded.get(*trial).is_some_and(|r| r.test == receipt.test)
    };
    ReceiptDoc {
        path,
        test: receipt.test.clone(),
        trials: receipt.trials.len(),
        answers: inside.who.iter().filter(own).count(),
        fits: found.is_empty(),
        listener,
    }
}

/// Those that the session keeps.
pub(super) fn kept(inside: &Inside, found: &mut Found<'_>) {
    let mut problems = Vec::new();
    for text in &inside.kept_receipts {
        match read(text) {
            Ok(all) => found.docs.extend(all.iter().map(|r| held(inside, "a kept receipt", None, r, &mut problems))),
            Err(e) => problems.push(Problem { place: "a kept receipt".to_owned(), what: e.to_string() }),
        }
    }
    if !inside.rescued {
        found.problems.append(&mut problems);
    }
}

/// Those of a file.
pub(super) fn given(inside: &Inside, path: &Path, found: &mut Found<'_>) -> Result<(), Failure> {
    let bytes = small(path, LARGEST)?;
    let place = path.display().to_string();
    let all = read(&String::from_utf8_lossy(&bytes)).map_err(|e| not_what_was_meant(path, &e))?;
    for receipt in all {
        let doc = held(inside, &place, Some(place.clone()), &receipt, found.problems);
        let known = serde_json::to_string(&receipt).is_ok_and(|text| inside.kept_receipts.contains(&text));
        if let Some(listener) = doc.listener.clone().filter(|_| doc.fits && !known) {
            found.new.push(New { listener, receipt });
        }
        found.docs.push(doc);
    }
    Ok(())
}

/// A fingerprint that was published.
pub(super) fn published(inside: &Inside, text: &str, problems: &mut Vec<Problem>) -> Result<PublishedDoc, Failure> {
    let digits = fingerprint::digits(text)?;
    let found = inside.heads.iter().filter(|(head, _)| head.starts_with(&digits)).map(|(_, at)| at).min();
    if found.is_none() {
        problems.push(Problem {
            place: format!("published {digits}"),
            what: "the chain of this session never had that head: the log was written anew, or this is another copy".to_owned(),
        });
    }
    Ok(PublishedDoc {
        digits,
        entry: found.map(|f| f.0),
        at: found.map(|f| f.1.clone()),
        covers: found.map(|f| inside.covers(f.0)).unwrap_or_default(),
    })
}
