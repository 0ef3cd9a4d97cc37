//! `report`: gathers a session's records, verdicts and audit, and writes the page (or Markdown, or JSON). Never over something.
//!
//! * [`audience`](mod@audience): a static folder for any web host
//! * [`gather`](mod@gather): rig, takes, matching, differences
//! * [`tested`]: sealed tests, scores, picks
//! * `wired`: loads, drawings, predictions

pub mod audience;
pub mod gather;
mod takes_heard;
pub mod tested;
mod wired;

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Clock;
use crate::report::content::document as contents;
use crate::report::view::{AuditView, Report};
use crate::report::{markdown, page};
use crate::sound::write;
use crate::store::Session;
use crate::verdict::audit;
use crate::verdict::hashes::Hashes;
use crate::verdict::score::{ScoreDoc, document};
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};

/// A verdict in the document of `report`.
#[derive(Debug, Clone, Serialize)]
pub struct VerdictLine {
    /// The test.
    pub test: String,
    /// The verdict's kind; null of an open test.
    pub verdict: Option<&'static str>,
    /// Verdict word and counts, or that there is no verdict yet.
    pub headline: String,
    /// The sentence, or where the test stands.
    pub sentence: String,
}

/// The document of `report`.
#[derive(Debug, Clone, Serialize)]
pub struct ReportDoc {
    /// Where it was written.
    pub path: String,
    /// `html`, `md` or `json`.
    pub format: &'static str,
    /// Its size.
    pub bytes: u64,
    /// The verdicts in it.
    pub verdicts: Vec<VerdictLine>,
}

/// Everything, as `report --out FILE.json` writes it: the same numbers as `score --json` and `audit --json`.
#[derive(Debug, Serialize)]
struct Everything<'a> {
    report: &'a Report,
    score: &'a ScoreDoc,
    audit: &'a audit::AuditDoc,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Html,
    Markdown,
    Json,
}

impl Format {
    fn of(path: &Path) -> Result<Self, Failure> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("html" | "htm") => Ok(Self::Html),
            Some("md") => Ok(Self::Markdown),
            Some("json") => Ok(Self::Json),
            other => Err(Failure::plain(
                "report-format",
                Fate::WrongUse,
                format!(
                    "a report cannot be written as {}",
                    other.map_or("a file without an ending".to_owned(), |o| format!(".{o}"))
                ),
                "give a name that ends in .html, .md or .json; a PDF comes from printing the page",
            )),
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Html => "html",
            Self::Markdown => "md",
            Self::Json => "json",
        }
    }
}

/// Writes the report of a session: by default as the next `reports/report-N.html`.
///
/// # Errors
/// The session cannot be read; something has that name already (nothing is overwritten); the disk refuses.
pub fn report(folder: &Path, out: Option<&Path>, clock: &dyn Clock) -> Result<ReportDoc, Failure> {
    let format = out.map_or(Ok(Format::Html), Format::of)?;
    if let Some(taken) = out.filter(|p| fs::symlink_metadata(p).is_ok()) {
        return Err(exists(taken));
    }
    // One look at the session: opened once, every file hashed once.
    let session = Session::open_read(folder)?;
    let hashes = Hashes::default();
    let (scored, audited) = looked_at(&session, &hashes)?;
    let view = view(&session, &scored, &audited, clock)?;
    drop(session);
    let text = match format {
        Format::Json => {
            let all = Everything { report: &view, score: &scored, audit: &audited };
            let text = serde_json::to_string_pretty(&all).map_err(|e| failed(folder, &e))?;
            text + "\n"
        }
        Format::Html => page::page(&contents(&view)?),
        Format::Markdown => markdown::markdown(&contents(&view)?),
    };
    let path = match out {
        Some(path) => {
            write_new(path, &text)?;
            path.to_owned()
        }
        None => write_next(&folder.join("reports"), &text)?,
    };
    let verdicts = view
        .tests
        .iter()
        .map(|t| VerdictLine {
            test: t.test.clone(),
            verdict: t.score.as_ref().map(|s| s.result.verdict.name()),
            headline: t.score.as_ref().map_or_else(|| "No verdict yet".to_owned(), |s| s.result.headline.clone()),
            sentence: t.score.as_ref().map_or_else(|| t.fate.clone(), |s| s.result.sentence.clone()),
        })
        .collect();
    Ok(ReportDoc { path: path.display().to_string(), format: format.name(), bytes: text.len() as u64, verdicts })
}

