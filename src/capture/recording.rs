//! A recording on its way into a session: what is asked for, what it is refused for by itself, its record.

use crate::capture::derive::Change;
use crate::capture::measure::{FaultDoc, Measured, measure_file, unfit};
use crate::model::audio::{Audio, FaultKind, Finding, Severity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::outside::Clock;
use crate::model::session::{Depth, Derived, Reassigned, Take};
use crate::signal::meter;
use crate::sound;
use crate::store::Session;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// How it is stated with a take that it was cut out of a longer recording.
pub(crate) const CUT: &str = "cut out";

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
    /// What may be done to a file that does not fit the session, stated with the take.
    pub change: Change,
    /// What would be refused and is meant so.
    pub meant: Option<Meant>,
}

/// What the engineer says is meant, of what is a judgement: a tone with flat tops, a take that hardly resembles its DI.
#[derive(Debug, Clone)]
pub struct Meant {
    /// Stable names of the kinds.
    pub kinds: Vec<String>,
    /// Stands with the take and in every report.
    pub reason: String,
}

/// Kinds that may be meant; never what breaks a comparison.
const MEANT: [FaultKind; 2] = [FaultKind::Clipping, FaultKind::OtherDi];

impl Meant {
    /// Refuses what cannot be meant, and a reason that says nothing.
    pub(crate) fn checked(self) -> Result<Self, Failure> {
        let known: Vec<&str> = MEANT.iter().map(|k| k.name()).collect();
        if let Some(kind) = self.kinds.iter().find(|k| !known.contains(&k.as_str())) {
            let message = format!("{kind:?} cannot be confirmed: it breaks the comparison, or there is no such kind");
            return Err(Failure::plain("confirm", Fate::WrongUse, message, format!("kinds that can be: {}", known.join(", "))));
        }
        if self.reason.trim().is_empty() {
            return Err(Failure::plain("no-reason", Fate::WrongUse, "a confirmation needs a reason", "add --reason \"...\""));
        }
        Ok(self)
    }

    /// A finding of such a kind stops nothing any more; it stands with the take, and the reason with it.
    pub(crate) fn lifts(&self, kind: FaultKind, detail: &str) -> Option<Finding> {
        let named = MEANT.contains(&kind) && self.kinds.iter().any(|k| k == kind.name());
        let detail = format!("{detail} Confirmed as meant: {}", self.reason.trim());
        named.then_some(Finding { kind, severity: Severity::Warn, detail })
    }
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
    /// The file's name where it came from.
    pub original_name: String,
    /// The copy, relative to the session's folder.
    pub path: String,
    /// Number of channels.
    pub channels: u16,
    /// Its length.
    pub length_s: f64,
    /// Integrated loudness; null for silence, and for takes of older programs.
    pub level_lufs: Option<f64>,
    /// Free notes.
    pub notes: BTreeMap<String, String>,
    /// What it was made from, where the file was not taken in as it came.
    pub derived: Option<Derived>,
    /// Where it stood before.
    pub reassigned: Vec<Reassigned>,
    /// Why it was withdrawn, if it was.
    pub withdrawn: Option<String>,
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
            original_name: t.original_name.clone(),
            path: t.path.clone(),
            channels: t.channels,
            length_s: t.frames as f64 / t.rate.as_f64(),
            level_lufs: t.level.map(|l| l.value()),
            notes: t.notes.clone(),
            derived: t.derived.clone(),
            reassigned: t.reassigned.clone(),
            withdrawn: t.withdrawn.clone(),
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
    usable_as_take(measure_file(path)?)
}

/// The same, but for what is meant so.
pub(crate) fn examine_meant(path: &Path, meant: Option<&Meant>) -> Result<Measured, Failure> {
    let mut measured = measure_file(path)?;
    for found in measured.findings.iter_mut().filter(|f| f.severity == Severity::Stop) {
        if let Some(lifted) = meant.and_then(|m| m.lifts(found.kind, &found.detail)) {
            *found = lifted;
        }
    }
    usable_as_take(measured).map_err(|error| match error.explain().kind() {
        "clipping" => Failure::at_path(
            "clipping",
            Fate::Unfit,
            path,
            error.to_string(),
            "record it again; a tone that is meant so (a modeller's flat tops) is taken in with --confirm clipping --reason \"...\"; nothing was \
             stored",
        ),
        _ => error,
    })
}

