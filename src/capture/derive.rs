//! Recordings that are made to fit, because the engineer said so: at the session's rate, as mono, cut out of a longer one. Always stated.

use crate::capture::measure::{Measured, measure_file};
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::session::Derived;
use crate::signal::align;
use crate::sound;
use crate::sound::read_all;
use crate::store::Session;
use std::cell::Cell;
use std::path::{Path, PathBuf};

/// What may be done to a file that does not fit the session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Change {
    /// Another rate becomes the session's.
    pub resample: bool,
    /// Stereo becomes mono, the mean of both.
    pub mix_down: bool,
}

/// Where such copies lie until they are taken in; gone afterwards.
pub(crate) struct Tray {
    folder: PathBuf,
    made: Cell<u32>,
}

impl Drop for Tray {
    fn drop(&mut self) {
        for n in 0..self.made.get() {
            // Best effort: what stays behind lies in a folder of its own, under a name that says nothing.
            let _ = std::fs::remove_file(self.place(n));
        }
        let _ = std::fs::remove_dir(&self.folder);
    }
}

impl Tray {
    pub(crate) fn new(session: &Session) -> Self {
        Self { folder: session.folder().join("incoming"), made: Cell::new(0) }
    }

    fn place(&self, n: u32) -> PathBuf {
        self.folder.join(format!("made-{}-{n}.wav", std::process::id()))
    }

    /// A file as it is to be taken in: as it came, or made to fit as far as was asked for.
    pub(crate) fn fitted(&self, session: &Session, measured: Measured, change: Change) -> Result<Measured, Failure> {
        let wanted = session.takes()?.first().map(|t| t.rate).filter(|r| change.resample && *r != measured.facts.rate);
        let mut how = Vec::new();
        let mut audio = None;
        if change.mix_down && measured.facts.channels == 2 {
            let (stereo, _) = read_all(&measured.path)?;
            audio = Some(shaped(Audio::new(stereo.rate(), vec![align::mono(stereo.channels())]))?);
            how.push("mixed down from stereo to mono, the mean of both channels".to_owned());
        }
        if let Some(rate) = wanted {
            let from = audio.map_or_else(|| read_all(&measured.path).map(|read| read.0), Ok)?;
            let Some(made) = sound::resample(&from, rate) else {
                let message = format!("{} cannot be resampled from {} to {rate}", measured.path.display(), measured.facts.rate);
                return Err(Failure::at_path(
                    "rate-differs",
                    Fate::Unfit,
                    &measured.path,
                    message,
                    "export it again at the session's rate",
                ));
            };
            audio = Some(made);
            how.push(format!("resampled from {} to {rate}", measured.facts.rate));
        }
        match audio {
            None => Ok(measured),
            Some(audio) => self.keep(&measured, &audio, how),
        }
    }

    /// Writes a made recording and measures it again.
    pub(crate) fn keep(&self, from: &Measured, audio: &Audio, mut how: Vec<String>) -> Result<Measured, Failure> {
        std::fs::create_dir_all(&self.folder).map_err(|e| cannot(&self.folder, &e))?;
        let n = self.made.get();
        self.made.set(n + 1);
        let path = self.place(n);
        // A file of a process that was killed, whose number came round again.
        let _ = std::fs::remove_file(&path);
        sound::write_wav24(&path, audio)?;
        how.push("kept with 24 bits".to_owned());
        let name = from.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let before = from.derived.as_ref();
        let derived = Derived {
            from: before.map_or(name, |d| d.from.clone()),
            from_sha256: before.map_or_else(|| from.facts.sha256.clone(), |d| d.from_sha256.clone()),
            how: before.map(|d| d.how.clone()).into_iter().flatten().chain(how).collect(),
        };
        Ok(Measured { derived: Some(derived), ..measure_file(&path)? })
    }
}

fn shaped(made: Result<Audio, crate::model::audio::ShapeError>) -> Result<Audio, Failure> {
    made.map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "export the file again"))
}

fn cannot(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space")
}
