//! `audit`: verifies hashes, chain, seals and commitments, and recomputes every verdict.

use crate::model::failure::Failure;
use crate::model::result::{RULES, TestEntry};
use crate::model::trial::TrialState;
use crate::store::Session;
use crate::store::event::Happening;
use crate::store::log::GENESIS;
use crate::store::rebuild::Gaps;
use crate::verdict::audience::audience;
use crate::verdict::from_records::scored;
use crate::verdict::hashes::Hashes;
use crate::verdict::outside::docs::WitnessesDoc;
use crate::verdict::outside::{Outside, ToKeep, witnesses};
pub use crate::verdict::promises::Problem;
use crate::verdict::promises::{commitment_problem, sealed_problems};
use crate::verdict::score::score_with;
use jiff::Timestamp;
use serde::Serialize;
use std::path::Path;

/// A verdict as it was recomputed.
#[derive(Debug, Clone, Serialize)]
pub struct VerdictDoc {
    /// The test.
    pub test: String,
    /// The verdict's kind.
    pub verdict: &'static str,
    /// The sentence.
    pub sentence: String,
}

/// The document of `audit`.
#[derive(Debug, Clone, Default, Serialize)]
pub struct AuditDoc {
    /// True when nothing is wrong.
    pub ok: bool,
    /// Entries of the log.
    pub records: u64,
    /// Hash of its last entry.
    pub head_sha256: String,
    /// Commitments of void trials: they stay unopened, which is no problem.
    pub void_trials: u64,
    /// Recordings and clips that could not be looked at: this copy was shared without them.
    pub unverified_files: u64,
    /// Verdicts of closed tests, recomputed.
    pub verdicts: Vec<VerdictDoc>,
    /// Who outside of the folder vouches for it.
    pub witnesses: WitnessesDoc,
    /// What is wrong.
    pub problems: Vec<Problem>,
    /// What is worth knowing and no problem: a clock that went back.
    pub remarks: Vec<Problem>,
}

/// Looks at every file; returns how many are not there because this copy was shared without them.
fn file_problems(session: &Session, hashes: &Hashes, out: &mut Vec<Problem>) -> Result<u64, Failure> {
    let (with_audio, mut left_out) = (session.has_audio(), 0);
    let mut check = |place: String, relative: &str, wanted: &str| match hashes.of(&session.absolute(relative)) {
        Ok(found) if found.as_str() == wanted => {}
        Ok(_) => out.push(Problem { place, what: format!("{relative} has other bytes than were recorded") }),
        Err(_) if !with_audio && !session.absolute(relative).exists() => left_out += 1,
        Err(what) => out.push(Problem { place, what }),
    };
    for take in session.takes()? {
        check(take.id.to_string(), &take.path, take.sha256.as_str());
    }
    for clip in session.clips()? {
        check(clip.id.to_string(), &clip.path, clip.sha256.as_str());
    }
    Ok(left_out)
}

/// Keys of blind montages that do not open what their captions committed to. A key that is held back until it is revealed is said.
fn montage_problems(session: &Session, doc: &mut AuditDoc) -> Result<(), Failure> {
    for montage in session.montages()? {
        let place = montage.id.to_string();
        let opened = match session.montage_key_if_here(&montage.id) {
            Ok(Some(key)) if montage.revealed.as_ref().is_some_and(|r| r.nonce != key.nonce || r.key_text != key.text) => {
                let what = "the key that was revealed is not the one that is kept".to_owned();
                doc.problems.push(Problem { place, what });
                continue;
            }
            Ok(Some(key)) => super::montage_key::drawn(&montage, &key).map(drop),
            Ok(None) => {
                let what = "its key is not in this copy and was not revealed: nobody can count answers here".to_owned();
                doc.remarks.push(Problem { place, what });
                continue;
            }
            Err(error) => Err(error.into()),
        };
        if let Err(error) = opened {
            doc.problems.push(Problem { place, what: error.to_string() });
        }
    }
    Ok(())
}

