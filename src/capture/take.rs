//! `take` and `withdraw`: recordings come in, checked, hashed, copied read-only, never doubled.

use crate::capture::di::{against_di, take_di};
use crate::capture::measure::{FaultDoc, Measured, measure_file, unfit};
use crate::model::audio::{Audio, FaultKind, Finding, Severity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::outside::{Clock, Progress};
use crate::model::session::{Depth, Take};
use crate::sound;
use crate::store::Session;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// The recordings.
    pub files: Vec<PathBuf>,
    /// The file is the session's DI.
    pub di: bool,
    /// The setup; none for the DI.
    pub setup: Option<SetupName>,
    /// Mics: one for all files, one per file, or channels (from 1) of one file.
    pub mics: Vec<(Option<u16>, MicName)>,
    /// The pass; default the next number.
    pub pass: Option<u32>,
    /// What was touched since the take before.
    pub depth: Option<Depth>,
    /// Free notes.
    pub notes: BTreeMap<String, String>,
    /// Why a setup that must not be powered was recorded all the same.
    pub load_reason: Option<String>,
    /// What files were called where they came from, by the names they have here: recordings that came through a browser.
    pub called: BTreeMap<String, String>,
}

/// One take as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct TakeDoc {
    /// Its number.
    pub take: String,
    /// Its setup; null for the DI.
    pub setup: Option<String>,
    /// Its mic.
    pub mic: String,
    /// Its pass.
    pub pass: u32,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Frames per second.
    pub rate_hz: u32,
    /// Number of frames.
    pub frames: u64,
    /// What is wrong with it.
    pub faults: Vec<FaultDoc>,
}

impl From<&Take> for TakeDoc {
    fn from(t: &Take) -> Self {
        Self {
            take: t.id.to_string(),
            setup: t.setup.as_ref().map(ToString::to_string),
            mic: t.mic.to_string(),
            pass: t.pass,
            sha256: t.sha256.to_string(),
            rate_hz: t.rate.hz(),
            frames: t.frames,
            faults: t.findings.iter().map(FaultDoc::from).collect(),
        }
    }
}

/// The document of `take`.
#[derive(Debug, Clone, Serialize)]
pub struct IntakeDoc {
    /// Takes that were kept now.
    pub takes: Vec<TakeDoc>,
    /// Recordings that the session had already, by the take that they are.
    pub already: Vec<String>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// Reads and measures a recording; one that is not usable is refused before anything is stored.
///
/// # Errors
/// The reader's error, or the faults that make it unusable.
pub fn examine(path: &Path) -> Result<Measured, Failure> {
    let measured = measure_file(path)?;
    let stops: Vec<&Finding> =
        measured.findings.iter().filter(|f| f.severity == Severity::Stop || f.kind == FaultKind::Truncated).collect();
    if stops.is_empty() { Ok(measured) } else { Err(unfit(path, &stops)) }
}

/// Refuses two rates in one session.
///
/// # Errors
/// `rate-differs`.
pub fn same_rate(first: &Measured, second: &Measured) -> Result<(), Failure> {
    rate_as(&second.path, second.facts.rate.hz(), first.facts.rate.hz(), &first.path.display().to_string())
}

pub(crate) fn rate_as(path: &Path, found: u32, wanted: u32, of: &str) -> Result<(), Failure> {
    if found == wanted {
        return Ok(());
    }
    Err(Failure::at_path(
        FaultKind::RateDiffers.name(),
        Fate::Unfit,
        path,
        format!("{} has {found} Hz, {of} has {wanted} Hz: one rate is wanted", path.display()),
        "export it again at the session's rate; nothing was stored",
    ))
}

/// Reads a take's sound from the session, one channel of it if the take is a channel of a poly file.
///
/// # Errors
/// The copy cannot be read any more.
pub fn load(session: &Session, take: &Take) -> Result<Audio, Failure> {
    load_from(&path_of(session, take), take)
}

/// Where a take's copy lies.
pub(crate) fn path_of(session: &Session, take: &Take) -> PathBuf {
    session.absolute(&take.path)
}

/// As [`load`], without the session: for several at once.
pub(crate) fn load_from(path: &Path, take: &Take) -> Result<Audio, Failure> {
    let (audio, _) = sound::read_all(path)?;
    match take.channel {
        None => Ok(audio),
        Some(c) => one_channel(path, &audio, c),
    }
}

fn one_channel(path: &Path, audio: &Audio, channel: u16) -> Result<Audio, Failure> {
    let Some(samples) = audio.channels().get(usize::from(channel)) else {
        return Err(Failure::at_path(
            "no-such-channel",
            Fate::Unfit,
            path,
            format!("{} has {} channels, channel {} was asked for", path.display(), audio.channels().len(), channel + 1),
            "count the channels from 1, as in --mic 1=close-a",
        ));
    };
    Audio::new(audio.rate(), vec![samples.clone()])
        .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "export the file again"))
}

