//! `votes`: an audience's answers, scored as what they are.

use crate::model::audio::Sha256Hex;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{MontageId, SetupName};
use crate::model::montage::{BlindMontage, Vote, VoteCount};
use crate::model::outside::Clock;
use crate::publish::answers::{nothing, number, read, rows, unfit};
use crate::publish::montage_request::least_p;
use crate::publish::visits::{Visits, read_visits};
use crate::report::votes::{PairFacts, VisitFacts, VoteFacts, one_key, own_keys};
use crate::stats::{binomial, panel};
use crate::store::Session;
use crate::verdict::montage_key::drawn;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The level at which a sentence speaks of "heard".
const ALPHA: f64 = 0.05;

/// Whose key the answers belong to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Design {
    /// One blind montage that everybody heard; `None`: the session's only one.
    OneKey(Option<MontageId>),
    /// The audience page, where everybody had draws of their own.
    OwnKeys,
}

/// The document of `votes`.
#[derive(Debug, Clone, Serialize)]
pub struct VotesDoc {
    /// `one-key` or `own-keys`.
    pub design: &'static str,
    /// The montage, of `one-key`.
    pub montage: Option<String>,
    /// People.
    pub people: u64,
    /// Numbered clips (of `own-keys`: the most trials of one person).
    pub clips: u64,
    /// Answers.
    pub answers: u64,
    /// Right ones.
    pub correct: u64,
    /// Exact over all keys; of `own-keys` the exact binomial p.
    pub p_value: f64,
    /// The same over all blind montages of the session.
    pub p_family: f64,
    /// The smallest p that can be reached.
    pub least_p: f64,
    /// How often answers were counted before.
    pub counted_before: u64,
    /// True of `own-keys`: nobody watched.
    pub unguarded: bool,
    /// Of `own-keys`: visits, several of which may be one person's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub visits: Option<u64>,
    /// Of `own-keys`: visits that were not the visitor's first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub later_visits: Option<u64>,
    /// Of `own-keys`: visitors' lines that stood there more than once, and are counted once.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeated: Option<u64>,
    /// Of `own-keys`: each pair of setups that visitors chose.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pairs: Option<Vec<PairDoc>>,
    /// One sentence.
    pub sentence: String,
}

/// What visitors of the audience page answered about one pair of setups.
#[derive(Debug, Clone, Serialize)]
pub struct PairDoc {
    /// `mild against dark`.
    pub setups: String,
    /// People.
    pub people: u64,
    /// Answers.
    pub answers: u64,
    /// Right ones.
    pub correct: u64,
    /// Exact binomial p.
    pub p_value: f64,
    /// The same over all pairs: min(1, pairs x p).
    pub p_family: f64,
}

/// Reads an audience's answers to a montage: every line a person, a clip and one of the setups, no clip twice by one person.
///
/// # Errors
/// The first line that is no such answer, by its number.
pub fn read_votes(path: &Path, bytes: &[u8], montage: &BlindMontage) -> Result<Vec<Vote>, Failure> {
    let mut seen: BTreeMap<(String, u32), u64> = BTreeMap::new();
    let mut out = Vec::new();
    for (line, cells) in rows(path, bytes, &["person", "clip", "choice"])? {
        let clip = number(path, line, &cells[1], u64::from(montage.clips))?;
        let Some(choice) = montage.setups.iter().position(|s| s.as_str() == cells[2]) else {
            let names: Vec<&str> = montage.setups.iter().map(SetupName::as_str).collect();
            let what = format!("{:?} is none of {}", cells[2], names.join(", "));
            return Err(unfit(path, line, what, "correct the name (capitals count), or remove the line"));
        };
        if let Some(first) = seen.insert((cells[0].clone(), clip), line) {
            let what = format!("{} answers clip {clip} a second time (first on line {first})", cells[0]);
            return Err(unfit(path, line, what, "keep one answer per person and clip; a person's first is the honest one"));
        }
        out.push(Vote { person: cells[0].clone(), clip, choice });
    }
    nothing(path, out.is_empty())?;
    Ok(out)
}

