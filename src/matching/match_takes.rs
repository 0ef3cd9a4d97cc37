//! `match`: the clips. Aligned by the best method that the material allows, matched in loudness by gain alone, measured again as written.

use crate::capture::alignment::{place, usable};
use crate::capture::beside::{changed_meanwhile, go_on, unchanged};
use crate::capture::remembered::Of;
use crate::matching::aim::{self, Aim, Measure};
use crate::matching::findings::{findings, marks, note_confirmed};
use crate::matching::level::{apart, levels_and_blocks, match_stretches, mismatch_of, near_gate, standard_spread};
pub use crate::matching::match_doc::{ClipDoc, MatchDoc};
pub use crate::matching::request::{Confirm, Request};
use crate::matching::sources::{Source, common_span, cut, fit, sources};
use crate::model::audio::{Audio, FileFacts, Finding, Levels, Polarity};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ExcerptName, MicName, TakeId};
use crate::model::outside::{Clock, Progress};
use crate::model::session::{Clip, Excerpt, MatchRun, Take};
use crate::report::text::count;
use crate::signal::ears::Ears;
use crate::signal::matching;
use crate::sound;
use crate::store::Session;
use crate::store::random;
use crate::units::{Decibel, Lu, Ppm, Seconds};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Makes the clips of a new matching run. Clips of older runs, and with them those of sealed tests, stay as they are.
///
/// # Errors
/// Too few takes, an excerpt that does not fit, layouts that differ, or a mismatch above 0.10 LU: then nothing is kept.
pub fn match_clips(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<MatchDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    prepare(&session, request, progress)?.keep(&mut session, clock)
}

/// Clips that are written and wait for their record. Without it their files are removed again.
pub struct Prepared {
    request: Request,
    /// The takes that they were made of.
    takes: Vec<Take>,
    excerpts: Vec<Excerpt>,
    turned: Vec<TakeId>,
    confirmed: Vec<(TakeId, Finding)>,
    warnings: Vec<String>,
    run: u32,
    first: u32,
    made: Made,
}

/// Makes the clips' files and writes no record: others may write to the session meanwhile.
///
/// # Errors
/// As [`match_clips`]; it was stopped. Then no file is left.
pub fn prepare(session: &Session, request: &Request, progress: &dyn Progress) -> Result<Prepared, Failure> {
    names_once(&request.excerpts)?;
    aim::a_ceiling(request.ceiling)?;
    let folder = session.folder();
    let (rig, takes) = (session.rig()?, session.takes()?);
    let used = usable(&takes);
    enough(used.len(), folder)?;
    // Every take that is read, the DI among them, has the bytes that were recorded.
    for take in takes.iter().filter(|t| t.withdrawn.is_none()) {
        go_on(progress)?;
        session.verified_take(take)?;
    }
    let known = Of::verified(&takes);
    let places = known.or("places", || place(session, &takes, progress))?;
    let mut warnings = Vec::new();
    let turned = findings(folder, &takes, &places, request, &mut warnings)?;
    let confirmed = marks(session, &takes, (&places, &known), request, &mut warnings)?;
    go_on(progress)?;
    let sources = sources(session, &rig, &takes, &places, &turned)?;
    let excerpts = excerpts_of(request)?;
    let run = session.match_runs()?.last().map_or(1, |r| r.run + 1);
    let first = session.next_clip()?;
    let mut made = Made::from(first);
    make_all(&Work { session, request, run, progress }, &sources, &excerpts, &mut made)?;
    Ok(Prepared { request: request.clone(), takes, excerpts, turned, confirmed, warnings, run, first, made })
}

impl Prepared {
    /// Writes the record of the run.
    ///
    /// # Errors
    /// The session was changed meanwhile, or cannot be written: then the files are removed.
    pub fn keep(self, session: &mut Session, clock: &dyn Clock) -> Result<MatchDoc, Failure> {
        let Self { request, takes, excerpts, turned, confirmed, mut warnings, run, first, mut made } = self;
        unchanged(session, &takes)?;
        let next_run = session.match_runs()?.last().map_or(1, |r| r.run + 1);
        if next_run != run || session.next_clip()? != first {
            return Err(changed_meanwhile());
        }
        keep(session, &request, (excerpts, turned), run, &made, clock)?;
        made.kept = true;
        note_confirmed(session, &request, &confirmed, clock)?;
        if made.equal && made.mismatch > matching::MISMATCH_WARN {
            warnings.push(format!("the largest mismatch is {:.3} LU; {} is aimed at", made.mismatch, matching::MISMATCH_TARGET));
        }
        if made.equal {
            warnings.extend(made.standard.and_then(near_gate));
        }
        let left = left(session, &request, run, &made, clock)?;
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
    /// The record is written: the files stay.
    kept: bool,
}

impl Made {
    fn from(next: u32) -> Self {
        Self { clips: Vec::new(), files: Vec::new(), mismatch: 0.0, standard: None, ears: None, equal: true, next, kept: false }
    }
}

impl Drop for Made {
    fn drop(&mut self) {
        for file in self.files.iter().filter(|_| !self.kept) {
            // Best effort: clip files without a record are never played.
            let _ = std::fs::remove_file(file);
        }
    }
}

/// What clips are made by.
struct Work<'w> {
    session: &'w Session,
    request: &'w Request,
    run: u32,
    progress: &'w dyn Progress,
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

fn make_all(work: &Work<'_>, sources: &[Source], excerpts: &[Excerpt], made: &mut Made) -> Result<(), Failure> {
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
            make_group(work, &group, excerpt, (start, len), made)?;
            work.progress.step("matching", (i * excerpts.len() + j) as u64 + 1, total);
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
    work: &Work<'_>,
    group: &[&Source],
    excerpt: &Excerpt,
    (start, len): (f64, usize),
    made: &mut Made,
) -> Result<(), Failure> {
    let Work { session, request, run, progress } = *work;
    go_on(progress)?;
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
    go_on(progress)?;
    let mut names = Vec::new();
    for _ in &matched.audio {
        // A random name: neither setup nor order can be read from it.
        names.push(format!("clips/{}.wav", &random::code()?[..24]));
    }
    let paths: Vec<PathBuf> = names.iter().map(|relative| session.absolute(relative)).collect();
    made.files.extend(paths.iter().cloned());
    let back = written_back(&matched.audio, &paths, progress)?;
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

fn written_back(audio: &[Audio], paths: &[PathBuf], progress: &dyn Progress) -> Result<Vec<Back>, Failure> {
    // What counts is what was written: each clip is read back.
    audio
        .par_iter()
        .zip(paths)
        .map(|(audio, path)| {
            go_on(progress)?;
            sound::write_wav24(path, audio)?;
            let (back, facts) = sound::read_all(path)?;
            let (levels, blocks) = levels_and_blocks(&back);
            Ok((facts, levels, blocks, Ears::of(back.channels(), back.rate())))
        })
        .collect()
}
