//! One pass: it is begun, looked at, kept as takes or played again.

use super::doc::PassRecord;
use super::gate;
use super::inspect::{HeardDoc, Judged, Recorded, inspect};
use super::sitting::{Press, Sitting, Stage};
use crate::capture::take as intake;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::session::Depth;
use crate::signal::align;
use crate::sound::read_all;
use crate::sound::recorder::{Passed, Void, unfinished};
use crate::store::Session;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// A file's other name, which nothing has yet.
fn free(path: &Path, word: &str) -> PathBuf {
    let mut to = path.with_extension(format!("{word}.wav"));
    let mut n = 2;
    while fs::symlink_metadata(&to).is_ok() {
        to = path.with_extension(format!("{word}-{n}.wav"));
        n += 1;
    }
    to
}

/// Moves a pass's files to names that say what they are.
fn set_aside(files: &[PathBuf], word: &str) -> Vec<String> {
    let mut names = Vec::new();
    for file in files {
        let to = free(file, word);
        // One that cannot be renamed stays where it is, under a name that the next start lists too.
        let now = if fs::rename(file, &to).is_ok() { to } else { file.clone() };
        names.extend(now.file_name().map(|n| n.to_string_lossy().into_owned()));
    }
    names
}

impl Sitting {
    /// Names of the files of the pass at hand: made here, typed by nobody.
    fn files(&self) -> Result<Vec<PathBuf>, Failure> {
        let folder = super::folder(self.way.folder())?;
        let (pass, setup) = self.pass().map_or((0, ""), |p| (p.pass, p.setup.as_str()));
        let loop_back = self.patch.kept.loop_back.map(|_| "loop-back".to_owned());
        let names = self.mics().into_iter().map(|m| m.to_string()).chain(loop_back);
        // What a sitting before left behind keeps its name.
        let mut turn = self.attempt;
        loop {
            let name = |what: &String| folder.join(format!("pass-{pass:02}-{setup}-{what}-{turn}.wav"));
            let files: Vec<PathBuf> = names.clone().map(|n| name(&n)).collect();
            let taken = |p: &PathBuf| fs::symlink_metadata(p).is_ok() || fs::symlink_metadata(unfinished(p)).is_ok();
            if !files.iter().any(taken) {
                return Ok(files);
            }
            turn += 1;
        }
    }

    /// Begins the pass at hand.
    pub(super) fn roll(&mut self) -> Result<(), Failure> {
        let Some(setup) = self.setup() else { return Ok(()) };
        gate::reading(&Session::open_read(self.way.folder())?, &self.rig, &setup)?;
        let lead = !self.sounded.contains(&setup);
        let begun = self.files().and_then(|files| Ok(self.recorder.roll(&files, &self.coming(self.attempt), lead)?));
        match begun {
            Ok(()) => {
                if lead {
                    self.sounded.push(setup);
                }
                self.stage = Stage::Rolling;
                Ok(())
            }
            // A disk that is full can be mended; the page stays.
            Err(error) if error.explain().fate() == Fate::Failed => self.broken(Void::Disk(error.to_string())),
            Err(error) => Err(error),
        }
    }

    /// A pass that does not count: said, written down, and played again.
    pub(super) fn broken(&mut self, void: Void) -> Result<(), Failure> {
        let coming = self.coming(self.attempt);
        self.record("void", vec![void.to_string()], Vec::new(), &Judged::default());
        let body = serde_json::json!({ "pass": coming.pass, "attempt": coming.attempt, "setup": coming.setup, "reason": void.to_string() });
        let noted = super::note_event(&*self.way, super::PASS_VOID, format!("pass-{}", coming.pass), body, self.clock.now());
        self.attempt += 1;
        let full = matches!(void, Void::Disk(_));
        self.stage = Stage::Broken(void);
        // On a full disk the log cannot grow either; the page says it.
        if full { Ok(()) } else { noted }
    }

