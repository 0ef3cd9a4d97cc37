//! A folder that is bounced into: each new file is taken in when it is finished, in the run sheet's order or by a pattern.

use crate::capture::guess::alone;
use crate::capture::incoming::RefusedDoc;
use crate::capture::pattern::{FolderPlan, FolderRequest, RowDoc, plan_folder, recordings, take_folder};
use crate::capture::recording::TakeDoc;
use crate::capture::runsheet::coming;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::{Clock, Progress};
use crate::store::Session;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Size and time of a file: while they change, it is being written.
type State = (u64, Option<SystemTime>);

/// A folder that is watched.
pub struct Watch {
    folder: PathBuf,
    dir: PathBuf,
    request: FolderRequest,
    /// Files as they were at the last look.
    last: BTreeMap<PathBuf, State>,
    /// Files that were dealt with, as they were then.
    done: BTreeMap<PathBuf, State>,
}

/// What a look found.
#[derive(Debug, Clone)]
pub enum Seen {
    /// A file was taken in.
    Taken(Box<TakeDoc>),
    /// A file is not fit, or the session has it already.
    Refused(RefusedDoc),
}

fn state(path: &Path) -> Option<State> {
    let found = std::fs::metadata(path).ok()?;
    Some((found.len(), found.modified().ok()))
}

impl Watch {
    /// Begins to watch. What lies in the folder already is left alone.
    ///
    /// # Errors
    /// The folder cannot be read, or the session cannot say what comes next.
    pub fn new(folder: &Path, dir: &Path, request: FolderRequest) -> Result<Self, Failure> {
        if request.pattern.is_none() && request.setup.is_none() {
            coming(&Session::open_read(folder)?)?;
        }
        let there = recordings(dir)?.into_iter().filter_map(|p| state(&p).map(|s| (p, s)));
        let done = there.collect();
        Ok(Self { folder: folder.to_owned(), dir: dir.to_owned(), request, last: BTreeMap::new(), done })
    }

    /// Files that were there when it began.
    #[must_use]
    pub fn left_alone(&self) -> usize {
        self.done.len()
    }

    /// The pass that is recorded next and its setup, where the run sheet decides.
    ///
    /// # Errors
    /// The session cannot be read.
    pub fn next(&self) -> Result<Option<(u32, SetupName)>, Failure> {
        if self.request.pattern.is_some() || self.request.setup.is_some() {
            return Ok(None);
        }
        Ok(coming(&Session::open_read(&self.folder)?)?.into_iter().next())
    }

    /// Looks once: files that did not change since the last look are taken in, in the order in which they were finished.
    ///
    /// # Errors
    /// The folder or the session cannot be read.
    pub fn look(&mut self, clock: &dyn Clock, progress: &dyn Progress) -> Result<Vec<Seen>, Failure> {
        let now: BTreeMap<PathBuf, State> =
            recordings(&self.dir)?.into_iter().filter_map(|p| state(&p).map(|s| (p, s))).collect();
        let mut ready: Vec<(PathBuf, State)> = now
            .iter()
            .filter(|(p, s)| s.0 > 0 && self.last.get(*p) == Some(*s) && self.done.get(*p) != Some(*s))
            .map(|(p, s)| (p.clone(), *s))
            .collect();
        ready.sort_by(|a, b| (a.1.1, &a.0).cmp(&(b.1.1, &b.0)));
        self.last = now;
        let mut seen = Vec::new();
        for (path, state) in ready {
            match self.take(&path, clock, progress) {
                Ok(found) => seen.extend(found),
                // Another process is writing the session: the file waits for the next look.
                Err(error) if error.explain().kind() == "session-locked" => continue,
                Err(error) if error.explain().fate() == Fate::Failed => return Err(error),
                Err(error) => seen.push(Seen::Refused(RefusedDoc::new(&path, &error))),
            }
            self.done.insert(path, state);
        }
        Ok(seen)
    }

    fn take(&self, path: &Path, clock: &dyn Clock, progress: &dyn Progress) -> Result<Vec<Seen>, Failure> {
        let plan = self.plan(path)?;
        if let Some(problem) = plan.rows.iter().find_map(|r| r.problem.clone()) {
            let message = format!("{} was left alone: {problem}", path.display());
            return Err(Failure::at_path("pattern", Fate::Unfit, path, message, "rename it, or take it in by hand"));
        }
        let doc = take_folder(&self.folder, plan, &self.request, clock, progress)?;
        let mut seen: Vec<Seen> = doc.takes.into_iter().map(|t| Seen::Taken(Box::new(t))).collect();
        seen.extend(doc.refused.into_iter().map(Seen::Refused));
        if let Some(id) = doc.already.first() {
            let message = format!("{} is already in the session as {id}; it was not taken in twice", path.display());
            let error = Failure::at_path("already", Fate::Refused, path, message, "nothing is left to do");
            seen.push(Seen::Refused(RefusedDoc::new(path, &error)));
        }
        Ok(seen)
    }

    /// How one file is taken in.
    fn plan(&self, path: &Path) -> Result<FolderPlan, Failure> {
        if self.request.pattern.is_some() {
            let mut plan = plan_folder(&self.folder, &self.dir, &self.request)?;
            plan.rows.retain(|r| r.path == path);
            return Ok(plan);
        }
        let session = Session::open_read(&self.folder)?;
        let rig = session.rig()?;
        let file = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let named =
            || rig.mics.iter().map(|m| &m.name).filter(|m| alone(&file, m.as_str()).is_some()).max_by_key(|m| m.as_str().len());
        let mic = match (&self.request.mic, rig.mics.len()) {
            (Some(mic), _) => mic.clone(),
            (None, 0 | 1) => rig.default_mic(),
            (None, _) => match named() {
                Some(mic) => mic.clone(),
                None => {
                    let known: Vec<&str> = rig.mics.iter().map(|m| m.name.as_str()).collect();
                    let message = format!("{} names no mic of the sheet ({})", path.display(), known.join(", "));
                    return Err(Failure::at_path(
                        "which-mic",
                        Fate::Unfit,
                        path,
                        message,
                        "put the mic's name into the file's name, or give --mic or --pattern",
                    ));
                }
            },
        };
        let takes = session.takes()?;
        let (pass, setup) = match &self.request.setup {
            Some(setup) => (1 + takes.iter().map(|t| t.pass).max().unwrap_or(0), setup.clone()),
            None => {
                let mine = |pass: u32| takes.iter().any(|t| t.withdrawn.is_none() && t.pass == pass && t.mic == mic);
                let Some(next) = coming(&session)?.into_iter().find(|(pass, _)| !mine(*pass)) else {
                    return Err(Failure::plain("no-pass", Fate::Refused, "the run sheet has no pass left", "take it in by hand"));
                };
                next
            }
        };
        let row = RowDoc {
            file,
            setup: Some(setup.to_string()),
            mic: Some(mic.to_string()),
            pass: Some(pass),
            problem: None,
            path: path.to_owned(),
        };
        Ok(FolderPlan { pattern: "the run sheet".to_owned(), guessed: false, rows: vec![row] })
    }
}
