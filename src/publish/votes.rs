//! `votes`: an audience's answers, scored as what they are.

use crate::model::audio::Sha256Hex;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{MontageId, SetupName};
use crate::model::montage::{BlindMontage, Vote, VoteCount};
use crate::model::outside::Clock;
use crate::publish::montage_request::least_p;
use crate::report::votes::{VoteFacts, one_key, own_keys};
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
    /// One sentence.
    pub sentence: String,
}

fn unfit(path: &Path, line: u64, what: impl std::fmt::Display, next: &str) -> Failure {
    Failure::at_path("votes", Fate::Unfit, path, format!("{}, line {line}: {what}", path.display()), next)
}

/// Rows of a file of answers: line number and the wanted columns, trimmed.
fn rows(path: &Path, bytes: &[u8], wanted: &[&str]) -> Result<Vec<(u64, Vec<String>)>, Failure> {
    let text = std::str::from_utf8(bytes)
        .map_err(|e| unfit(path, line_of(bytes, e.valid_up_to()), "it is not text (UTF-8)", "save it again as CSV, UTF-8"))?;
    let text = text.trim_start_matches('\u{feff}');
    let head = text.lines().next().unwrap_or_default();
    // Spreadsheets of half the world write semicolons.
    let delimiter = [b',', b';', b'\t'].into_iter().max_by_key(|d| head.bytes().filter(|b| b == d).count()).unwrap_or(b',');
    let mut reader =
        csv::ReaderBuilder::new().delimiter(delimiter).trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let next = format!("the first line names the columns: {}", wanted.join(","));
    let names: Vec<String> = reader.headers().map_err(|e| unfit(path, 1, e, &next))?.iter().map(str::to_lowercase).collect();
    let mut places = Vec::new();
    for name in wanted {
        let place = names.iter().position(|n| n == name);
        places.push(place.ok_or_else(|| unfit(path, 1, format!("there is no column {name}"), &next))?);
    }
    let mut out = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(0, csv::Position::line);
            unfit(path, line, "it cannot be read as CSV", "open it in a spreadsheet and save it again as CSV")
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(str::is_empty) {
            continue;
        }
        let cells: Vec<String> = places.iter().map(|p| record.get(*p).unwrap_or_default().to_owned()).collect();
        if let Some((name, _)) = wanted.iter().zip(&cells).find(|(_, c)| c.is_empty()) {
            return Err(unfit(path, line, format!("the column {name} is empty"), "fill it in, or remove the line"));
        }
        out.push((line, cells));
    }
    Ok(out)
}

fn line_of(bytes: &[u8], place: usize) -> u64 {
    bytes.iter().take(place).filter(|b| **b == b'\n').count() as u64 + 1
}

fn number(path: &Path, line: u64, text: &str, most: u64) -> Result<u32, Failure> {
    let read = text.parse::<u64>().ok().filter(|n| (1..=most).contains(n)).and_then(|n| u32::try_from(n).ok());
    read.ok_or_else(|| {
        unfit(
            path,
            line,
            format!("{text:?} is not a clip: a number from 1 to {most} is needed"),
            "correct the number, or remove the line",
        )
    })
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

fn nothing(path: &Path, empty: bool) -> Result<(), Failure> {
    if empty {
        let message = format!("{} holds no answers", path.display());
        return Err(Failure::at_path("no-votes", Fate::Unfit, path, message, "one line per person and clip: person,clip,choice"));
    }
    Ok(())
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
            let own = read_own(file, &bytes)?;
            Ok(VotesReadDoc { people: own.people, answers: own.answers })
        }
    }
}

fn read(file: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(file).map_err(|e| {
        let message = format!("{} cannot be read: {e}", file.display());
        Failure::at_path("cannot-read", Fate::Unfit, file, message, "give the path of a CSV file of answers")
    })
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

/// The visitor's lines as the audience page writes them: their own key stands beside each answer, and a code over all of a visitor's lines
/// shows when some were lost on the way. It guards against accidents, not against cheats.
fn read_own(file: &Path, bytes: &[u8]) -> Result<Own, Failure> {
    let mut people: BTreeMap<String, (u64, String, String)> = BTreeMap::new();
    let mut seen = BTreeMap::new();
    let (mut answers, mut correct, mut most) = (0u64, 0u64, 0u64);
    for (line, cells) in rows(file, bytes, &["person", "clip", "choice", "right", "code"])? {
        let clip = number(file, line, &cells[1], 1000)?;
        if let Some(cell) = cells[2..4].iter().find(|c| !matches!(c.as_str(), "A" | "B")) {
            return Err(unfit(file, line, format!("{cell:?} is neither A nor B"), "paste a visitor's text as it was sent"));
        }
        if let Some(first) = seen.insert((cells[0].clone(), clip), line) {
            let what = format!("{} answers clip {clip} a second time (first on line {first})", cells[0]);
            return Err(unfit(file, line, what, "a text was pasted twice: remove one of them"));
        }
        let known = people.entry(cells[0].clone()).or_insert_with(|| (line, cells[4].clone(), String::new()));
        known.2.push_str(&format!("{clip}{}{};", cells[2], cells[3]));
        answers += 1;
        correct += u64::from(cells[2] == cells[3]);
        most = most.max(u64::from(clip));
    }
    nothing(file, answers == 0)?;
    for (person, (line, code, text)) in &people {
        if *code != visitor_code(person, text) {
            let what = format!("the lines of {person} do not give their code {code}");
            return Err(unfit(
                file,
                *line,
                what,
                "some lines were lost or changed on the way: paste the visitor's whole text again",
            ));
        }
    }
    Ok(Own { people: people.len() as u64, answers, correct, most })
}

/// Visitors' lines, added up.
struct Own {
    people: u64,
    answers: u64,
    correct: u64,
    most: u64,
}

fn count_own_keys(folder: &Path, file: &Path, bytes: &[u8], clock: &dyn Clock) -> Result<VotesDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let Own { people, answers, correct, most } = read_own(file, bytes)?;
    let before = session.vote_counts(None)?.len();
    let facts = VoteFacts {
        people,
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
        counted_before: before,
        revealed: false,
    };
    keep(&mut session, None, bytes, &facts, clock)?;
    Ok(document("own-keys", None, &facts, own_keys(&facts)))
}

/// The code over a visitor's lines: FNV-1a, 32 bits, of the name, a line feed and `clip choice right;` of each line without spaces. The
/// page computes the same; a browser without a secure context has no SHA-256.
#[must_use]
pub fn visitor_code(person: &str, lines: &str) -> String {
    let hash = format!("{person}\n{lines}").bytes().fold(0x811C_9DC5u32, |h, b| (h ^ u32::from(b)).wrapping_mul(0x0100_0193));
    format!("{hash:08x}")
}