    /// A pass that was recorded to its end.
    pub(super) fn passed(&mut self, passed: &Passed) -> Result<(), Failure> {
        let Some(setup) = self.setup() else { return Ok(()) };
        let mics = self.mics();
        let (files, rest) = passed.files.split_at(mics.len().min(passed.files.len()));
        let before = self.layout.material.before_di();
        let placed = u64::try_from(passed.di_at).unwrap_or(0).saturating_sub(before);
        let recorded = Recorded {
            files,
            mics: &mics,
            setup: &setup,
            di: &self.di,
            di_at: passed.di_at,
            rest: usize::try_from(placed + self.layout.material.timing.count_in).unwrap_or(0),
            burst: self.layout.material.burst.len(),
        };
        let mut judged = inspect(&recorded, &self.known)?;
        if let Some(cable) = rest.first() {
            self.cable(cable, passed.di_at, &mut judged);
        }
        if let Some(drift) = self.recorder.drift().filter(|d| d.ppm.abs() > 1.0 && d.ppm.abs() > d.within) {
            judged.warnings.push(format!(
                "The input's clock runs {:+.1} ppm (within {:.1}) against the output's: matching takes it out.",
                drift.ppm, drift.within
            ));
        }
        let files = files.to_vec();
        if judged.again.is_empty() {
            return self.keep(judged, &files, passed.di_at, "kept");
        }
        self.di_at = passed.di_at;
        self.stage = Stage::Judged(Box::new(judged), files);
        Ok(())
    }

    /// The loop-back's recording tells the way through the converters; it is no take.
    fn cable(&mut self, file: &Path, di_at: i64, judged: &mut Judged) {
        let lag = read_all(file).ok().and_then(|(audio, _)| align::find_lag(&self.di, &audio.channels()[0], audio.rate(), true));
        match lag {
            Some(lag) => self.round_trip = Some(1e3 * (lag.samples - di_at as f64) / self.layout.rate.as_f64()),
            None => judged.warnings.push("The loop-back input holds no DI: is its cable in?".to_owned()),
        }
        let _ = fs::remove_file(file); // measured; nobody needs it any more
    }

    fn notes(&self, di_at: i64) -> BTreeMap<String, String> {
        let rest = di_at - i64::try_from(self.layout.material.before_di()).unwrap_or(0);
        let rest = rest + i64::try_from(self.layout.material.timing.count_in).unwrap_or(0);
        let mut notes = BTreeMap::from([
            ("recorded".to_owned(), format!("through {}, output at {:.0} dBFS", self.device, self.level_db)),
            ("di-at-frame".to_owned(), di_at.to_string()),
            (super::REST_NOTE.to_owned(), rest.to_string()),
        ]);
        if !self.layout.material.burst.is_empty() {
            notes.insert(super::BURST_NOTE.to_owned(), self.layout.material.burst.len().to_string());
        }
        if let Some(drift) = self.recorder.drift() {
            notes.insert("clock-drift-ppm".to_owned(), format!("{:.2} within {:.2}", drift.ppm, drift.within));
        }
        notes.extend(self.simulated.clone().map(|text| ("simulated".to_owned(), text)));
        notes.extend(self.request.load_reason.clone().map(|text| ("load-reason".to_owned(), text)));
        notes
    }

    /// Takes the pass's files into the session.
    fn take_in(&self, files: &[PathBuf], di_at: i64) -> Result<intake::IntakeDoc, Failure> {
        let request = intake::Request {
            files: files.to_vec(),
            setup: self.setup(),
            mics: self.mics().into_iter().map(|m| (None, m)).collect(),
            pass: self.pass().map(|p| p.pass),
            // What an earlier attempt recorded of this wiring is withdrawn: the take is the wiring's first however often it was played.
            depth: Some(if self.rewired { Depth::Rewired } else { Depth::Untouched }),
            notes: self.notes(di_at),
            ..intake::Request::default()
        };
        intake::take_by(&*self.way, &request, self.clock)
    }

    /// Keeps the pass and goes on.
    pub(super) fn keep(
        &mut self,
        mut judged: Judged,
        files: &[PathBuf],
        di_at: i64,
        outcome: &'static str,
    ) -> Result<(), Failure> {
        let doc = match self.take_in(files, di_at) {
            Ok(doc) => doc,
            Err(error) if error.explain().fate() == Fate::Unfit => {
                // Another performance, or silence: what the session refuses cannot be kept.
                judged.unusable = true;
                judged.again.push(error.to_string());
                self.di_at = di_at;
                self.stage = Stage::Judged(Box::new(judged), files.to_vec());
                return Ok(());
            }
            Err(error) => {
                let names = set_aside(files, "not-taken-in");
                return self.broken(Void::Disk(format!("{error}; the recording is complete: recording/{}", names.join(", "))));
            }
        };
        files.iter().for_each(|f| drop(fs::remove_file(f))); // the session has its own copies
        // To the last bit what the session has: nothing was stored, and nobody is told that it was.
        let outcome = if outcome == "kept" && doc.takes.is_empty() { "already-there" } else { outcome };
        let takes: Vec<String> = doc.takes.iter().map(|t| t.take.clone()).collect();
        judged.warnings.extend(doc.warnings);
        if outcome == "again" {
            self.withdraw(&takes, &format!("played again: {}", judged.again.join(" ")))?;
        } else {
            self.known.append(&mut judged.known);
        }
        let reasons = judged.again.clone();
        self.message = said(outcome, &judged, &takes);
        self.record(outcome, reasons, takes, &judged);
        if outcome == "again" {
            self.attempt += 1;
            self.stage = Stage::Ready;
        } else {
            self.at += 1;
            self.attempt = 1;
            self.next_pass();
        }
        Ok(())
    }

