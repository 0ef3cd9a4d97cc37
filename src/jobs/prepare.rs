//! `match`: the clips. Aligned by the best method that the material allows, matched in loudness by gain alone, measured again as written.

use super::error::JobError;
use super::level::{block_powers, match_stretches, mismatch};
use super::{intake, random};
use crate::model::audio::{Audio, DbOrSilence, Polarity};
use crate::model::explain::Fate;
use crate::model::ids::{ClipId, ExcerptName, MicName, TakeId};
use crate::model::outside::{Clock, Progress};
use crate::model::rig::Rig;
use crate::model::session::{Clip, Excerpt, MatchRun, Take};
use crate::signal::{align, bands, matching, meter, shift};
use crate::sound;
use crate::store::Session;
use crate::units::{Dbtp, Decibel, Lu, Ppm, Seconds};
use serde::Serialize;
use std::path::Path;

/// Where a take lies on the session's time base.
#[derive(Debug, Clone)]
pub struct Place {
    /// The take.
    pub take: TakeId,
    /// Samples later than the time base.
    pub lag: f64,
    /// How far that can be trusted.
    pub within: f64,
    /// What it was compared with.
    pub against: String,
    /// Polarity against that.
    pub polarity: Polarity,
    /// Clock drift against that.
    pub drift: Option<f64>,
    /// Residual against its setup's first take.
    pub residual: Option<f64>,
}

/// What a first take is compared with when the session has a DI.
const DI: &str = "the DI";

/// Takes in use, setups only.
pub(super) fn usable(takes: &[Take]) -> Vec<&Take> {
    takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect()
}

/// Places every take in use: the first take of each setup and mic against the time base (the DI, else the first take of that mic) by the
/// whitened peak; repeat takes against their setup's first take by the phase slope.
///
/// # Errors
/// A take's copy cannot be read, or holds silence.
pub fn place(session: &Session, takes: &[Take], progress: &dyn Progress) -> Result<Vec<Place>, JobError> {
    let di = takes.iter().find(|t| t.setup.is_none()).map(|t| intake::load(session, t)).transpose()?;
    let di = di.map(|a| align::mono(a.channels()));
    let used = usable(takes);
    let mut places: Vec<Place> = Vec::new();
    // First takes, by setup and mic: record, samples, place.
    let mut anchors: Vec<(Take, Vec<f32>, f64)> = Vec::new();
    for (i, take) in used.iter().enumerate() {
        let audio = intake::load(session, take)?;
        let samples = align::mono(audio.channels());
        let rate = audio.rate();
        let anchor = anchors.iter().find(|(a, _, _)| a.setup == take.setup && a.mic == take.mic);
        let place = if let Some((first, reference, base)) = anchor {
            against(take, reference, &samples, rate, true, *base, first.id.to_string())?
        } else if let Some((first, reference, base)) = anchors.iter().find(|(a, _, _)| a.mic == take.mic) {
            against(take, reference, &samples, rate, false, *base, first.id.to_string())?
        } else if let Some(di) = &di {
            against(take, di, &samples, rate, false, 0.0, DI.to_owned())?
        } else {
            Place {
                take: take.id.clone(),
                lag: 0.0,
                within: 0.0,
                against: "itself".to_owned(),
                polarity: Polarity::Same,
                drift: None,
                residual: None,
            }
        };
        if anchor.is_none() {
            anchors.push(((*take).clone(), samples, place.lag));
        }
        places.push(place);
        progress.step("aligning", (used.len() + i) as u64 + 1, 2 * used.len() as u64);
    }
    Ok(places)
}

fn against(
    take: &Take,
    reference: &[f32],
    samples: &[f32],
    rate: crate::units::SampleRate,
    same_rig: bool,
    base: f64,
    name: String,
) -> Result<Place, JobError> {
    let Some(lag) = align::find_lag(reference, samples, rate, same_rig) else {
        let message = format!("{} or what it is compared with ({name}) is silent", take.id);
        return Err(JobError::plain("silence", Fate::Unfit, message, "withdraw it and record it again"));
    };
    let drift = if same_rig { align::find_drift(reference, samples, lag.samples, rate).map(|d| d.0) } else { None };
    let residual = if same_rig {
        let aligned = shift::advance(samples, lag.samples, reference.len());
        match bands::residual(reference, &aligned) {
            Some(DbOrSilence::Db(db)) => Some(db),
            _ => None,
        }
    } else {
        None
    };
    let to_di = name == DI;
    Ok(Place {
        take: take.id.clone(),
        lag: base + lag.samples,
        within: lag.within,
        against: name,
        // Through an amplifier a flip against the DI says nothing: an odd number of stages inverts.
        polarity: if to_di { Polarity::Undecided } else { lag.polarity },
        drift,
        residual,
    })
}

