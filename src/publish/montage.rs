//! `montage`: matched clips back to back, with captions; blind with a drawn key that is committed to.

use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, MontageId};
use crate::model::montage::{BlindMontage, Segment};
use crate::model::outside::{Clock, Progress};
use crate::model::session::Clip;
use crate::publish::montage_choice::{Chosen, Planned, blind, choose, one_mic, plain};
use crate::publish::montage_files::{self, Finished};
use crate::publish::montage_request::{Request, least_p, refuse};
use crate::publish::montage_steps::Steps;
use crate::signal::{dither, meter, montage};
use crate::sound;
use crate::store::KeptKey;
use crate::store::Session;
use crate::store::random;
use crate::testing::fingerprint::now;
use crate::trial::{generator, montage_key};
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// No montage's true peak goes above this.
const CEILING_DBTP: f64 = -1.0;

/// One clip in the document.
#[derive(Debug, Clone, Serialize)]
pub struct SegmentDoc {
    /// `s16, close-a`, or `clip 3`.
    pub label: String,
    /// Its setup; null of a numbered clip before the key is revealed.
    pub setup: Option<String>,
    /// Its mic or blend.
    pub mic: String,
    /// Its start.
    pub start_s: f64,
    /// Its end.
    pub end_s: f64,
}

/// The document of `montage`.
#[derive(Debug, Clone, Serialize)]
pub struct MontageDoc {
    /// Its name, of a blind one.
    pub montage: Option<String>,
    /// What was written.
    pub files: Vec<String>,
    /// SHA-256 of nonce and key, of a blind one.
    pub commitment_sha256: Option<String>,
    /// All clips with their places.
    pub segments: Vec<SegmentDoc>,
    /// Frames per second.
    pub rate_hz: u32,
    /// Silence between two clips.
    pub gap_s: f64,
    /// True when levels are as recorded.
    pub raw_level: bool,
    /// The one gain that was applied to everything.
    pub common_gain_db: f64,
    /// Integrated loudness of the whole.
    pub integrated_lufs: Option<f64>,
    /// True peak of the whole.
    pub true_peak_dbtp: Option<f64>,
    /// The smallest p that an audience's answers can reach, of a blind one.
    pub least_p: Option<f64>,
    /// Session, montage and head of the log in one line, as the captions have it.
    pub fingerprint: String,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// Reads each clip once, checks its bytes, takes its own gain back where raw levels are wanted, converts the rate.
fn load(session: &Session, planned: &[Planned], request: &Request, steps: &Steps) -> Result<BTreeMap<ClipId, Audio>, Failure> {
    let unique: BTreeMap<&ClipId, (&Clip, PathBuf)> =
        planned.iter().map(|p| (&p.clip.id, (&p.clip, session.absolute(&p.clip.path)))).collect();
    unique
        .into_par_iter()
        .map(|(id, (clip, path))| {
            let (mut audio, facts) = sound::read_all(&path)?;
            if facts.sha256 != clip.sha256 {
                let message = format!("{} is no longer the clip that was made", path.display());
                return Err(Failure::at_path(
                    "clip-changed",
                    Fate::Unfit,
                    &path,
                    message,
                    "run match again, and audit the session",
                ));
            }
            let gain = if request.raw_level { -clip.gain.value() } else { steps.gain(&clip.mic) };
            if gain.abs() > 0.0 {
                let factor = 10f64.powf(gain / 20.0);
                audio.channels_mut().flatten().for_each(|v| *v = (f64::from(*v) * factor) as f32);
            }
            match request.rate.filter(|r| *r != audio.rate()) {
                None => Ok((id.clone(), audio)),
                Some(rate) => sound::resample(&audio, rate)
                    .map(|a| (id.clone(), a))
                    .ok_or_else(|| refuse("rate", format!("{} cannot be converted to {rate}", audio.rate()), "leave --rate out")),
            }
        })
        .collect()
}

/// The one gain in dB for everything, and a warning where the loudness asked for cannot be reached.
fn common_gain(audio: &Audio, request: &Request, warnings: &mut Vec<String>) -> f64 {
    let levels = meter::measure(audio);
    let room = levels.true_peak.map_or(0.0, |p| CEILING_DBTP - p.value());
    match (request.loudness, levels.integrated) {
        (Some(wanted), Some(is)) => {
            let gain = wanted.value() - is.value();
            if gain > room {
                warnings.push(format!(
                    "{} LUFS would put the true peak above {CEILING_DBTP} dBTP; the whole is at {:.1} LUFS instead",
                    wanted.value(),
                    is.value() + room
                ));
            }
            gain.min(room)
        }
        // Untouched unless the ceiling asks for less: matched clips keep the ceiling by themselves.
        _ if request.raw_level || request.rate.is_some() => room.min(0.0),
        _ => 0.0,
    }
}

fn assemble(planned: &[Planned], audio: &BTreeMap<ClipId, Audio>) -> Result<(Audio, Vec<Segment>), Failure> {
    let in_order: Vec<&Audio> = planned.iter().filter_map(|p| audio.get(&p.clip.id)).collect();
    let gap = in_order.first().map_or(0, |a| (a.rate().as_f64() * montage::GAP_S).round() as usize);
    let Some((whole, places)) = montage::lay(&in_order, gap) else {
        return Err(refuse("rate-differs", "the clips have more than one rate", "give one with --rate, as in --rate 48000"));
    };
    let segments = planned.iter().zip(places).map(|(p, place)| Segment {
        label: p.label.clone(),
        setup: p.named.then(|| p.clip.setup.clone()),
        mic: p.clip.mic.clone(),
        start: place.start as u64,
        end: place.end as u64,
    });
    let segments = segments.collect();
    Ok((whole, segments))
}

pub(crate) fn docs(segments: &[Segment], rate: SampleRate) -> Vec<SegmentDoc> {
    let seconds = |frame: u64| frame as f64 / rate.as_f64();
    segments
        .iter()
        .map(|s| SegmentDoc {
            label: s.label.clone(),
            setup: s.setup.as_ref().map(ToString::to_string),
            mic: s.mic.to_string(),
            start_s: seconds(s.start),
            end_s: seconds(s.end),
        })
        .collect()
}

/// The common gain, and dither where anything was changed.
fn finish(whole: &mut Audio, request: &Request, gain: f64) -> Result<(), Failure> {
    // A blind one gets fresh dither in any case: no two clips of it are the same bytes, though they be of one take.
    let changed =
        request.blind.is_some() || request.raw_level || request.level_mics || request.rate.is_some() || gain.abs() > 0.0;
    if changed {
        let (factor, mut generator) = (10f64.powf(gain / 20.0), crate::trial::Generator::from_seed(random::seed()?));
        for channel in whole.channels_mut() {
            channel.iter_mut().for_each(|v| *v = (f64::from(*v) * factor) as f32);
            dither::to_24_bits(channel, &mut generator);
        }
    }
    Ok(())
}

/// Makes a montage. A blind one is kept in the session before its files are written; a plain one only reads.
///
/// # Errors
/// No clips, a name that is taken, a clip that has changed, the disk refuses.
pub fn montage(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<MontageDoc, Failure> {
    let mut session = match request.blind {
        Some(_) => Session::open_write(folder, clock.now())?,
        None => Session::open_read(folder)?,
    };
    montage_files::nothing_there(&request.out, request.blind.is_some(), request.video)?;
    let mut chosen = choose(&session, request)?;
    let mut warnings = Vec::new();
    if request.blind.is_some() {
        one_mic(&mut chosen, &session.rig()?, &mut warnings);
    }
    let (planned, key) = match request.blind {
        Some(clips) => blind(&chosen, clips).map(|(p, k)| (p, Some(k)))?,
        None => (plain(&chosen), None),
    };
    let steps = Steps::of(&planned, request, &mut warnings);
    let loaded = load(&session, &planned, request, &steps)?;
    progress.step("montage", 1, 3);
    let (mut whole, segments) = assemble(&planned, &loaded)?;
    let gain = common_gain(&whole, request, &mut warnings);
    finish(&mut whole, request, gain)?;
    progress.step("montage", 2, 3);
    let record = match &key {
        Some(key) => Some(keep(&mut session, request, &chosen, key, &segments, whole.rate(), clock)?),
        None => None,
    };
    let fingerprint = now(&session, record.as_ref().map(|r| r.id.as_str()))?;
    let rig = session.rig()?;
    let title = session.note("title")?.or_else(|| rig.title.clone()).unwrap_or_else(|| "A comparison of cab wirings".to_owned());
    let finished = Finished {
        audio: &whole,
        segments: &segments,
        blind: record.as_ref(),
        fingerprint: &fingerprint,
        out: &request.out,
        title: &title,
        video: request.video.then_some(&rig),
        made_at: clock.now().to_string(),
    };
    let files = montage_files::write(&finished)?;
    progress.step("montage", 3, 3);
    let least = record.as_ref().map(|r| least_p(r.setups.len(), r.clips));
    few_clips(least, record.as_ref(), &chosen, &mut warnings);
    // What counts is the finished sound: measured once more.
    let levels = meter::measure(&whole);
    Ok(MontageDoc {
        montage: record.as_ref().map(|r| r.id.to_string()),
        files,
        commitment_sha256: record.as_ref().map(|r| r.commitment.to_string()),
        segments: docs(&segments, whole.rate()),
        rate_hz: whole.rate().hz(),
        gap_s: montage::GAP_S,
        raw_level: request.raw_level,
        common_gain_db: gain,
        integrated_lufs: levels.integrated.map(|l| l.value()),
        true_peak_dbtp: levels.true_peak.map(|p| p.value()),
        least_p: least,
        fingerprint,
        warnings,
    })
}

fn few_clips(least: Option<f64>, record: Option<&BlindMontage>, chosen: &Chosen, warnings: &mut Vec<String>) {
    if let (Some(least), Some(record)) = (least, record) {
        let said = crate::report::text::p_text(least);
        if least > 0.05 {
            warnings
                .push(format!("{} clips: at best {said}; so few cannot beat chance, however many people answer", record.clips));
        }
        let per_setup = chosen.mics.iter().flat_map(|(_, per)| per.iter().map(|(_, c)| c.len())).min().unwrap_or(0);
        if per_setup < 2 {
            warnings.push("a setup has one take only: its numbered clips are the very file that is named first, and can be recognised by it".to_owned());
        }
    }
}

fn keep(
    session: &mut Session,
    request: &Request,
    chosen: &Chosen,
    key: &montage_key::MontageKey,
    segments: &[Segment],
    rate: SampleRate,
    clock: &dyn Clock,
) -> Result<BlindMontage, Failure> {
    let Some((mic, per_setup)) = chosen.mics.first() else {
        return Err(refuse("no-clips", "there are no clips", "run match"));
    };
    let record = BlindMontage {
        id: MontageId::new(&format!("montage-{}", session.next_montage()?))?,
        setups: per_setup.iter().map(|(s, _)| s.clone()).collect(),
        mic: mic.clone(),
        excerpt: chosen.excerpt.clone(),
        run: chosen.run,
        raw_level: request.raw_level,
        named: per_setup.iter().filter_map(|(_, c)| c.first()).map(|c| c.id.clone()).collect(),
        clips: u32::try_from(key.drawn().len()).unwrap_or(u32::MAX),
        commitment: key.commitment(),
        generator: generator::NAME.replace("every trial", "every montage"),
        rate,
        segments: segments.to_vec(),
        made_at: clock.now(),
        revealed: None,
    };
    session.add_montage(&record, &KeptKey { nonce: key.nonce(), text: key.text() }, clock.now())?;
    Ok(record)
}