/// Counts a file of answers and keeps that it was counted.
///
/// # Errors
/// The file cannot be read or has a fault (named with its line); there is no such montage.
pub fn votes(folder: &Path, file: &Path, design: &Design, clock: &dyn Clock) -> Result<VotesDoc, Failure> {
    let bytes = read(file)?;
    match design {
        Design::OneKey(id) => count_one_key(folder, file, &bytes, id.as_ref(), clock),
        Design::OwnKeys => count_own_keys(folder, file, &bytes, clock),
    }
}

/// What a file of answers holds, read and not counted: its form is in order.
#[derive(Debug, Clone, Serialize)]
pub struct VotesReadDoc {
    /// Who answered.
    pub people: u64,
    /// Their answers.
    pub answers: u64,
}

/// Reads a file of answers as [`votes`] would, keeps nothing and says nothing of right and wrong: the first count stays the first.
///
/// # Errors
/// As [`votes`].
pub fn dry_run(folder: &Path, file: &Path, design: &Design) -> Result<VotesReadDoc, Failure> {
    let bytes = read(file)?;
    match design {
        Design::OneKey(id) => {
            let montage = which(&Session::open_read(folder)?, id.as_ref())?;
            let votes = read_votes(file, &bytes, &montage)?;
            let people = votes.iter().map(|v| v.person.as_str()).collect::<BTreeSet<_>>().len() as u64;
            Ok(VotesReadDoc { people, answers: votes.len() as u64 })
        }
        Design::OwnKeys => {
            Session::open_read(folder)?;
            let visits = read_visits(file, &bytes)?;
            Ok(VotesReadDoc { people: visits.people(), answers: visits.trials() })
        }
    }
}

fn which(session: &Session, id: Option<&MontageId>) -> Result<BlindMontage, Failure> {
    if let Some(id) = id {
        return Ok(session.montage(id)?);
    }
    let mut all = session.montages()?;
    match (all.pop(), all.len()) {
        (Some(only), 0) => Ok(only),
        (None, _) => Err(Failure::plain(
            "no-montage",
            Fate::Refused,
            "this session has no blind montage yet",
            format!("make one with: cabjury montage {} --blind --out DIR", quoted(session.folder())),
        )),
        (Some(_), n) => Err(Failure::plain(
            "which-montage",
            Fate::Refused,
            format!("this session has {} blind montages", n + 1),
            "say which one was heard with --montage",
        )),
    }
}

fn count_one_key(
    folder: &Path,
    file: &Path,
    bytes: &[u8],
    id: Option<&MontageId>,
    clock: &dyn Clock,
) -> Result<VotesDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let montage = which(&session, id)?;
    let drawn = drawn(&montage, &session.montage_key(&montage.id)?)?;
    let votes = read_votes(file, bytes, &montage)?;
    let place = |name: &SetupName| montage.setups.iter().position(|s| s == name).unwrap_or(usize::MAX);
    let key: Vec<usize> = drawn.iter().map(|d| place(&d.setup)).collect();
    let mut answers = vec![vec![0u64; montage.setups.len()]; montage.clips as usize];
    for vote in &votes {
        answers[vote.clip as usize - 1][vote.choice] += 1;
    }
    let (correct, p, least) = panel::shared_key(&answers, &key);
    let people = votes.iter().map(|v| v.person.as_str()).collect::<BTreeSet<_>>().len() as u64;
    let before = session.vote_counts(Some(&montage.id))?.len();
    let facts = VoteFacts {
        people,
        clips: u64::from(montage.clips),
        answered_clips: answers.iter().filter(|c| c.iter().any(|n| *n > 0)).count() as u64,
        answers: votes.len() as u64,
        correct,
        by_chance: votes.len() as f64 / montage.setups.len() as f64,
        p,
        least_p: least,
        alpha: ALPHA,
        montages: session.montages()?.len() as u64,
        few_takes: few_takes(&session, &montage)?,
        counted_before: before,
        revealed: montage.revealed.is_some(),
    };
    keep(&mut session, Some(&montage.id), bytes, &facts, clock)?;
    Ok(document("one-key", Some(montage.id.to_string()), &facts, one_key(&facts)))
}