/// One clip as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct ClipDoc {
    /// Its number.
    pub clip: String,
    /// Its setup.
    pub setup: String,
    /// Its take.
    pub take: String,
    /// Its mic or blend.
    pub mic: String,
    /// Its excerpt.
    pub excerpt: String,
    /// Gain applied.
    pub gain_db: f64,
    /// Lag taken out.
    pub lag_samples: f64,
    /// Clock drift that was seen.
    pub drift_ppm: Option<f64>,
    /// 1, -1 or null.
    pub polarity: Option<i8>,
    /// Integrated loudness of the written file.
    pub integrated_lufs: Option<f64>,
    /// True peak of the written file.
    pub true_peak_dbtp: Option<f64>,
    /// Residual against the setup's first take.
    pub residual_db: Option<f64>,
    /// The file, relative to the folder.
    pub path: String,
}

impl From<&Clip> for ClipDoc {
    fn from(c: &Clip) -> Self {
        Self {
            clip: c.id.to_string(),
            setup: c.setup.to_string(),
            take: c.take.to_string(),
            mic: c.mic.to_string(),
            excerpt: c.excerpt.to_string(),
            gain_db: c.gain.value(),
            lag_samples: c.lag_samples,
            drift_ppm: c.drift.map(|d| d.value()),
            polarity: c.polarity.sign(),
            integrated_lufs: c.loudness.map(|l| l.value()),
            true_peak_dbtp: c.true_peak.map(|p| p.value()),
            residual_db: c.residual.map(|r| r.value()),
            path: c.path.clone(),
        }
    }
}

/// The document of `match`.
#[derive(Debug, Clone, Serialize)]
pub struct MatchDoc {
    /// The clips of this run.
    pub clips: Vec<ClipDoc>,
    /// The largest mismatch of two clips of one mic and excerpt over the shared gate.
    pub largest_mismatch_lu: f64,
    /// True when raw levels were kept.
    pub as_recorded: bool,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// Keep raw levels.
    pub as_recorded: bool,
    /// Excerpts; empty: the whole common span.
    pub excerpts: Vec<Excerpt>,
    /// The ceiling.
    pub ceiling: Dbtp,
}

/// Sound that is to become clips of one mic or blend: a take (for a blend the pass's first) and its samples on the time base.
struct Source {
    take: Take,
    place: Place,
    mic: MicName,
    audio: Audio,
}

fn sources(session: &Session, rig: &Rig, takes: &[Take], places: &[Place]) -> Result<Vec<Source>, JobError> {
    let mut out = Vec::new();
    for take in usable(takes) {
        let Some(place) = places.iter().find(|p| p.take == take.id) else { continue };
        out.push(Source { take: take.clone(), place: place.clone(), mic: take.mic.clone(), audio: intake::load(session, take)? });
    }
    let blends: Vec<Source> = rig.blends.iter().flat_map(|b| blend(b, &out)).collect();
    out.extend(blends);
    Ok(out)
}

/// A pass's mics, summed at the sheet's gains. All of them are shifted alike: a pass has one clock, and its mics' distances are part of the
/// sound.
fn blend(blend: &crate::model::rig::Blend, sources: &[Source]) -> Vec<Source> {
    let mut out = Vec::new();
    let Some(first_mic) = blend.of.first() else { return out };
    for first in sources.iter().filter(|s| &s.mic == first_mic) {
        let parts: Option<Vec<&Source>> = blend
            .of
            .iter()
            .map(|mic| {
                sources.iter().find(|s| &s.mic == mic && s.take.pass == first.take.pass && s.take.setup == first.take.setup)
            })
            .collect();
        let Some(parts) = parts else { continue };
        let frames = parts.iter().map(|p| p.audio.frames()).min().unwrap_or(0);
        let mut sum = vec![0.0f32; frames];
        for (part, gain) in parts.iter().zip(&blend.gains_db) {
            let factor = 10f64.powf(gain.value() / 20.0) as f32;
            for (s, v) in sum.iter_mut().zip(align::mono(part.audio.channels())) {
                *s += factor * v;
            }
        }
        if let Ok(audio) = Audio::new(first.audio.rate(), vec![sum]) {
            out.push(Source { take: first.take.clone(), place: first.place.clone(), mic: blend.name.clone(), audio });
        }
    }
    out
}

