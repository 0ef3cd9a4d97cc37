//! The files of a montage: sound, captions, chapter times, chapters, cue sheet. None overwrites anything.

use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::montage::{BlindMontage, Segment};
use crate::model::rig::Rig;
use crate::publish::montage_video;
use crate::report::cues::Cues;
use crate::report::text::{count, p_text};
use crate::sound;
use crate::sound::wav_notes::Notes;
use std::fs;
use std::path::{Path, PathBuf};

const NAMES: [&str; 7] =
    ["montage.wav", "montage.flac", "captions.vtt", "captions.srt", "chapters.vtt", "chapter-times.txt", "cue-sheet.csv"];
const ANSWERS: &str = "answers.csv";

/// A finished montage on its way to the disk.
pub(crate) struct Finished<'a> {
    pub(crate) audio: &'a Audio,
    pub(crate) segments: &'a [Segment],
    pub(crate) blind: Option<&'a BlindMontage>,
    /// The line by which the session can be recognised later.
    pub(crate) fingerprint: &'a str,
    pub(crate) out: &'a Path,
    /// The rig, where a video is to be made.
    pub(crate) video: Option<&'a Rig>,
    /// Its title.
    pub(crate) title: &'a str,
    /// When it was made.
    pub(crate) made_at: String,
}

impl Finished<'_> {
    fn notes(&self) -> Notes {
        Notes {
            title: self.title.to_owned(),
            comment: self.fingerprint.to_owned(),
            made_at: self.made_at.clone(),
            places: self.segments.iter().map(|s| (s.start, s.label.clone())).collect(),
        }
    }
}

/// Makes the folder, and refuses when one of the names is taken.
pub(crate) fn nothing_there(out: &Path, blind: bool, video: bool) -> Result<(), Failure> {
    fs::create_dir_all(out).map_err(|e| failed(out, &e))?;
    NAMES.iter().for_each(|name| super::unbundle::sweep(out, &format!(".{name}.")));
    let more = blind.then_some(ANSWERS).into_iter().chain(video.then_some(montage_video::FIRST));
    match NAMES.into_iter().chain(more).map(|n| out.join(n)).find(|p| fs::symlink_metadata(p).is_ok()) {
        None => Ok(()),
        Some(taken) => {
            let message = format!("{} exists already and is never overwritten", taken.display());
            Err(Failure::at_path("exists-already", Fate::Refused, &taken, message, "choose an empty folder with --out"))
        }
    }
}

fn failed(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space, then run it again")
}

fn write_text(path: &Path, text: &str) -> Result<(), Failure> {
    sound::write::write_new(path, text.as_bytes()).map_err(|e| failed(path, &e))
}

fn sheet(cues: &Cues<'_>, path: &Path) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(Cues::sheet_head()).map_err(|e| failed(path, &e))?;
    for row in cues.sheet() {
        writer.write_record(row).map_err(|e| failed(path, &e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(path, &e))?;
    String::from_utf8(bytes).map_err(|e| failed(path, &e))
}

/// The text under a video: chapter times, and for a blind one what people are asked and how they answer.
fn description(cues: &Cues<'_>, blind: Option<&BlindMontage>) -> String {
    let mut text = cues.chapter_times();
    if let Some(line) = cues.fingerprint {
        text.push_str(&format!("\n{line}\n"));
    }
    if let Some(b) = blind {
        let names: Vec<&str> = b.setups.iter().map(|s| s.as_str()).collect();
        let least = p_text(crate::publish::montage_request::least_p(b.setups.len(), b.clips));
        text.push_str(&format!(
            "\nThe first {} sound with their names. Which is which in {}: {}?\n",
            count(b.named.len(), "clip", "clips"),
            if b.clips == 1 { "clip 1".to_owned() } else { format!("clips 1 to {}", b.clips) },
            names.join(" or "),
        ));
        text.push_str(
            "Answer with the clip's number and a name. The order was drawn at random and fixed before this file was written.\n",
        );
        text.push_str(&format!("SHA-256 of nonce and key: {}\n", b.commitment));
        text.push_str(&format!("The most that it can show is {least}: everybody hears the same order.\n"));
    }
    text
}

/// Writes everything; when one file fails, those already written are removed again.
pub(crate) fn write(finished: &Finished<'_>) -> Result<Vec<String>, Failure> {
    let mut made: Vec<PathBuf> = Vec::new();
    let result = write_each(finished, &mut made);
    if result.is_err() {
        for path in &made {
            // Best effort: they are ours, made a moment ago.
            let _ = fs::remove_file(path);
        }
    }
    result.map(|()| made.iter().map(|p| p.display().to_string()).collect())
}

fn write_each(f: &Finished<'_>, made: &mut Vec<PathBuf>) -> Result<(), Failure> {
    let commitment = f.blind.map(|b| b.commitment.to_string());
    let cues = Cues {
        rate: f.audio.rate().hz(),
        segments: f.segments,
        commitment: commitment.as_deref(),
        fingerprint: Some(f.fingerprint),
    };
    let paths: Vec<PathBuf> = NAMES.iter().map(|n| f.out.join(n)).collect();
    let (wav, flac) = rayon::join(
        || sound::write::write_wav24_with(&paths[0], f.audio, Some(&f.notes())),
        || sound::flac::write_flac24(&paths[1], f.audio),
    );
    for (path, done) in paths.iter().zip([&wav, &flac]) {
        if done.is_ok() {
            made.push(path.clone());
        }
    }
    wav?;
    flac?;
    let sheet = sheet(&cues, &paths[6])?;
    let texts = [cues.webvtt(), cues.subrip(), cues.chapters(), description(&cues, f.blind), sheet];
    for (path, text) in paths[2..].iter().zip(texts) {
        write_text(path, &text)?;
        made.push(path.clone());
    }
    if let Some(rig) = f.video {
        let pictured = montage_video::Pictured { segments: f.segments, title: f.title, foot: f.fingerprint, rig, blind: f.blind };
        for (name, bytes) in montage_video::files(&pictured, &cues)? {
            let path = f.out.join(name);
            sound::write::write_new(&path, &bytes).map_err(|e| failed(&path, &e))?;
            made.push(path);
        }
    }
    if f.blind.is_some() {
        // What `votes` takes in: a form to fill in, one line per person and clip.
        let path = f.out.join(ANSWERS);
        write_text(&path, "person,clip,choice\n")?;
        made.push(path);
    }
    Ok(())
}
