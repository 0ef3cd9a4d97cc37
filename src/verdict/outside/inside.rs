//! What the chain and the trials of a session say, read once.

use super::docs::CoverDoc;
use crate::model::failure::Failure;
use crate::model::trial::TrialState;
use crate::store::Session;
use crate::store::event::Happening;
use crate::testing::receipt::listener_sha256;
use crate::verdict::audience;
use crate::witness::receipt::Recorded;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A test in the log.
#[derive(Debug, Default)]
pub(super) struct Span {
    /// The entry that sealed it.
    pub(super) seal: i64,
    /// The entries of its answers, practice left out.
    pub(super) picks: Vec<i64>,
    /// Who answered it, practice left out.
    pub(super) listeners: BTreeSet<String>,
}

/// A session as the outside is held against it.
pub(super) struct Inside {
    pub(super) session_id: String,
    /// Number and time of the entry after which the chain had a head.
    pub(super) heads: HashMap<String, (i64, String)>,
    pub(super) recorded: HashMap<String, Recorded>,
    /// Who answered a trial.
    pub(super) who: HashMap<String, String>,
    pub(super) tests: BTreeMap<String, Span>,
    pub(super) kept_receipts: Vec<String>,
    pub(super) kept_stamps: Vec<String>,
    /// The chain was made anew behind a gap: what was kept before can no longer fit, and the audit's remark says why.
    pub(super) rescued: bool,
}

impl Inside {
    pub(super) fn read(session: &Session) -> Result<Self, Failure> {
        let mut inside = Self {
            session_id: session.id()?.to_string(),
            heads: HashMap::new(),
            recorded: HashMap::new(),
            who: HashMap::new(),
            tests: BTreeMap::new(),
            kept_receipts: Vec::new(),
            kept_stamps: Vec::new(),
            rescued: false,
        };
        let (mut after_pick, mut seals) = (HashMap::new(), HashMap::new());
        session.each_entry(&mut |entry| {
            inside.heads.insert(entry.hash.to_owned(), (entry.seq, entry.at.to_owned()));
            match (entry.what, Happening::from_name(entry.what)) {
                ("pick", _) => drop(after_pick.insert(entry.subject.to_owned(), (entry.seq, entry.hash.to_owned()))),
                ("seal", _) => drop(seals.insert(entry.subject.to_owned(), entry.seq)),
                (_, Some(Happening::ReceiptsKept)) => inside.kept_receipts.push(entry.body.to_owned()),
                (_, Some(Happening::Timestamped)) => inside.kept_stamps.push(entry.body.to_owned()),
                (_, Some(Happening::Rescued)) => inside.rescued = true,
                _ => {}
            }
        })?;
        for test in session.tests()? {
            let name = test.plan.test.to_string();
            let mut span = Span { seal: seals.get(&name).copied().unwrap_or(i64::MAX), ..Span::default() };
            session.each_trial(&test.plan.test, &mut |trial| {
                if !matches!(trial.state, TrialState::Answered { .. }) {
                    return;
                }
                let (seq, head) = after_pick.get(trial.id.as_str()).cloned().unwrap_or((i64::MAX, String::new()));
                if !trial.practice {
                    span.picks.push(seq);
                    span.listeners.insert(trial.listener.to_string());
                }
                inside.who.insert(trial.id.to_string(), trial.listener.to_string());
                let recorded = Recorded {
                    test: name.clone(),
                    listener_sha256: listener_sha256(&inside.session_id, &trial.listener),
                    commitment: trial.commitment.to_string(),
                    head,
                };
                inside.recorded.insert(trial.id.to_string(), recorded);
            })?;
            inside.tests.insert(name, span);
        }
        audience::recorded(session, &mut |trial, who, recorded| {
            inside.who.insert(trial.clone(), who);
            inside.recorded.insert(trial, recorded);
        })?;
        Ok(inside)
    }

    /// What of the tests lies before the end of an entry.
    pub(super) fn covers(&self, entry: i64) -> Vec<CoverDoc> {
        let sealed = self.tests.iter().filter(|(_, span)| span.seal <= entry);
        let cover = |(test, span): (&String, &Span)| CoverDoc {
            test: test.clone(),
            answers: span.picks.iter().filter(|seq| **seq <= entry).count(),
            of: span.picks.len(),
        };
        sealed.map(cover).collect()
    }
}