fn few_takes(session: &Session, montage: &BlindMontage) -> Result<bool, Failure> {
    let clips = session.clips()?;
    let fits = |c: &&crate::model::session::Clip, s: &SetupName| {
        c.run == montage.run && c.mic == montage.mic && c.excerpt == montage.excerpt && &c.setup == s
    };
    Ok(montage.setups.iter().any(|s| clips.iter().filter(|c| fits(c, s)).count() < 4))
}

fn keep(session: &mut Session, id: Option<&MontageId>, bytes: &[u8], f: &VoteFacts, clock: &dyn Clock) -> Result<(), Failure> {
    let count = VoteCount {
        sha256: Sha256Hex::of(bytes),
        people: f.people,
        answers: f.answers,
        correct: f.correct,
        p_value: f.p,
        at: clock.now(),
    };
    Ok(session.add_vote_count(id, &count, clock.now())?)
}

fn document(design: &'static str, montage: Option<String>, f: &VoteFacts, sentence: String) -> VotesDoc {
    VotesDoc {
        design,
        unguarded: montage.is_none(),
        visits: None,
        later_visits: None,
        repeated: None,
        pairs: None,
        montage,
        people: f.people,
        clips: f.clips,
        answers: f.answers,
        correct: f.correct,
        p_value: f.p,
        p_family: f.over_all(f.p),
        least_p: f.least_p,
        counted_before: f.counted_before as u64,
        sentence,
    }
}

fn pair_docs(visits: &Visits) -> Vec<PairDoc> {
    let pairs = visits.pairs();
    let count = pairs.len() as f64;
    let named = |(pair, own): (String, Visits)| {
        let (answers, correct) = (own.trials(), own.correct());
        let p_value = binomial::upper_tail(correct, answers, 0.5);
        PairDoc {
            setups: pair.replace('/', " against "),
            people: own.people(),
            answers,
            correct,
            p_value,
            p_family: (count * p_value).min(1.0),
        }
    };
    pairs.into_iter().filter(|(pair, _)| !pair.is_empty()).map(named).collect()
}

fn count_own_keys(folder: &Path, file: &Path, bytes: &[u8], clock: &dyn Clock) -> Result<VotesDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let visits = read_visits(file, bytes)?;
    let (answers, correct) = (visits.trials(), visits.correct());
    let most = visits.all.iter().map(|v| v.trials).max().unwrap_or(0);
    let facts = VoteFacts {
        people: visits.people(),
        clips: most,
        answered_clips: most,
        answers,
        correct,
        by_chance: answers as f64 / 2.0,
        p: binomial::upper_tail(correct, answers, 0.5),
        least_p: least_p(2, u32::try_from(answers).unwrap_or(u32::MAX)),
        alpha: ALPHA,
        montages: 1,
        few_takes: false,
        counted_before: session.vote_counts(None)?.len(),
        revealed: false,
    };
    let pairs = pair_docs(&visits);
    let each = |p: &PairDoc| PairFacts { setups: p.setups.clone(), answers: p.answers, correct: p.correct, p: p.p_family };
    let came = VisitFacts { later: visits.later(), repeated: visits.repeated, pairs: pairs.iter().map(each).collect() };
    keep(&mut session, None, bytes, &facts, clock)?;
    let mut doc = document("own-keys", None, &facts, own_keys(&facts, &came));
    doc.visits = Some(visits.all.len() as u64);
    doc.later_visits = Some(came.later);
    doc.repeated = Some(came.repeated);
    doc.pairs = Some(pairs);
    Ok(doc)
}
