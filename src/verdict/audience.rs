//! What an audience answered, scored as what it is: self-selected and unguarded, the visitor as the unit, never added to a panel.
//!
//! The file was collected by the hall: its first line says what it is of, each further line is a trial as the session keeps trials. Its hash
//! is an event of the log; every commitment in it is opened here, and the count goes through the panel's own code.

use crate::model::audio::Sha256Hex;
use crate::model::failure::Failure;
use crate::model::ids::{SetupName, TestId};
use crate::model::result::ControlsDoc;
use crate::model::trial::{Method, SealedTest, TrialRecord, TrialState};
use crate::report::visitors::{self, VisitorFacts};
use crate::stats::population::population;
use crate::store::Session;
use crate::store::event::Happening;
use crate::testing::receipt::{listener_sha256, pick_sha256};
use crate::trial::draw::planned;
use crate::verdict::judge::controls;
use crate::verdict::promises::{commitment_told, seal_problem};
use crate::verdict::tally::Tally;
use crate::verdict::trial_counts::Gathered;
use crate::verdict::weigh::{Panel, Weighed, place, weigh};
use crate::witness::receipt::Recorded;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::HashSet;
use std::fs::File;
use std::io::{BufRead, BufReader};

/// What stands first in a collected file.
pub const FORMAT: &str = "cabjury audience 1";

/// The first line of a collected file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Header {
    /// [`FORMAT`].
    pub format: String,
    /// The session.
    pub session_id: String,
    /// The test.
    pub test: TestId,
    /// Its name in the hall.
    pub hall: String,
    /// The seal of its plan.
    pub seal: Sha256Hex,
    /// When it ended.
    pub closed_at: Timestamp,
}

/// The event of a collected file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Collected {
    /// The test's name in the hall.
    pub hall: String,
    /// The file, relative to the session's folder.
    pub file: String,
    /// Its hash.
    pub sha256: Sha256Hex,
    /// Visitors who opened a trial.
    pub visitors: u64,
    /// Trials that were opened.
    pub trials: u64,
    /// Picks.
    pub picks: u64,
    /// When the test ended.
    pub closed_at: Timestamp,
}

/// What an audience showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AudienceDoc {
    /// The test.
    pub test: TestId,
    /// Always `audience`: no verdict of a sealed panel.
    pub verdict: String,
    /// The method.
    pub method: Method,
    /// The setups.
    pub setups: Vec<SetupName>,
    /// Visitors who answered at least one trial.
    pub visitors: u64,
    /// Those who answered all of theirs.
    pub through: u64,
    /// Trials of each visitor, controls included.
    pub planned_each: Option<u32>,
    /// Scored trials of those who took part, unanswered ones included.
    pub trials: u64,
    /// Right ones (preference: picks of the first setup).
    pub correct: u64,
    /// Planned and not answered: against every claim.
    pub unanswered: u64,
    /// The p that decides: exact over all picks; preference: the visitor as the unit, over sign patterns.
    pub p_value: Option<f64>,
    /// The takes test, crossed design.
    pub p_takes: Option<f64>,
    /// Level of the test.
    pub level: f64,
    /// Likeliest mean share of trials that visitors like these truly hear (corrected beta-binomial).
    pub mean_heard: Option<f64>,
    /// Its approximate upper 95 % limit.
    pub mean_heard_upper95: Option<f64>,
    /// Controls.
    pub controls: ControlsDoc,
    /// The file that was counted.
    pub collected: Collected,
    /// Why nothing is counted, if it is so.
    pub void_reason: Option<String>,
    /// What nobody guards here.
    pub not_guarded: Vec<String>,
    /// In a sentence.
    pub sentence: String,
}

/// What was collected, in the order of the log.
///
/// # Errors
/// The log cannot be read.
pub fn collected(session: &Session) -> Result<Vec<(TestId, Collected)>, Failure> {
    let mut out = Vec::new();
    session.each_entry(&mut |entry| {
        if Happening::from_name(entry.what) == Some(Happening::HallCollected)
            && let (Ok(test), Ok(body)) = (TestId::new(entry.subject), serde_json::from_str(entry.body))
        {
            out.push((test, body));
        }
    })?;
    Ok(out)
}

/// A collected file as it was read: its trials taken up, and the first thing that is wrong with it.
struct Read {
    trials: Gathered,
    through: u64,
    problem: Option<String>,
}

/// Hands out every trial of a file; tells the file's hash and its header.
fn each_line(session: &Session, file: &str, take: &mut dyn FnMut(TrialRecord)) -> Result<(Sha256Hex, Header), String> {
    let plain = file.strip_prefix("reports/").is_some_and(|name| !name.contains('/') && !name.starts_with('.'));
    if !plain {
        return Err(format!("{file} is not in the session's reports"));
    }
    let path = session.absolute(file);
    let failed = |e: &dyn std::fmt::Display| format!("{file}: {e}");
    let mut reader = BufReader::new(File::open(&path).map_err(|e| failed(&e))?);
    let (mut hash, mut line, mut header) = (Sha256::new(), String::new(), None);
    while reader.read_line(&mut line).map_err(|e| failed(&e))? > 0 {
        hash.update(&line);
        match &header {
            None => header = Some(serde_json::from_str::<Header>(&line).map_err(|e| failed(&e))?),
            Some(_) => take(serde_json::from_str(&line).map_err(|e| failed(&e))?),
        }
        line.clear();
    }
    let header = header.ok_or_else(|| format!("{file} is empty"))?;
    Ok((Sha256Hex::from_bytes(&hash.finalize()), header))
}