/// Seals, contexts of seals, and commitments. Returns the number of void trials.
fn sealed_and_committed(session: &Session, out: &mut Vec<Problem>) -> Result<u64, Failure> {
    let mut void_trials = 0;
    for test in session.tests()? {
        out.extend(sealed_problems(&test));
        session.each_trial(&test.plan.test, &mut |trial| {
            void_trials += u64::from(matches!(trial.state, TrialState::Void { .. }));
            out.extend(commitment_problem(&trial));
        })?;
    }
    Ok(void_trials)
}

/// Frozen results of the present rules that the records do not give again.
fn result_problems(session: &Session, entries: &[TestEntry], hashes: &Hashes, out: &mut Vec<Problem>) -> Result<(), Failure> {
    let frozen = |e: &&TestEntry| e.result().is_some_and(|r| r.head.closed && r.rules == RULES);
    for entry in entries.iter().filter(frozen) {
        let test = session.test(&entry.head().test)?;
        if scored(session, &[&test], hashes)?.first() != Some(entry) {
            let what = "its result is not what its records give by the rules that it was made by".to_owned();
            out.push(Problem { place: test.plan.test.to_string(), what });
        }
    }
    Ok(())
}

/// Where the log's times go back: a clock that was set, or one that was wrong. It changes no verdict and is no problem, but it is said.
fn clock_remarks(session: &Session) -> Result<Vec<Problem>, Failure> {
    let mut before: Option<Timestamp> = None;
    let mut remarks = Vec::new();
    session.each_entry(&mut |entry| {
        let Ok(at) = entry.at.parse::<Timestamp>() else { return };
        if let Some(before) = before.filter(|before| at < *before) {
            let seconds = before.duration_since(at).as_secs_f64();
            let what = format!("the clock went back by {seconds:.1} s before it");
            remarks.push(Problem { place: format!("log entry {}", entry.seq), what });
        }
        before = Some(at);
    })?;
    Ok(remarks)
}

/// A session that was made again out of a damaged one says so for ever, and what was lost.
fn rescue_remarks(session: &Session) -> Result<Vec<Problem>, Failure> {
    let mut remarks = Vec::new();
    session.each_entry(&mut |entry| {
        if entry.what != Happening::Rescued.name() {
            return;
        }
        let gaps: Gaps = serde_json::from_str(entry.body).unwrap_or_default();
        let lost: Vec<String> = gaps.lost.iter().map(|(from, to)| format!("{from} to {to}")).collect();
        let (changed, refused) = (gaps.changed.len(), gaps.refused.len());
        let only: usize = gaps.from_tables.values().sum();
        let what = format!(
            "this session was rescued from a damaged one: lost entries of its former log: {}; {changed} changed, {refused} not taken over; \
             {only} records came from the tables alone",
            if lost.is_empty() { "none".to_owned() } else { lost.join(", ") },
        );
        remarks.push(Problem { place: format!("log entry {}", entry.seq), what });
    })?;
    Ok(remarks)
}

/// A test was sealed in this session, after the head that its seal names.
fn context_problems(session: &Session, out: &mut Vec<Problem>) -> Result<(), Failure> {
    let own = session.id()?;
    let mut contexts = Vec::new();
    for test in session.tests()? {
        if let Some(context) = session.sealed_under(&test.plan.test)? {
            contexts.push((test.plan.test, context));
        }
    }
    let mut before = GENESIS.to_owned();
    let (mut found, mut rescued) = (Vec::new(), false);
    session.each_entry(&mut |entry| {
        // Behind a gap the chain was made anew: the remark about it says so.
        rescued |= entry.what == Happening::Rescued.name();
        if let Some((_, context)) = contexts.iter().find(|(test, _)| entry.what == "seal" && entry.subject == test.as_str())
            && context.head.as_str() != before
        {
            found.push((entry.subject.to_owned(), "it was sealed over another log than this one"));
        }
        entry.hash.clone_into(&mut before);
    })?;
    if rescued {
        return Ok(());
    }
    let strange = contexts.iter().filter(|(_, context)| context.session_id != own);
    found.extend(strange.map(|(test, _)| (test.to_string(), "it was sealed in another session")));
    out.extend(found.into_iter().map(|(place, what)| Problem { place, what: what.to_owned() }));
    Ok(())
}