/// Refuses a recording with faults that make it unusable.
pub(crate) fn usable_as_take(measured: Measured) -> Result<Measured, Failure> {
    let stops: Vec<&Finding> =
        measured.findings.iter().filter(|f| f.severity == Severity::Stop || f.kind == FaultKind::Truncated).collect();
    if stops.is_empty() { Ok(measured) } else { Err(unfit(&measured.path, &stops)) }
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
        format!("{} has {found} Hz, {of} has {wanted} Hz: one rate is needed", path.display()),
        "export it again at the session's rate, or take in a resampled copy with --resample; nothing was stored",
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

/// Refuses a channel that the file has not got.
pub(crate) fn has_channel(path: &Path, channels: u16, channel: u16) -> Result<(), Failure> {
    if channel < channels {
        return Ok(());
    }
    Err(Failure::at_path(
        "no-such-channel",
        Fate::Unfit,
        path,
        format!("{} has {channels} channels, channel {} was asked for", path.display(), channel + 1),
        "count the channels from 1, as in --mic 1=close-a",
    ))
}

fn one_channel(path: &Path, audio: &Audio, channel: u16) -> Result<Audio, Failure> {
    let there = audio.channels();
    has_channel(path, u16::try_from(there.len()).unwrap_or(u16::MAX), channel)?;
    let samples = &there[usize::from(channel)];
    Audio::new(audio.rate(), vec![samples.clone()])
        .map_err(|e| Failure::plain("shape", Fate::Unfit, e.to_string(), "export the file again"))
}

/// Integrated loudness of one channel by itself.
fn channel_loudness(path: &Path, channel: u16) -> Result<Option<crate::units::Lufs>, Failure> {
    let mut meter: Option<meter::Loudness> = None;
    sound::stream(path, &mut |head, planes| {
        if let Some(plane) = planes.get(usize::from(channel)) {
            meter.get_or_insert_with(|| meter::Loudness::new(head.rate, 1)).push(std::slice::from_ref(plane));
        }
    })?;
    Ok(meter.and_then(|m| m.integrated()))
}

/// So many frames of a recording are held against another when it comes in, at most: two and a half minutes at 48 kHz. Who played what shows
/// long before, and `check` and `match` look at the whole.
const BEGINNING: usize = 7_200_000;

/// The beginning of a file, one channel of it or all.
///
/// # Errors
/// The reader's error; a channel that is not there.
pub(crate) fn beginning(path: &Path, channel: Option<u16>) -> Result<Audio, Failure> {
    let (audio, _) = sound::read_beginning(path, BEGINNING)?;
    match channel {
        None => Ok(audio),
        Some(c) => one_channel(path, &audio, c),
    }
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

/// Channel (from 0) and mic.
type ChannelMic = (Option<u16>, MicName);

/// The mic and channel of each take-to-be of a file.
pub(crate) fn mics_of(mics: &[ChannelMic], files: usize, session: &Session) -> Result<Vec<Vec<ChannelMic>>, Failure> {
    let wrong = |message: String| {
        Err(Failure::plain(
            "mics",
            Fate::WrongUse,
            message,
            "give one --mic per file, or --mic CHANNEL=MIC for one file with several",
        ))
    };
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

/// A take-to-be: a file, or one channel of it.
pub(crate) struct Incoming<'m> {
    /// The file.
    pub(crate) measured: &'m Measured,
    /// Its setup; `None` for the DI.
    pub(crate) setup: Option<SetupName>,
    /// The channel, from 0; `None` for the whole file.
    pub(crate) channel: Option<u16>,
    /// Its mic.
    pub(crate) mic: MicName,
    /// Its pass.
    pub(crate) pass: u32,
    /// What was touched before it.
    pub(crate) depth: Option<Depth>,
    /// Free notes.
    pub(crate) notes: BTreeMap<String, String>,
    /// The file's name where it came from.
    pub(crate) original_name: String,
    /// What is meant so.
    pub(crate) meant: Option<&'m Meant>,
}

/// What a file is called where it came from.
pub(crate) fn called(measured: &Measured, request: &Request) -> String {
    if let Some(derived) = &measured.derived {
        return derived.from.clone();
    }
    let here = measured.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    request.called.get(&here).cloned().unwrap_or(here)
}

/// The record of a take-to-be, without its path.
pub(crate) fn record(incoming: &Incoming<'_>, number: u32, clock: &dyn Clock) -> Result<Take, Failure> {
    let measured = incoming.measured;
    let level = match incoming.channel {
        None => measured.levels.integrated,
        Some(c) => channel_loudness(&measured.path, c)?,
    };
    Ok(Take {
        id: TakeId::new(&format!("t{number:03}"))?,
        setup: incoming.setup.clone(),
        mic: incoming.mic.clone(),
        pass: incoming.pass,
        depth: incoming.depth,
        notes: incoming.notes.clone(),
        path: String::new(),
        original_name: incoming.original_name.clone(),
        sha256: measured.facts.sha256.clone(),
        channel: incoming.channel,
        rate: measured.facts.rate,
        frames: measured.facts.frames,
        channels: if incoming.channel.is_some() { 1 } else { measured.facts.channels },
        findings: measured.findings.clone(),
        imported_at: clock.now(),
        withdrawn: None,
        level,
        derived: measured.derived.clone(),
        reassigned: Vec::new(),
    })
}