/// The span, in frames of the time base, that every source covers.
fn common_span(sources: &[Source]) -> (f64, f64) {
    let start = sources.iter().map(|s| -s.place.lag).fold(f64::MIN, f64::max).max(0.0).ceil();
    let end = sources.iter().map(|s| s.audio.frames() as f64 - s.place.lag).fold(f64::MAX, f64::min).floor();
    (start, end)
}

fn cut(source: &Source, start: f64, len: usize) -> Result<Audio, JobError> {
    // One filter for every clip: an unshifted one among shifted ones would be a cue, if only below -100 dB.
    let planes = source.audio.channels().iter().map(|c| shift::advance(c, source.place.lag + start, len)).collect();
    Audio::new(source.audio.rate(), planes)
        .map_err(|e| JobError::plain("shape", Fate::Unfit, e.to_string(), "import the take again"))
}

fn fit(excerpt: &Excerpt, span: (f64, f64), rate: f64) -> Result<(f64, usize), JobError> {
    let start = (excerpt.start.value() * rate).round().max(if excerpt.end.is_none() { span.0 } else { 0.0 });
    let end = excerpt.end.map_or(span.1, |e| (e.value() * rate).round());
    if start < span.0 || end > span.1 || end - start < 0.4 * rate {
        let message = format!(
            "the excerpt {} ({:.2} s to {:.2} s) does not lie within what all takes share, {:.2} s to {:.2} s, or is shorter than 0.4 s",
            excerpt.name,
            start / rate,
            end / rate,
            span.0 / rate,
            span.1 / rate
        );
        return Err(JobError::plain("excerpt", Fate::Unfit, message, "choose other times with --excerpt NAME=START-END"));
    }
    Ok((start, (end - start) as usize))
}

