//! `report --audience DIR`: a static folder for any web host, or one file that opens from anywhere.

use super::{exists, failed};
use crate::model::audio::Sha256Hex;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::session::Clip;
use crate::publish::audience_sound::{Form, copies};
use crate::report::audience::{Data, Inside, LEVEL, SendTo, Shown, TRIALS, page, script, style};
use crate::rig::differs::differs;
use crate::sound::write::write_new;
use crate::store::Session;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fs;
use std::path::{Path, PathBuf};

/// Sound that a visitor on the move waits for: about ten seconds at 10 Mbit/s (our own reckoning).
const MUCH: u64 = 12_000_000;

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// The folder to write.
    pub out: PathBuf,
    /// Two setups; none: all that have clips, and the visitor chooses two.
    pub pair: Option<[SetupName; 2]>,
    /// As FLAC instead of WAV.
    pub flac: bool,
    /// The first seconds of each clip alone.
    pub seconds: Option<f64>,
    /// Everything in one file, which also opens from a folder or a mail.
    pub one_file: bool,
    /// Where visitors send their answers.
    pub send_to: Option<SendTo>,
}

/// The document of `report --audience`.
#[derive(Debug, Clone, Serialize)]
pub struct AudienceDoc {
    /// The page.
    pub path: String,
    /// `audience`.
    pub format: &'static str,
    /// Everything in the folder.
    pub bytes: u64,
    /// What was written.
    pub files: Vec<String>,
    /// The setups.
    pub setups: Vec<String>,
    /// Pairs that a visitor can choose from.
    pub pairs: Vec<[String; 2]>,
    /// Letters of the samples.
    pub labels: [&'static str; 3],
    /// Their mic or blend.
    pub mic: String,
    /// Most trials of a visitor.
    pub trials: u32,
    /// Numbers of trials that a visitor can choose from.
    pub choices: [u32; 3],
    /// Length of a clip.
    pub seconds: f64,
    /// `wav`, `flac`.
    pub sound: &'static str,
    /// True: visitors can cheat, and the page says so.
    pub unguarded: bool,
    /// What to think of before it is published.
    pub warnings: Vec<String>,
}

fn none(session: &Session) -> Failure {
    let next = format!("make clips of two setups with: cabjury match {}", quoted(session.folder()));
    Failure::plain("no-clips", Fate::Refused, "there are no matched clips of two setups", next)
}

/// Clips of several setups: those of the last sealed test, else of the first mic of the last matched run.
fn chosen(session: &Session, pair: Option<&[SetupName; 2]>) -> Result<(Vec<SetupName>, Vec<Clip>), Failure> {
    let (rig, clips, runs) = (session.rig()?, session.clips()?, session.match_runs()?);
    let tests = session.tests()?;
    let wanted = |names: &[SetupName]| pair.is_none_or(|pair| pair.iter().all(|p| names.contains(p)));
    let sealed = tests.iter().rev().find(|t| t.plan.setups.len() >= 2 && !t.plan.as_recorded && wanted(&t.plan.setups));
    let (setups, clips) = if let Some(test) = sealed {
        let of_test = clips.into_iter().filter(|c| test.plan.clips.iter().any(|p| p.clip == c.id)).collect();
        (test.plan.setups.clone(), of_test)
    } else {
        let run = runs.iter().rev().find(|r| !r.as_recorded).ok_or_else(|| none(session))?;
        let mut of_run: Vec<Clip> = clips.into_iter().filter(|c| c.run == run.run).collect();
        let (mic, excerpt) = of_run.first().map(|c| (c.mic.clone(), c.excerpt.clone())).ok_or_else(|| none(session))?;
        of_run.retain(|c| c.mic == mic && c.excerpt == excerpt);
        let named = rig.setups.iter().map(|s| s.name.clone());
        (named.filter(|n| of_run.iter().any(|c| &c.setup == n)).collect(), of_run)
    };
    let setups: Vec<SetupName> = match pair {
        None => setups,
        Some([a, b]) if a == b => return Err(no_pair(pair, &setups)),
        Some(pair) if wanted(&setups) => pair.to_vec(),
        Some(_) => return Err(no_pair(pair, &setups)),
    };
    if setups.len() < 2 {
        return Err(none(session));
    }
    let clips = clips.into_iter().filter(|c| setups.contains(&c.setup)).collect();
    Ok((setups, clips))
}

fn no_pair(pair: Option<&[SetupName; 2]>, there: &[SetupName]) -> Failure {
    let given: Vec<&str> = pair.into_iter().flatten().map(SetupName::as_str).collect();
    let names: Vec<&str> = there.iter().map(SetupName::as_str).collect();
    Failure::plain(
        "no-pair",
        Fate::WrongUse,
        format!("{} are not two setups with matched clips", given.join(" and ")),
        format!("name two of: {}", names.join(", ")),
    )
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_new(path, bytes).map_err(|e| failed(path, &e))
}

fn data(session: &Session, setups: &[SetupName], sound: &crate::publish::audience_sound::Copies) -> Result<Data, Failure> {
    let rig = session.rig()?;
    let pairs: Vec<[usize; 2]> = (0..setups.len()).flat_map(|i| (i + 1..setups.len()).map(move |j| [i, j])).collect();
    let apart = |pair: &[usize; 2]| match (rig.setup(&setups[pair[0]]), rig.setup(&setups[pair[1]])) {
        (Some(first), Some(second)) => differs(&rig, first, second),
        _ => Vec::new(),
    };
    let names: Vec<&str> = rig.drivers.iter().map(|d| d.label.as_str()).chain(setups.iter().map(SetupName::as_str)).collect();
    let (choices, usual) = Data::choices();
    let mut data = Data {
        id: String::new(),
        title: session.note("title")?.or(rig.title.clone()).unwrap_or_else(|| "A blind comparison".to_owned()),
        setups: setups.iter().map(ToString::to_string).collect(),
        clips: sound.clips.clone(),
        differs: pairs.iter().map(apart).collect(),
        pairs,
        labels: Data::letters(&names),
        choices,
        usual,
        level: LEVEL,
        rate_hz: sound.rate_hz,
        inside: sound.inside,
        texts: Data::words()?,
    };
    let all = serde_json::to_vec(&data).map_err(|e| failed(session.folder(), &e))?;
    data.id = Sha256Hex::of(&all).to_string().chars().take(16).collect();
    Ok(data)
}

fn hash(text: &str) -> String {
    format!("sha256-{}", STANDARD.encode(Sha256::digest(text.as_bytes())))
}

fn warnings(data: &Data, request: &Request) -> Vec<String> {
    let mut out = Vec::new();
    let load = |pair: &[usize; 2]| pair.iter().flat_map(|s| &data.clips[*s]).map(|c| c.bytes).sum::<u64>();
    let most = data.pairs.iter().map(load).max().unwrap_or(0);
    if most > MUCH {
        let mut ways = Vec::new();
        if !request.flac {
            ways.push("--flac");
        }
        ways.push("--seconds 10");
        out.push(format!(
            "a visitor loads {:.0} MB before the first trial; {} makes it less",
            most as f64 / 1e6,
            ways.join(" or ")
        ));
    }
    if data.clips.iter().any(|c| c.len() < 2) {
        out.push("some setup has one clip only: visitors can tell it by its performance, and need not hear the setup".to_owned());
    }
    out
}

/// Writes the folder. It must be new or empty.
///
/// # Errors
/// There are no clips of two setups; the folder holds something; the disk refuses.
pub fn audience(folder: &Path, request: &Request) -> Result<AudienceDoc, Failure> {
    let out = request.out.as_path();
    let taken = fs::symlink_metadata(out).is_ok() && !fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_none());
    if taken {
        return Err(exists(out));
    }
    let session = Session::open_read(folder)?;
    let (setups, clips) = chosen(&session, request.pair.as_ref())?;
    let form = Form { flac: request.flac, seconds: request.seconds, inside: request.one_file };
    let sound = copies(&session, &setups, &clips, form)?;
    let data = data(&session, &setups, &sound)?;
    let inside = request.one_file.then(|| Inside { script: hash(&script()), style: hash(&style()) });
    let shown = Shown { invented: session.note(super::gather::INVENTED)?, send_to: request.send_to.clone(), inside };
    let html = page(&data, &shown).map_err(|e| failed(out, &e))?;
    fs::create_dir_all(out).map_err(|e| failed(out, &e))?;
    let mut texts = vec![("index.html", html)];
    if !request.one_file {
        texts.extend([("audience.js", script()), ("style.css", style())]);
    }
    let mut files = Vec::new();
    let texts = texts.iter().map(|(name, text)| (*name, text.as_bytes()));
    for (name, bytes) in texts.chain(sound.files.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice()))) {
        put(&out.join(name), bytes)?;
        files.push((out.join(name).display().to_string(), bytes.len() as u64));
    }
    let name = |i: usize| setups[i].to_string();
    Ok(AudienceDoc {
        path: out.join("index.html").display().to_string(),
        format: "audience",
        bytes: files.iter().map(|f| f.1).sum(),
        files: files.into_iter().map(|f| f.0).collect(),
        pairs: data.pairs.iter().map(|p| [name(p[0]), name(p[1])]).collect(),
        warnings: warnings(&data, request),
        labels: data.labels,
        setups: data.setups,
        mic: clips.first().map_or_else(String::new, |c| c.mic.to_string()),
        trials: TRIALS.into_iter().max().unwrap_or_default(),
        choices: TRIALS,
        seconds: sound.seconds,
        sound: if request.flac { "flac" } else { "wav" },
        unguarded: true,
    })
}
