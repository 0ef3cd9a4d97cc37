//! A folder of bounces, taken in by its files' names: `{setup}_{mic}_{take}.wav`.

use crate::capture::derive::{Change, Tray};
use crate::capture::incoming::{Manner, RefusedDoc, take_in};
use crate::capture::measure::Measured;
pub use crate::capture::naming::Pattern;
use crate::capture::recording::Incoming;
use crate::capture::recording::{TakeDoc, called, examine};
use crate::capture::{names, take};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::{Clock, Progress};
use crate::model::rig::Rig;
use crate::model::session::Depth;
use crate::store::Session;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct FolderRequest {
    /// The pattern; none: one is guessed.
    pub pattern: Option<Pattern>,
    /// The setup of all files, where the pattern does not say it.
    pub setup: Option<SetupName>,
    /// The mic of all files, where the pattern does not say it.
    pub mic: Option<MicName>,
    /// What was touched before each.
    pub depth: Option<Depth>,
    /// Free notes.
    pub notes: BTreeMap<String, String>,
    /// What may be done to a file that does not fit the session.
    pub change: Change,
}

/// A file of the folder, as its name was read.
#[derive(Debug, Clone, Serialize)]
pub struct RowDoc {
    /// Its name.
    pub file: String,
    /// Its setup.
    pub setup: Option<String>,
    /// Its mic.
    pub mic: Option<String>,
    /// Its pass.
    pub pass: Option<u32>,
    /// Why it will not be taken in.
    pub problem: Option<String>,
    /// Where it lies.
    #[serde(skip)]
    pub path: PathBuf,
}

/// What would be taken in.
#[derive(Debug, Clone, Serialize)]
pub struct FolderPlan {
    /// The pattern.
    pub pattern: String,
    /// True when it was guessed from the names.
    pub guessed: bool,
    /// The folder's recordings.
    pub rows: Vec<RowDoc>,
}

/// What was taken in.
#[derive(Debug, Clone, Serialize)]
pub struct FolderDoc {
    /// How the names were read.
    #[serde(flatten)]
    pub plan: FolderPlan,
    /// Takes that were kept now.
    pub takes: Vec<TakeDoc>,
    /// Recordings that the session had already, by the take that they are.
    pub already: Vec<String>,
    /// Files that are not fit, and why.
    pub refused: Vec<RefusedDoc>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// Endings of files that are recordings.
const ENDINGS: [&str; 15] =
    ["wav", "wave", "aif", "aiff", "aifc", "flac", "caf", "w64", "rf64", "bwf", "m4a", "mp3", "ogg", "opus", "au"];

/// The ending of a recording's name, in small letters; none of another name.
pub(crate) fn ending(name: &Path) -> Option<&'static str> {
    let found = name.extension()?.to_str()?.to_ascii_lowercase();
    ENDINGS.into_iter().find(|known| *known == found)
}

/// What a browser's file chooser offers.
pub(crate) fn accepted() -> String {
    ENDINGS.iter().map(|e| format!(".{e},")).collect::<String>() + "audio/*"
}

/// The recordings of a folder, by name; folders within are left alone.
///
/// # Errors
/// The folder cannot be read.
pub(crate) fn recordings(dir: &Path) -> Result<Vec<PathBuf>, Failure> {
    let failed = |e: std::io::Error| {
        let message = format!("{} cannot be read: {e}", dir.display());
        Failure::at_path("unreadable-folder", Fate::Unfit, dir, message, "check the name; a path with spaces needs quotes")
    };
    let mut out = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let hidden = path.file_name().is_none_or(|n| n.to_string_lossy().starts_with('.'));
        if !hidden && path.is_file() && ending(&path).is_some() {
            out.push(path);
        }
    }
    out.sort();
    Ok(out)
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Reads the names of a folder's recordings, by the pattern or by one that is guessed; nothing is stored.
///
/// # Errors
/// The folder cannot be read, holds no recordings, or no pattern can be guessed.
pub fn plan_folder(folder: &Path, dir: &Path, request: &FolderRequest) -> Result<FolderPlan, Failure> {
    // First the session: folders in each other's place are told by it.
    let session = Session::open_read(folder)?;
    let files = recordings(dir)?;
    if files.is_empty() {
        let message = format!("{} holds no recordings", dir.display());
        return Err(Failure::at_path("no-recordings", Fate::Unfit, dir, message, "check the folder's name"));
    }
    plan_files(&session, files, request)
}

/// The same for files that are not here yet: their names alone.
///
/// # Errors
/// The session cannot be read, or no pattern can be guessed.
pub fn plan_names(folder: &Path, names: &[String], request: &FolderRequest) -> Result<FolderPlan, Failure> {
    plan_files(&Session::open_read(folder)?, names.iter().map(PathBuf::from).collect(), request)
}