/// Makes the clips of a new matching run. Clips of older runs, and with them those of sealed tests, stay as they are.
///
/// # Errors
/// Too few takes, an excerpt that does not fit, layouts that differ, or a mismatch above 0.10 LU: then nothing is kept.
pub fn match_clips(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<MatchDoc, JobError> {
    let mut session = Session::open_write(folder, clock.now())?;
    let (rig, takes) = (session.rig()?, session.takes()?);
    let used = usable(&takes);
    if used.len() < 2 {
        let message = format!("there are {} takes in use; two or more are wanted", used.len());
        return Err(JobError::plain(
            "too-few-takes",
            Fate::Refused,
            message,
            format!("import one with: cabjury take {} FILE --setup NAME", folder.display()),
        ));
    }
    let places = place(&session, &takes, progress)?;
    let mut warnings = Vec::new();
    for p in places.iter().filter(|p| p.polarity == Polarity::Flipped) {
        warnings.push(format!(
            "{} has its polarity flipped against {}; it was left as it is: mend the cable, or withdraw the take",
            p.take, p.against
        ));
    }
    if let Some(p) = places.iter().find(|p| p.drift.is_some_and(|d| d.abs() > 200.0)) {
        let message = format!("{} runs {:.0} ppm off {}", p.take, p.drift.unwrap_or(0.0), p.against);
        return Err(JobError::plain(
            "drift",
            Fate::Unfit,
            message,
            "it was recorded on another clock: withdraw it and record it again",
        ));
    }
    let sources = sources(&session, &rig, &takes, &places)?;
    let excerpts = if request.excerpts.is_empty() {
        vec![Excerpt { name: ExcerptName::new("whole")?, start: Seconds::new(0.0)?, end: None }]
    } else {
        request.excerpts.clone()
    };
    let run = session.match_runs()?.last().map_or(1, |r| r.run + 1);
    let mut made = Made { clips: Vec::new(), files: Vec::new(), mismatch: 0.0, next: session.next_clip()? };
    let result = make_all(&session, request, &sources, &excerpts, run, &mut made, progress);
    let kept = result.and_then(|()| keep(&mut session, request, excerpts, run, &made, clock));
    if kept.is_err() {
        for file in &made.files {
            // Best effort: clip files without a record are never played.
            let _ = std::fs::remove_file(file);
        }
    }
    kept?;
    if made.mismatch > matching::MISMATCH_WARN {
        warnings.push(format!("the largest mismatch is {:.3} LU; {} is aimed at", made.mismatch, matching::MISMATCH_TARGET));
    }
    Ok(MatchDoc {
        clips: made.clips.iter().map(ClipDoc::from).collect(),
        largest_mismatch_lu: made.mismatch,
        as_recorded: request.as_recorded,
        warnings,
    })
}

struct Made {
    clips: Vec<Clip>,
    files: Vec<std::path::PathBuf>,
    mismatch: f64,
    next: u32,
}

fn keep(
    session: &mut Session,
    request: &Request,
    excerpts: Vec<Excerpt>,
    run: u32,
    made: &Made,
    clock: &dyn Clock,
) -> Result<(), JobError> {
    let record = MatchRun {
        run,
        as_recorded: request.as_recorded,
        largest_mismatch: Lu::new(made.mismatch).ok(),
        ceiling: request.ceiling,
        excerpts,
        made_at: clock.now(),
    };
    Ok(session.add_match_run(&record, &made.clips, clock.now())?)
}

fn make_all(
    session: &Session,
    request: &Request,
    sources: &[Source],
    excerpts: &[Excerpt],
    run: u32,
    made: &mut Made,
    progress: &dyn Progress,
) -> Result<(), JobError> {
    let mut mics: Vec<&MicName> = sources.iter().map(|s| &s.mic).collect();
    mics.sort();
    mics.dedup();
    let total = (mics.len() * excerpts.len()) as u64;
    for (i, mic) in mics.iter().enumerate() {
        let group: Vec<&Source> = sources.iter().filter(|s| &s.mic == *mic).collect();
        one_layout(&group)?;
        let rate = group[0].audio.rate().as_f64();
        let span = common_span(sources);
        for (j, excerpt) in excerpts.iter().enumerate() {
            let (start, len) = fit(excerpt, span, rate)?;
            make_group(session, request, &group, excerpt, (start, len), run, made)?;
            progress.step("matching", (i * excerpts.len() + j) as u64 + 1, total);
        }
    }
    Ok(())
}

fn one_layout(group: &[&Source]) -> Result<(), JobError> {
    let first = group[0];
    match group.iter().find(|s| s.audio.channels().len() != first.audio.channels().len()) {
        None => Ok(()),
        Some(other) => {
            let message = format!(
                "{} has {} channels, {} has {}: one layout is wanted",
                first.take.id,
                first.audio.channels().len(),
                other.take.id,
                other.audio.channels().len()
            );
            Err(JobError::plain(
                "layout-differs",
                Fate::Unfit,
                message,
                "withdraw one of them and import it in the other's layout",
            ))
        }
    }
}

fn make_group(
    session: &Session,
    request: &Request,
    group: &[&Source],
    excerpt: &Excerpt,
    (start, len): (f64, usize),
    run: u32,
    made: &mut Made,
) -> Result<(), JobError> {
    use rayon::prelude::*;
    let stretches: Vec<Audio> = group.par_iter().map(|s| cut(s, start, len)).collect::<Result<_, _>>()?;
    let matched = match_stretches(stretches, request.ceiling, request.as_recorded)?;
    let mut written = Vec::new();
    for audio in &matched.audio {
        // A random name: neither setup nor order can be read from it.
        let relative = format!("clips/{}.wav", &random::code()?[..24]);
        let path = session.absolute(&relative);
        sound::write_wav24(&path, audio)?;
        made.files.push(path.clone());
        // What counts is what was written.
        let (back, facts) = sound::read_all(&path)?;
        written.push((relative, back, facts));
    }
    let after: Vec<Audio> = written.iter().map(|w| w.1.clone()).collect();
    if !request.as_recorded {
        made.mismatch = made.mismatch.max(mismatch(&after, &matched.kept)?);
    }
    for (i, (source, (relative, audio, facts))) in group.iter().zip(&written).enumerate() {
        let levels = meter::measure(audio);
        let Some(setup) = source.take.setup.clone() else { continue };
        made.clips.push(Clip {
            id: ClipId::new(&format!("c{:03}", made.next))?,
            setup,
            take: source.take.id.clone(),
            mic: source.mic.clone(),
            excerpt: excerpt.name.clone(),
            as_recorded: request.as_recorded,
            gain: Decibel::new(matched.gains[i])?,
            lag_samples: source.place.lag,
            drift: source.place.drift.and_then(|d| Ppm::new(d).ok()),
            polarity: source.place.polarity,
            loudness_before: matched.before[i],
            loudness: levels.integrated,
            shared_loudness: matching::loudness_over(&block_powers(audio), &matched.kept),
            true_peak: levels.true_peak,
            residual: source.place.residual.and_then(|r| Decibel::new(r).ok()),
            path: relative.clone(),
            sha256: facts.sha256.clone(),
            rate: facts.rate,
            frames: facts.frames,
            channels: facts.channels,
            run,
        });
        made.next += 1;
    }
    Ok(())
}
