//! `match`: the clips. Aligned by the best method that the material allows, matched in loudness by gain alone, measured again as written.

use crate::capture::alignment::{place, usable};
use crate::matching::aim::{self, Aim, Measure};
use crate::matching::findings::{findings, marks, note_confirmed};
use crate::matching::level::{apart, levels_and_blocks, match_stretches, mismatch_of, near_gate, standard_spread};
pub use crate::matching::request::{Confirm, Request};
use crate::matching::sources::{Source, common_span, cut, fit, sources};
use crate::model::audio::{Audio, FileFacts, Levels, Polarity};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ExcerptName, MicName, TakeId};
use crate::model::outside::{Clock, Progress};
use crate::model::session::{Clip, Excerpt, MatchRun};
use crate::report::text::count;
use crate::signal::ears::Ears;
use crate::signal::matching;
use crate::sound;
use crate::store::Session;
use crate::store::random;
use crate::units::{Decibel, Lu, Ppm, Seconds};
use rayon::prelude::*;
use serde::Serialize;
use std::path::{Path, PathBuf};

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
    /// The same over the gate that all clips of a mic and excerpt share: what the match is about.
    pub shared_lufs: Option<f64>,
    /// True peak of the written file.
    pub true_peak_dbtp: Option<f64>,
    /// Residual against the setup's first take.
    pub residual_db: Option<f64>,
    /// The file, relative to the folder.
    pub path: String,
    /// The matching run that it belongs to.
    pub run: u32,
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
            shared_lufs: c.shared_loudness.map(|l| l.value()),
            true_peak_dbtp: c.true_peak.map(|p| p.value()),
            residual_db: c.residual.map(|r| r.value()),
            path: c.path.clone(),
            run: c.run,
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
    /// The same by the standard's own gate; null with raw levels, or where a clip has no loudness.
    pub largest_mismatch_standard_lu: Option<f64>,
    /// The same by other ears: unweighted, and the A and C curves; null with raw levels.
    pub largest_mismatch_by_ear: Option<Ears>,
    /// The model that they were matched by.
    pub matched_by: Measure,
    /// One gain for all takes of a setup.
    pub per_setup: bool,
    /// What is left in K-weighted loudness where the clips were not brought to one; null where they were.
    pub left: Option<String>,
    /// True when raw levels were kept.
    pub as_recorded: bool,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