/// Only what the schema itself shows: nothing else of such a file is asked.
pub(crate) fn foreign(session: &Session, what: &str) -> Result<AuditDoc, Failure> {
    let mut problems: Vec<Problem> =
        session.schema_misfits()?.into_iter().map(|m| Problem { place: m.place, what: m.what }).collect();
    problems.push(Problem { place: "session.db".to_owned(), what: format!("{what}; nothing else of it was looked at") });
    Ok(AuditDoc { ok: false, problems, ..AuditDoc::default() })
}

/// Verifies a session.
///
/// # Errors
/// The session cannot be read at all; everything else is a problem in the document.
pub fn audit(folder: &Path) -> Result<AuditDoc, Failure> {
    let session = Session::open_audit(folder)?;
    if let Some(what) = session.foreign()? {
        return foreign(&session, &what);
    }
    audit_of(&session, &Hashes::default())
}

/// The same of an open session, with hashes that are known already.
///
/// # Errors
/// The session cannot be read.
pub fn audit_of(session: &Session, hashes: &Hashes) -> Result<AuditDoc, Failure> {
    audit_with(session, hashes, None).map(|(doc, _)| doc)
}

/// The same, with what lies outside held against it; and what of that is new and fits.
///
/// # Errors
/// The session or a file from outside cannot be read.
pub(crate) fn audit_with(session: &Session, hashes: &Hashes, outside: Option<&Outside>) -> Result<(AuditDoc, ToKeep), Failure> {
    let chain = session.chain()?;
    let mut doc = AuditDoc { records: chain.records, head_sha256: chain.head, ..AuditDoc::default() };
    doc.problems = chain.breaks.into_iter().map(|(seq, what)| Problem { place: format!("log entry {seq}"), what }).collect();
    doc.problems.extend(session.misfits()?.into_iter().map(|m| Problem { place: m.place, what: m.what }));
    doc.remarks = clock_remarks(session)?;
    doc.remarks.extend(rescue_remarks(session)?);
    // What cannot be read as a record was named above in most cases; where it was not, it is named here.
    if let Err(error) = beyond_the_tables(session, hashes, &mut doc) {
        doc.problems.push(Problem { place: "session.db".to_owned(), what: error.to_string() });
    }
    let mut keep = ToKeep::default();
    match witnesses(session, outside.unwrap_or(&Outside::default()), &mut doc.problems) {
        Ok(found) => (doc.witnesses, keep) = found,
        Err(error) if outside.is_none() => {
            doc.problems.push(Problem { place: "session.db".to_owned(), what: error.to_string() });
        }
        Err(error) => return Err(error),
    }
    doc.ok = doc.problems.is_empty();
    Ok((doc, keep))
}

fn beyond_the_tables(session: &Session, hashes: &Hashes, doc: &mut AuditDoc) -> Result<(), Failure> {
    doc.unverified_files = file_problems(session, hashes, &mut doc.problems)?;
    montage_problems(session, doc)?;
    context_problems(session, &mut doc.problems)?;
    doc.void_trials = sealed_and_committed(session, &mut doc.problems)?;
    let scored = score_with(session, hashes)?;
    if doc.problems.is_empty() {
        // Whatever else is wrong is named already, and a result cannot be recomputed from it.
        result_problems(session, &scored, hashes, &mut doc.problems)?;
    }
    doc.verdicts = scored
        .iter()
        .filter_map(|t| t.result().filter(|r| r.head.closed))
        .map(|r| VerdictDoc { test: r.head.test.to_string(), verdict: r.verdict.name(), sentence: r.sentence.clone() })
        .collect();
    for of in audience(session)? {
        if let Some(what) = of.void_reason {
            doc.problems.push(Problem { place: of.test.to_string(), what });
        } else {
            doc.verdicts.push(VerdictDoc { test: of.test.to_string(), verdict: "audience", sentence: of.sentence });
        }
    }
    Ok(())
}