/// What a report of this session shows, scored and audited now.
///
/// # Errors
/// The session cannot be read.
pub fn whole(folder: &Path, clock: &dyn Clock) -> Result<Report, Failure> {
    whole_of(&Session::open_read(folder)?, &Hashes::default(), clock)
}

/// The same of an open session, with hashes that are known already.
///
/// # Errors
/// The records cannot be read.
pub fn whole_of(session: &Session, hashes: &Hashes, clock: &dyn Clock) -> Result<Report, Failure> {
    let (scored, audited) = looked_at(session, hashes)?;
    view(session, &scored, &audited, clock)
}

fn looked_at(session: &Session, hashes: &Hashes) -> Result<(ScoreDoc, audit::AuditDoc), Failure> {
    Ok((document(session, hashes)?, audit::audit_of(session, hashes)?))
}

/// Rig, takes, matching and differences alone: quick, for no recording is looked at and no test scored.
///
/// # Errors
/// The session cannot be read.
pub fn sketch(folder: &Path) -> Result<Report, Failure> {
    let session = Session::open_read(folder)?;
    let mut view = gather::gather(&session)?;
    wired::fill(&mut view, &session)?;
    Ok(view)
}

/// What a report of this session shows.
///
/// # Errors
/// The session cannot be read.
pub fn view(session: &Session, scored: &ScoreDoc, audited: &audit::AuditDoc, clock: &dyn Clock) -> Result<Report, Failure> {
    let mut view = gather::gather(session)?;
    wired::fill(&mut view, session)?;
    view.tests = tested::tests(session, scored, &audited.witnesses)?;
    view.audience = scored.audience.iter().map(|a| (format!("{}: {}", a.test, a.sentence), a.not_guarded.clone())).collect();
    view.given_up = scored.given_up.iter().map(ToString::to_string).collect();
    view.made_at = clock.now().to_string();
    view.audit = Some(AuditView {
        ok: audited.ok,
        records: audited.records,
        head_sha256: audited.head_sha256.clone(),
        unverified_files: audited.unverified_files,
        problems: audited.problems.iter().map(|p| (p.place.clone(), p.what.clone())).collect(),
        witnesses: audited.witnesses.sentence.clone(),
    });
    view.versions = vec![
        ("program".to_owned(), format!("cabjury {}", env!("CARGO_PKG_VERSION"))),
        ("orders drawn by".to_owned(), crate::trial::generator::NAME.to_owned()),
    ];
    Ok(view)
}

fn exists(path: &Path) -> Failure {
    let message = format!("{} exists already, and nothing is overwritten", path.display());
    Failure::at_path("exists", Fate::Refused, path, message, "choose another name with --out, or move the old file away")
}

fn failed(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space, then run it again")
}

/// The next free `report-N.html`. Another process may take a name in between: then the next one is tried.
fn write_next(reports: &Path, text: &str) -> Result<PathBuf, Failure> {
    fs::create_dir_all(reports).map_err(|e| failed(reports, &e))?;
    for n in 1..=9999u32 {
        let path = reports.join(format!("report-{n}.html"));
        if fs::symlink_metadata(&path).is_ok() {
            continue;
        }
        match write_new(&path, text) {
            Err(error) if error.explain().fate() == Fate::Refused => {}
            done => return done.map(|()| path),
        }
    }
    Err(failed(reports, &"it holds 9999 reports already"))
}

/// Writes a file under its name, unless something has it.
fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    write::write_new(path, text.as_bytes())
        .map_err(|e| if fs::symlink_metadata(path).is_ok() { exists(path) } else { failed(path, &e) })
}