/// A listener hears two channels: what is matched must be what is heard.
///
/// # Errors
/// `more-than-stereo`.
pub(crate) fn mono_or_stereo(measured: &Measured) -> Result<(), Failure> {
    if measured.facts.channels <= 2 {
        return Ok(());
    }
    Err(Failure::at_path(
        "more-than-stereo",
        Fate::Unfit,
        &measured.path,
        format!("{} has {} channels; a take has one or two", measured.path.display(), measured.facts.channels),
        "export it as mono or stereo, or give each mic its channel: cabjury take FOLDER FILE --setup NAME --mic 1=close-a --mic 2=room",
    ))
}

/// Takes recordings in.
///
/// # Errors
/// Unknown setup or mic, a recording that is not fit, a session that is locked. Then nothing is stored.
pub fn take(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<IntakeDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let mut examined = Vec::new();
    for (i, file) in request.files.iter().enumerate() {
        examined.push(examine(file)?);
        progress.step("reading", i as u64 + 1, request.files.len() as u64);
    }
    take_examined(&mut session, request, &examined, clock, progress)
}

/// Channel (from 0) and mic.
type ChannelMic = (Option<u16>, MicName);

/// The mic and channel of each take-to-be of a file.
fn mics_of(request: &Request, session: &Session) -> Result<Vec<Vec<ChannelMic>>, Failure> {
    let wrong = |message: String| {
        Err(Failure::plain(
            "mics",
            Fate::WrongUse,
            message,
            "give one --mic per file, or --mic CHANNEL=MIC for one file with several",
        ))
    };
    let (files, mics) = (request.files.len(), &request.mics);
    let channels = mics.iter().filter(|m| m.0.is_some()).count();
    if channels > 0 {
        if files != 1 || channels != mics.len() {
            return wrong(format!("{files} files and {} mics, {channels} of them channels", mics.len()));
        }
        return Ok(vec![mics.iter().map(|(c, m)| (c.map(|c| c - 1), m.clone())).collect()]);
    }
    match mics.len() {
        0 => Ok(vec![vec![(None, session.rig()?.default_mic())]; files]),
        1 => Ok(vec![vec![(None, mics[0].1.clone())]; files]),
        n if n == files => Ok(mics.iter().map(|(_, m)| vec![(None, m.clone())]).collect()),
        n => wrong(format!("{files} files and {n} mics")),
    }
}

fn known_setup(session: &Session, request: &Request) -> Result<Option<SetupName>, Failure> {
    let Some(setup) = &request.setup else {
        return if request.di {
            Ok(None)
        } else {
            Err(Failure::plain(
                "setup",
                Fate::WrongUse,
                "which setup was it recorded under?",
                "add --setup NAME, or --di for the DI",
            ))
        };
    };
    let rig = session.rig()?;
    if rig.setup(setup).is_some() {
        return Ok(Some(setup.clone()));
    }
    let known: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
    let message = format!(
        "the session has no setup {:?}; it has {}",
        setup.as_str(),
        if known.is_empty() { "none".to_owned() } else { known.join(", ") }
    );
    Err(Failure::plain(
        "no-such-setup",
        Fate::Unfit,
        message,
        "check the name, or add the setup to the rig sheet and read it in with: cabjury rig",
    ))
}