fn plan_files(session: &Session, files: Vec<PathBuf>, request: &FolderRequest) -> Result<FolderPlan, Failure> {
    let rig = session.rig()?;
    let names: Vec<String> = files.iter().map(|f| name_of(f)).collect();
    let guessed = request.pattern.is_none();
    let pattern = match &request.pattern {
        Some(pattern) => pattern.clone(),
        None => super::guess::guess(&names, &rig, request.setup.is_some())?,
    };
    let last: BTreeMap<(String, String), u32> = session.takes()?.into_iter().fold(BTreeMap::new(), |mut last, t| {
        let key = (t.setup.map(|s| s.to_string()).unwrap_or_default(), t.mic.to_string());
        let pass = last.entry(key).or_insert(0);
        *pass = t.pass.max(*pass);
        last
    });
    let mut counted = last;
    let rows = files.into_iter().zip(names).map(|(path, file)| row(&pattern, &rig, request, path, file, &mut counted)).collect();
    Ok(FolderPlan { pattern: pattern.to_string(), guessed, rows })
}

fn row(
    pattern: &Pattern,
    rig: &Rig,
    request: &FolderRequest,
    path: PathBuf,
    file: String,
    counted: &mut BTreeMap<(String, String), u32>,
) -> RowDoc {
    let left_out = |problem: String| RowDoc {
        file: file.clone(),
        setup: None,
        mic: None,
        pass: None,
        problem: Some(problem),
        path: path.clone(),
    };
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let Some(said) = pattern.read(&file, rig).or_else(|| pattern.read(&stem, rig)) else {
        return left_out("its name does not fit the pattern".to_owned());
    };
    let setup = said.setup.or_else(|| request.setup.as_ref().map(ToString::to_string));
    let mic = said.mic.or_else(|| request.mic.as_ref().map(ToString::to_string)).unwrap_or_else(|| rig.default_mic().to_string());
    let Some(setup) = setup else { return left_out("no setup is named: add {setup} to the pattern, or --setup".to_owned()) };
    let problem = SetupName::new(&setup)
        .map_err(Failure::from)
        .and_then(|s| names::setup(rig, &s))
        .and_then(|()| MicName::new(&mic).map_err(Failure::from))
        .and_then(|m| names::mic(rig, &m))
        .err()
        .map(|e| format!("{e} ({})", e.explain().next()));
    let pass = said.pass.or(said.take).unwrap_or_else(|| {
        let last = counted.entry((setup.clone(), mic.clone())).or_insert(0);
        *last += 1;
        *last
    });
    RowDoc { file, setup: Some(setup), mic: Some(mic), pass: Some(pass), problem, path }
}

/// Takes in what was planned; a file that is not fit is named, and the others are taken in.
///
/// # Errors
/// The session is locked, or the DI is of another performance than all files.
pub fn take_folder(
    folder: &Path,
    plan: FolderPlan,
    request: &FolderRequest,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<FolderDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let tray = Tray::new(&session);
    let rows: Vec<&RowDoc> = plan.rows.iter().filter(|r| r.problem.is_none()).collect();
    let mut refused: Vec<RefusedDoc> = Vec::new();
    let examined: Vec<Result<Measured, Failure>> = rows.par_iter().map(|r| examine(&r.path)).collect();
    let mut fit: Vec<(&RowDoc, Measured)> = Vec::new();
    for ((row, measured), done) in rows.iter().zip(examined).zip(1..) {
        match measured.and_then(|m| tray.fitted(&session, m, request.change)) {
            Ok(measured) => fit.push((row, measured)),
            Err(error) => refused.push(RefusedDoc::new(&row.path, &error)),
        }
        progress.step("reading", done, rows.len() as u64);
    }
    let plain = take::Request::default();
    let mut incoming = Vec::new();
    for (row, measured) in &fit {
        let (Some(setup), Some(mic), Some(pass)) = (&row.setup, &row.mic, row.pass) else { continue };
        incoming.push(Incoming {
            meant: None,
            measured,
            setup: Some(SetupName::new(setup)?),
            channel: None,
            mic: MicName::new(mic)?,
            pass,
            depth: request.depth,
            notes: request.notes.clone(),
            original_name: called(measured, &plain),
        });
    }
    let doc = take_in(&mut session, &incoming, Manner::TheOthers(&mut refused), clock, progress)?;
    drop(incoming);
    drop(fit);
    Ok(FolderDoc { plan, takes: doc.takes, already: doc.already, refused, warnings: doc.warnings })
}