    /// Kept against advice, or again.
    pub(super) fn decide(&mut self, press: &Press) -> Result<(), Failure> {
        let Stage::Judged(judged, files) = &self.stage else { return Ok(()) };
        let (judged, files) = ((**judged).clone(), files.clone());
        match press {
            Press::Key('k') if judged.unusable => {
                self.message = "This pass cannot be used as a take; Enter plays it again.".to_owned();
                Ok(())
            }
            Press::Key('k') => self.keep(judged, &files, self.di_at, "kept"),
            Press::Enter | Press::Key('a') if judged.unusable => {
                let names = set_aside(&files, "refused");
                let coming = self.coming(self.attempt);
                let body = serde_json::json!({ "pass": coming.pass, "attempt": coming.attempt, "setup": coming.setup,
                    "reason": judged.again.join(" "), "files": names });
                super::note_event(&*self.way, super::PASS_VOID, format!("pass-{}", coming.pass), body, self.clock.now())?;
                self.message = format!("Not a take; the recording lies in recording/ as {}.", names.join(", "));
                self.record("again", judged.again.clone(), Vec::new(), &judged);
                self.attempt += 1;
                self.stage = Stage::Ready;
                Ok(())
            }
            Press::Enter | Press::Key('a') => self.keep(judged, &files, self.di_at, "again"),
            _ => Ok(()),
        }
    }

    /// The last pass, if it was kept in this sitting.
    pub(super) fn last_kept(&self) -> Option<&PassRecord> {
        self.passes.last().filter(|p| p.outcome == "kept" && self.at > 0)
    }

    /// The engineer wants the last pass that was kept again.
    ///
    /// # Errors
    /// The session cannot be written.
    pub fn again(&mut self) -> Result<(), Failure> {
        let Some(last) = self.last_kept().cloned() else {
            self.message = "There is no pass that could be played again.".to_owned();
            return Ok(());
        };
        self.withdraw(&last.takes, "played again, as the engineer wished")?;
        if let Some(record) = self.passes.last_mut() {
            record.outcome = "again";
            record.reasons.push("as the engineer wished".to_owned());
        }
        self.known.truncate(self.known.len().saturating_sub(last.takes.len()));
        self.at -= 1;
        self.attempt = last.attempt + 1;
        self.message = format!("Pass {} is withdrawn and will be played again.", last.pass);
        // Where the rig was changed meanwhile it has to be changed back.
        let changed = self.rewired && self.stage == Stage::Ready;
        self.stage = if changed { Stage::Change } else { Stage::Ready };
        Ok(())
    }

    fn record(&mut self, outcome: &'static str, reasons: Vec<String>, takes: Vec<String>, judged: &Judged) {
        let coming = self.coming(self.attempt);
        self.passes.push(PassRecord {
            pass: coming.pass,
            attempt: coming.attempt,
            setup: coming.setup,
            outcome,
            reasons,
            warnings: judged.warnings.clone(),
            takes,
            mics: judged.mics.clone(),
        });
    }
}

fn said(outcome: &str, judged: &Judged, takes: &[String]) -> String {
    let takes = takes.join(" and ");
    let mut lines = vec![match outcome {
        "kept" => format!("Kept as {takes}."),
        "already-there" => {
            "Not stored: it is to the last bit what the session has. Is the output looped back without an amplifier?".to_owned()
        }
        _ => format!("Withdrawn: {takes}."),
    }];
    lines.extend(judged.mics.iter().map(HeardDoc::line));
    lines.extend(judged.warnings.iter().map(|w| format!("Mind: {w}")));
    lines.join("\n")
}