fn read(session: &Session, sealed: &SealedTest, of: &Collected, session_id: &str) -> Read {
    let mut out = Read { trials: Gathered::new(&[]), through: 0, problem: seal_problem(sealed) };
    let (mut ids, mut numbers, mut answered) = (HashSet::new(), HashSet::new(), std::collections::HashMap::new());
    let (mut seq, mut problem) = (0, None);
    let found = each_line(session, &of.file, &mut |trial| {
        let own = trial.test == sealed.plan.test;
        if problem.is_none() {
            problem = if !own || !ids.insert(trial.id.clone()) || !numbers.insert((trial.listener.clone(), trial.number)) {
                Some(format!("trial {} is there twice, or of another test", trial.id))
            } else {
                commitment_told(&trial)
            };
        }
        if matches!(trial.state, TrialState::Answered { .. }) {
            *answered.entry(trial.listener.clone()).or_insert(0u32) += 1;
        }
        out.trials.add(&sealed.plan, &trial, seq);
        seq += 1;
    });
    let wrong = match found {
        Err(what) => Some(what),
        Ok((sha256, _)) if sha256 != of.sha256 => Some(format!("{} has other bytes than were collected", of.file)),
        Ok((_, header)) if header.format != FORMAT => Some(format!("{} is of a newer program", of.file)),
        Ok((_, header)) if header.seal != sealed.seal || header.session_id != session_id => {
            Some(format!("{} is of another test or session", of.file))
        }
        Ok(_) => None,
    };
    out.through = answered.values().filter(|n| Some(**n) == planned(&sealed.plan)).count() as u64;
    out.problem = out.problem.or(wrong).or(problem).or_else(|| out.trials.problem.take());
    out
}

/// Scores everything that was collected.
///
/// # Errors
/// The log or the records cannot be read. A file that is damaged is said in its document.
pub fn audience(session: &Session) -> Result<Vec<AudienceDoc>, Failure> {
    let session_id = session.id()?.to_string();
    let mut out = Vec::new();
    for (test, of) in collected(session)? {
        let sealed = session.test(&test)?;
        let read = read(session, &sealed, &of, &session_id);
        out.push(document(&sealed, of, read));
    }
    Ok(out)
}

fn document(sealed: &SealedTest, of: Collected, read: Read) -> AudienceDoc {
    let plan = &sealed.plan;
    let people = read.trials.panel();
    let tallies: Vec<&Tally> = people.iter().map(|p| p.1).collect();
    let void = read.problem.is_some();
    let panel = Panel {
        plan,
        seal: &sealed.seal,
        tallies: &tallies,
        outcomes: None,
        data_void: void,
        known_by_name: plan.training_by_name,
    };
    let weighed = weigh(&panel);
    let preference = plan.method == Method::Preference;
    // Unanswered ones as wrong, as in the lower end of everything that is said of a panel.
    let counts: Vec<(u64, u64)> = tallies.iter().map(|t| (t.scored.len() as u64 + t.unanswered(plan), t.correct())).collect();
    let heard = if preference { None } else { population(&counts, panel.chance()) };
    let p_value = if preference { weighed.p_listeners } else { weighed.count.p_value };
    let not_guarded = visitors::not_guarded();
    let mut doc = AudienceDoc {
        test: plan.test.clone(),
        verdict: "audience".to_owned(),
        method: plan.method,
        setups: plan.setups.clone(),
        visitors: people.len() as u64,
        through: read.through,
        planned_each: planned(plan),
        trials: weighed.count.trials,
        correct: weighed.count.correct.unwrap_or(0),
        unanswered: weighed.unanswered,
        p_value,
        p_takes: weighed.takes.map(|t| t.p),
        level: place(plan).level,
        mean_heard: heard.map(|h| h.mean),
        mean_heard_upper95: heard.map(|h| h.upper95),
        controls: controls(&weighed),
        collected: of,
        void_reason: read.problem,
        not_guarded,
        sentence: String::new(),
    };
    doc.sentence = visitors::sentence(&facts(&doc, &weighed));
    doc
}

fn facts<'a>(doc: &'a AudienceDoc, weighed: &'a Weighed) -> VisitorFacts<'a> {
    VisitorFacts {
        void_reason: doc.void_reason.as_deref(),
        kind: weighed.kind,
        preference: (doc.method == Method::Preference).then_some(doc.setups.as_slice()),
        visitors: doc.visitors,
        through: doc.through,
        trials: doc.trials,
        correct: doc.correct,
        unanswered: doc.unanswered,
        chance: doc.method.chance().map_or(0.5, |(a, b)| f64::from(a) / f64::from(b)),
        p: doc.p_value,
        p_takes: doc.p_takes,
        level: doc.level,
        upper: doc.mean_heard_upper95,
    }
}

/// Answered trials of collected files, as receipts are held against them.
///
/// # Errors
/// The log cannot be read.
pub(crate) fn recorded(session: &Session, take: &mut dyn FnMut(String, String, Recorded)) -> Result<(), Failure> {
    let session_id = session.id()?.to_string();
    for (_, of) in collected(session)? {
        // A file that cannot be read is a problem of its own, told where it is scored.
        let _ = each_line(session, &of.file, &mut |trial| {
            let TrialState::Answered { answer, at, .. } = &trial.state else { return };
            let known = Recorded {
                test: trial.test.to_string(),
                listener_sha256: listener_sha256(&session_id, &trial.listener),
                commitment: trial.commitment.to_string(),
                head: pick_sha256(&trial.id, &trial.commitment, answer, *at).to_string(),
            };
            take(trial.id.to_string(), trial.listener.to_string(), known);
        });
    }
    Ok(())
}