/// Takes in recordings that have been examined already.
///
/// # Errors
/// As [`take`].
pub fn take_examined(
    session: &mut Session,
    request: &Request,
    examined: &[Measured],
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<IntakeDoc, Failure> {
    let setup = known_setup(session, request)?;
    let known = session.takes()?;
    if request.di {
        return take_di(session, request, examined, &known, clock);
    }
    crate::rig::gate::pass(session, setup.as_slice(), request.load_reason.as_deref(), clock.now())?;
    let mics = mics_of(request, session)?;
    let mut warnings = Vec::new();
    let di = known.iter().find(|t| t.setup.is_none()).map(|t| load(session, t)).transpose()?;
    let (mut takes, mut already) = (Vec::new(), Vec::new());
    let mut number = session.next_take()?;
    let mut pass = request.pass.unwrap_or_else(|| 1 + known.iter().map(|t| t.pass).max().unwrap_or(0));
    let one_pass = request.mics.len() > 1;
    for (measured, mics) in examined.iter().zip(mics) {
        if let Some(other) = known.first() {
            rate_as(&measured.path, measured.facts.rate.hz(), other.rate.hz(), &other.original_name)?;
        }
        let mut findings = measured.findings.clone();
        if let Some(di) = &di {
            findings.extend(against_di(&measured.path, &measured.audio, di)?);
        }
        for (channel, mic) in mics {
            match channel {
                Some(c) => {
                    one_channel(&measured.path, &measured.audio, c)?;
                }
                None => mono_or_stereo(measured)?,
            }
            let same = |t: &&Take| {
                t.sha256 == measured.facts.sha256 && (t.channel == channel || t.channel.is_none() || channel.is_none())
            };
            if let Some(known) = known.iter().chain(&takes).find(same) {
                already.push(known.id.to_string());
                warnings.push(format!(
                    "{} is already in the session as {}; it was not taken in twice",
                    measured.path.display(),
                    known.id
                ));
                continue;
            }
            takes.push(record(measured, request, setup.clone(), (channel, mic), pass, number, clock)?);
            takes.last_mut().into_iter().for_each(|t| t.findings.clone_from(&findings));
            number += 1;
        }
        if !one_pass {
            pass += 1;
        }
    }
    for (i, take) in takes.iter_mut().enumerate() {
        let source = examined.iter().find(|m| m.facts.sha256 == take.sha256).map(|m| m.path.clone()).unwrap_or_default();
        take.path = session.keep_recording(&source, &take.sha256)?;
        progress.step("copying", i as u64 + 1, examined.len() as u64);
    }
    if !takes.is_empty() {
        session.add_takes(&takes, clock.now())?;
    }
    Ok(IntakeDoc { takes: takes.iter().map(TakeDoc::from).collect(), already, warnings })
}

pub(crate) fn record(
    measured: &Measured,
    request: &Request,
    setup: Option<SetupName>,
    (channel, mic): (Option<u16>, MicName),
    pass: u32,
    number: u32,
    clock: &dyn Clock,
) -> Result<Take, Failure> {
    let here = measured.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(Take {
        id: TakeId::new(&format!("t{number:03}"))?,
        setup,
        mic,
        pass,
        depth: request.depth,
        notes: request.notes.clone(),
        path: String::new(),
        original_name: request.called.get(&here).cloned().unwrap_or(here),
        sha256: measured.facts.sha256.clone(),
        channel,
        rate: measured.facts.rate,
        frames: measured.facts.frames,
        channels: if channel.is_some() { 1 } else { measured.facts.channels },
        findings: measured.findings.clone(),
        imported_at: clock.now(),
        withdrawn: None,
    })
}

/// Takes a wrong import out of use: it is kept, excluded from new clips, and printed in every report.
///
/// # Errors
/// No such take, or it is withdrawn already.
pub fn withdraw(folder: &Path, id: &TakeId, reason: &str, clock: &dyn Clock) -> Result<TakeDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let Some(mut take) = session.takes()?.into_iter().find(|t| &t.id == id) else {
        return Err(crate::store::StoreError::NoSuch { what: "take", name: id.to_string() }.into());
    };
    if let Some(why) = &take.withdrawn {
        let message = format!("{id} was withdrawn already: {why}");
        return Err(Failure::plain("withdrawn-already", Fate::Refused, message, "nothing is left to do"));
    }
    if reason.trim().is_empty() {
        return Err(Failure::plain(
            "no-reason",
            Fate::WrongUse,
            "a withdrawal wants a reason",
            "add --reason \"...\"; the report prints it",
        ));
    }
    take.withdrawn = Some(reason.trim().to_owned());
    session.update_take("withdraw", &take, clock.now())?;
    Ok(TakeDoc::from(&take))
}