/// Makes the clips of a new matching run. Clips of older runs, and with them those of sealed tests, stay as they are.
///
/// # Errors
/// Too few takes, an excerpt that does not fit, layouts that differ, or a mismatch above 0.10 LU: then nothing is kept.
pub fn match_clips(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<MatchDoc, Failure> {
    names_once(&request.excerpts)?;
    let mut session = Session::open_write(folder, clock.now())?;
    let (rig, takes) = (session.rig()?, session.takes()?);
    let used = usable(&takes);
    enough(used.len(), folder)?;
    // Every take that is read, the DI among them, has the bytes that were recorded.
    takes.iter().filter(|t| t.withdrawn.is_none()).try_for_each(|take| session.verified_take(take).map(|_| ()))?;
    let places = place(&session, &takes, progress)?;
    let mut warnings = Vec::new();
    let turned = findings(folder, &takes, &places, request, &mut warnings)?;
    let confirmed = marks(&session, &takes, &places, request, &mut warnings)?;
    let sources = sources(&session, &rig, &takes, &places, &turned)?;
    let excerpts = excerpts_of(request)?;
    let run = session.match_runs()?.last().map_or(1, |r| r.run + 1);
    let mut made = Made {
        clips: Vec::new(),
        files: Vec::new(),
        mismatch: 0.0,
        standard: None,
        ears: None,
        equal: true,
        next: session.next_clip()?,
    };
    let result = make_all(&session, request, &sources, &excerpts, run, &mut made, progress);
    let kept = result.and_then(|()| keep(&mut session, request, (excerpts, turned), run, &made, clock));
    if kept.is_err() {
        for file in &made.files {
            // Best effort: clip files without a record are never played.
            let _ = std::fs::remove_file(file);
        }
    }
    kept?;
    note_confirmed(&mut session, request, &confirmed, clock)?;
    if made.equal && made.mismatch > matching::MISMATCH_WARN {
        warnings.push(format!("the largest mismatch is {:.3} LU; {} is aimed at", made.mismatch, matching::MISMATCH_TARGET));
    }
    if made.equal {
        warnings.extend(made.standard.and_then(near_gate));
    }
    let left = left(&mut session, request, run, &made, clock)?;
    Ok(MatchDoc {
        matched_by: request.measure,
        per_setup: request.per_setup,
        left,
        clips: made.clips.iter().map(ClipDoc::from).collect(),
        largest_mismatch_lu: made.mismatch,
        largest_mismatch_standard_lu: made.standard,
        largest_mismatch_by_ear: made.ears,
        as_recorded: request.as_recorded,
        warnings,
    })
}

/// What was asked for; else all that the takes share.
fn excerpts_of(request: &Request) -> Result<Vec<Excerpt>, Failure> {
    if request.excerpts.is_empty() {
        return Ok(vec![Excerpt { name: ExcerptName::new("whole")?, start: Seconds::new(0.0)?, end: None }]);
    }
    Ok(request.excerpts.clone())
}

/// What is left in such clips; kept with the session, because reports and verdicts have to say it.
fn left(session: &mut Session, request: &Request, run: u32, made: &Made, clock: &dyn Clock) -> Result<Option<String>, Failure> {
    if made.equal {
        return Ok(None);
    }
    let model = match request.measure {
        Measure::K => "K-weighted loudness",
        Measure::A => "the A curve's level",
        Measure::Zwicker => "loudness after ISO 532-1 (stationary method, mean spectrum)",
    };
    let whose = if request.per_setup { ", one gain for all takes of a setup" } else { "" };
    let text = format!("matched by {model}{whose}; in K-weighted loudness the clips lie up to {:.2} LU apart", made.mismatch);
    let mut all = aim::matched_otherwise(session)?;
    all.insert(run, aim::Otherwise { per_setup: request.per_setup, text: text.clone() });
    let note = serde_json::to_string(&all).map_err(|e| Failure::plain("note", Fate::Failed, e.to_string(), "try again"))?;
    session.set_note(aim::MATCHED_BY, &note, clock.now())?;
    Ok(Some(text))
}

fn enough(used: usize, folder: &Path) -> Result<(), Failure> {
    if used >= 2 {
        return Ok(());
    }
    let message = format!("{} in use; two or more are needed", count(used, "take is", "takes are"));
    let next = format!("import one with: cabjury take {} FILE --setup NAME", quoted(folder));
    Err(Failure::plain("too-few-takes", Fate::Refused, message, next))
}

/// An excerpt's name is what a test goes by: two passages under one name would be mixed up in it.
fn names_once(excerpts: &[Excerpt]) -> Result<(), Failure> {
    let twice = |(i, e): (usize, &Excerpt)| excerpts[..i].iter().any(|o| o.name == e.name).then(|| e.name.clone());
    match excerpts.iter().enumerate().find_map(twice) {
        None => Ok(()),
        Some(name) => {
            let message = format!("two excerpts are called {name}");
            Err(Failure::plain("excerpt-twice", Fate::WrongUse, message, "give each passage a name of its own"))
        }
    }
}

struct Made {
    clips: Vec<Clip>,
    files: Vec<std::path::PathBuf>,
    mismatch: f64,
    standard: Option<f64>,
    ears: Option<Ears>,
    /// Whether the clips were brought to one K-weighted loudness.
    equal: bool,
    next: u32,
}

fn keep(
    session: &mut Session,
    request: &Request,
    (excerpts, turned): (Vec<Excerpt>, Vec<TakeId>),
    run: u32,
    made: &Made,
    clock: &dyn Clock,
) -> Result<(), Failure> {
    let record = MatchRun {
        run,
        as_recorded: request.as_recorded,
        largest_mismatch: Lu::new(made.mismatch).ok(),
        ceiling: request.ceiling,
        excerpts,
        turned,
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
) -> Result<(), Failure> {
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

fn one_layout(group: &[&Source]) -> Result<(), Failure> {
    let first = group[0];
    match group.iter().find(|s| s.audio.channels().len() != first.audio.channels().len()) {
        None => Ok(()),
        Some(other) => {
            let message = format!(
                "{} has {} channels, {} has {}: one layout is needed",
                first.take.id,
                first.audio.channels().len(),
                other.take.id,
                other.audio.channels().len()
            );
            Err(Failure::plain(
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
) -> Result<(), Failure> {
    let stretches: Vec<Audio> = group.par_iter().map(|s| cut(s, start, len)).collect::<Result<_, _>>()?;
    let matched = {
        let groups = groups_of(group);
        let aim = Aim {
            ceiling: request.ceiling,
            as_recorded: request.as_recorded,
            measure: request.measure,
            groups: request.per_setup.then_some(&groups),
        };
        made.equal &= aim.equal_in_k() || request.as_recorded;
        match_stretches(stretches, &aim)?
    };
    let mut names = Vec::new();
    for _ in &matched.audio {
        // A random name: neither setup nor order can be read from it.
        names.push(format!("clips/{}.wav", &random::code()?[..24]));
    }
    let paths: Vec<PathBuf> = names.iter().map(|relative| session.absolute(relative)).collect();
    made.files.extend(paths.iter().cloned());
    let back = written_back(&matched.audio, &paths)?;
    if !request.as_recorded {
        let blocks: Vec<Vec<f64>> = back.iter().map(|b| b.2.clone()).collect();
        let apart = if made.equal { mismatch_of(&blocks, &matched.kept)? } else { apart(&blocks, &matched.kept) };
        made.mismatch = made.mismatch.max(apart);
        let standard = standard_spread(back.iter().map(|b| b.1.integrated));
        made.standard = made.standard.map_or(standard, |m| standard.map(|s| s.max(m)));
        let ears = Ears::spread(&back.iter().map(|b| b.3).collect::<Vec<_>>());
        made.ears = Some(made.ears.map_or(ears, |e| e.larger(ears)));
    }
    for (i, ((source, relative), (facts, levels, blocks, _))) in group.iter().zip(&names).zip(&back).enumerate() {
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
            drift: source.place.taken_out().and_then(|d| Ppm::new(d).ok()),
            polarity: if source.turned { Polarity::Same } else { source.place.polarity },
            loudness_before: matched.before[i],
            loudness: levels.integrated,
            shared_loudness: matching::loudness_over(blocks, &matched.kept),
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

/// Each source's setup, by number.
fn groups_of(group: &[&Source]) -> Vec<usize> {
    let same = |a: &&&Source, b: &Source| a.take.setup == b.take.setup;
    group.iter().map(|s| group.iter().position(|o| same(&o, s)).unwrap_or(0)).collect()
}

/// A clip's file as it was read back: facts, readings, 400 ms blocks, levels by other ears.
type Back = (FileFacts, Levels, Vec<f64>, Ears);

fn written_back(audio: &[Audio], paths: &[PathBuf]) -> Result<Vec<Back>, sound::SoundError> {
    // What counts is what was written: each clip is read back.
    audio
        .par_iter()
        .zip(paths)
        .map(|(audio, path)| {
            sound::write_wav24(path, audio)?;
            let (back, facts) = sound::read_all(path)?;
            let (levels, blocks) = levels_and_blocks(&back);
            Ok((facts, levels, blocks, Ears::of(back.channels(), back.rate())))
        })
        .collect()
}
