//! What visitors of the audience page sent in: everybody's answers by draws of their own.
//!
//! A visitor sends one line: `cabjury1:VISITOR:RUN:PAIR:DIGITS:NAME:CODE`. VISITOR is drawn by the page, so that two without a name are two;
//! RUN counts that visitor's visits; PAIR names the two setups; a digit per trial is twice the choice plus the truth; CODE guards against
//! lines that were damaged on the way, not against cheats. Older pages wrote CSV: `person,clip,choice,right,code`.

use crate::model::failure::Failure;
use crate::publish::answers::{nothing, number, rows, unfit};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// How a visitor's line begins.
const MARK: &str = "cabjury1:";

/// One visit.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Visit {
    /// Who: told apart by what the page drew for them, whatever name they gave; of older pages name and code.
    pub(crate) who: (String, String),
    /// Which visit of theirs, from 1.
    pub(crate) run: u32,
    /// `mild/dark`; empty in files of older pages.
    pub(crate) pair: String,
    /// Trials.
    pub(crate) trials: u64,
    /// Right ones.
    pub(crate) correct: u64,
}

/// All visits of a file.
#[derive(Debug, Clone, Default)]
pub(crate) struct Visits {
    pub(crate) all: Vec<Visit>,
    /// Lines that stood there more than once, and are counted once.
    pub(crate) repeated: u64,
}

impl Visits {
    /// People: a visitor who came twice is one.
    pub(crate) fn people(&self) -> u64 {
        self.all.iter().map(|v| &v.who).collect::<BTreeSet<_>>().len() as u64
    }

    pub(crate) fn trials(&self) -> u64 {
        self.all.iter().map(|v| v.trials).sum()
    }

    pub(crate) fn correct(&self) -> u64 {
        self.all.iter().map(|v| v.correct).sum()
    }

    /// Visits that were not the visitor's first.
    pub(crate) fn later(&self) -> u64 {
        self.all.iter().filter(|v| v.run > 1).count() as u64
    }

    /// Per pair: people, trials, right ones.
    pub(crate) fn pairs(&self) -> Vec<(String, Self)> {
        let mut out: BTreeMap<&str, Self> = BTreeMap::new();
        for visit in &self.all {
            out.entry(&visit.pair).or_default().all.push(visit.clone());
        }
        out.into_iter().map(|(pair, own)| (pair.to_owned(), own)).collect()
    }
}

/// The code over a visitor's answers: FNV-1a, 32 bits, of the text's bytes. The page computes the same; a browser without a secure context
/// has no SHA-256.
#[must_use]
pub fn visitor_code(text: &str) -> String {
    let hash = text.bytes().fold(0x811C_9DC5u32, |h, b| (h ^ u32::from(b)).wrapping_mul(0x0100_0193));
    format!("{hash:08x}")
}

/// Reads what visitors sent: their lines, wherever they stand in a text, or the CSV of older pages.
///
/// # Errors
/// The first line that is damaged, by its number; there are no answers.
pub(crate) fn read_visits(file: &Path, bytes: &[u8]) -> Result<Visits, Failure> {
    match std::str::from_utf8(bytes) {
        Ok(text) if text.contains(MARK) => read_lines(file, text),
        _ => read_csv(file, bytes),
    }
}

fn read_lines(file: &Path, text: &str) -> Result<Visits, Failure> {
    let mut seen = BTreeSet::new();
    let mut out = Visits::default();
    for (number, line) in (1..).zip(text.lines()) {
        // A mail may put the line in brackets, quotes or a longer sentence.
        for word in line.split_whitespace() {
            let Some(begin) = word.find(MARK) else { continue };
            let visit = parsed(&word[begin..]).ok_or_else(|| {
                let next = "a part of it was lost or changed on the way: paste it again, on one line, from cabjury1 to its end";
                unfit(file, number, "a visitor's line does not give its code", next)
            })?;
            if seen.insert((visit.who.0.clone(), visit.run)) {
                out.all.push(visit);
            } else if out.all.contains(&visit) {
                out.repeated += 1;
            } else {
                let what = format!("visitor {} sends visit {} again with other answers", visit.who.0, visit.run);
                return Err(unfit(file, number, what, "keep the line that came first, and remove the other one"));
            }
        }
    }
    nothing(file, out.all.is_empty())?;
    Ok(out)
}

fn parsed(word: &str) -> Option<Visit> {
    // What stands behind the code's eight digits is the mail's.
    let (body, rest) = word.rsplit_once(':')?;
    let code: String = rest.chars().take_while(char::is_ascii_hexdigit).collect();
    if code != visitor_code(body) {
        return None;
    }
    let parts: Vec<&str> = body.split(':').collect();
    let [_, visitor, run, pair, digits, _name] = parts[..] else { return None };
    let digits: Option<Vec<u32>> = digits.chars().map(|c| c.to_digit(4)).collect();
    let digits = digits.filter(|d| (1..=1000).contains(&d.len()))?;
    let run = run.parse().ok().filter(|n| *n >= 1)?;
    let known = !visitor.is_empty() && pair.split('/').count() == 2;
    known.then(|| Visit {
        who: (visitor.to_owned(), String::new()),
        run,
        pair: pair.to_owned(),
        trials: digits.len() as u64,
        correct: digits.iter().filter(|d| *d / 2 == *d % 2).count() as u64,
    })
}

/// The lines of older pages. Everybody without a name is called `visitor` there, and is told apart by the code over their answers.
fn read_csv(file: &Path, bytes: &[u8]) -> Result<Visits, Failure> {
    let mut people: BTreeMap<(String, String), (u64, String)> = BTreeMap::new();
    let mut seen = BTreeMap::new();
    let mut found: BTreeMap<(String, String), (u64, u64)> = BTreeMap::new();
    for (line, cells) in rows(file, bytes, &["person", "clip", "choice", "right", "code"])? {
        let clip = number(file, line, &cells[1], 1000)?;
        if let Some(cell) = cells[2..4].iter().find(|c| !matches!(c.as_str(), "A" | "B")) {
            return Err(unfit(file, line, format!("{cell:?} is neither A nor B"), "paste a visitor's text as it was sent"));
        }
        let who = (cells[0].clone(), cells[4].clone());
        if let Some(first) = seen.insert((who.clone(), clip), line) {
            let what = format!("{} answers clip {clip} a second time (first on line {first})", cells[0]);
            return Err(unfit(file, line, what, "a text was pasted twice: remove one of them"));
        }
        let known = people.entry(who.clone()).or_insert_with(|| (line, format!("{}\n", cells[0])));
        known.1.push_str(&format!("{clip}{}{};", cells[2], cells[3]));
        let count = found.entry(who).or_default();
        *count = (count.0 + 1, count.1 + u64::from(cells[2] == cells[3]));
    }
    nothing(file, found.is_empty())?;
    if let Some(((person, code), (line, _))) = people.iter().find(|((_, code), (_, text))| *code != visitor_code(text)) {
        let what = format!("the lines of {person} do not give their code {code}");
        let next = "some lines were lost or changed on the way: paste the visitor's whole text again";
        return Err(unfit(file, *line, what, next));
    }
    let visit = |(who, (trials, correct))| Visit { who, run: 1, pair: String::new(), trials, correct };
    Ok(Visits { all: found.into_iter().map(visit).collect(), repeated: 0 })
}
