//! `level`: aligned, loudness-matched 24-bit copies of any files, without a session. Originals are only read.

use crate::capture::measure::{FaultDoc, Held, hold_file};
use crate::capture::strangers::{Thin, all_agree};
use crate::matching::aim::{Aim, a_ceiling};
use crate::matching::laid::{At, aligned, places, refuse};
use crate::model::audio::{Audio, Levels};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Progress;
use crate::report::text::count;
use crate::signal::{dither, fades, loudness, matching, meter};
use crate::sound::write_wav24;
use crate::store::random;
use crate::units::{Dbtp, Lufs};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// Files of one performance.
    pub files: Vec<PathBuf>,
    /// Folder for the copies.
    pub out: PathBuf,
    /// No copy's true peak goes above this.
    pub ceiling: Dbtp,
    /// Leave start and length as they are.
    pub keep_timing: bool,
    /// A file that lies absurdly far from the first is meant so.
    pub any_lag: bool,
}

/// One file's part of the document.
#[derive(Debug, Clone, Serialize)]
pub struct LevelledDoc {
    /// The original.
    pub path: String,
    /// The copy.
    pub written: String,
    /// Gain applied: what to type into an editor instead.
    pub gain_db: f64,
    /// Lag taken out; with `--keep-timing` the lag that was left.
    pub lag_samples: f64,
    /// Drift that was taken out; null where the clocks count as one.
    pub drift_ppm: Option<f64>,
    /// 1, -1 or null; a flipped file is told, not turned.
    pub polarity: Option<i8>,
    /// Integrated loudness of the stretch before.
    pub integrated_lufs_before: Option<f64>,
    /// Integrated loudness of the written file.
    pub integrated_lufs_after: Option<f64>,
    /// Loudness of the written file over the gate that all files share: what the match is about. Null with `--keep-timing`.
    pub shared_lufs_after: Option<f64>,
    /// True peak of the written file.
    pub true_peak_dbtp_after: Option<f64>,
    /// Faults, as `measure` finds them.
    pub faults: Vec<FaultDoc>,
}

/// The document of `level`.
#[derive(Debug, Clone, Serialize)]
pub struct LevelDoc {
    /// One entry per file.
    pub files: Vec<LevelledDoc>,
    /// Over the shared gate, on the written files.
    pub largest_mismatch_lu: f64,
    /// The same by the standard's own gate, on the files as they were written; null where one has no loudness.
    pub largest_mismatch_standard_lu: Option<f64>,
    /// The ceiling that was kept.
    pub ceiling_dbtp: f64,
    /// What should be known of the files.
    pub warnings: Vec<String>,
}

/// Stretches of equal length with their shared gate.
pub(crate) struct Matched {
    pub(crate) audio: Vec<Audio>,
    pub(crate) gains: Vec<f64>,
    pub(crate) kept: Vec<bool>,
    pub(crate) before: Vec<Option<Lufs>>,
}

/// Mean powers of the 400 ms blocks of a stretch.
pub(crate) fn block_powers(audio: &Audio) -> Vec<f64> {
    loudness::blocks(&meter::step_energies(audio), audio.rate())
}

/// All readings of a stretch with its 400 ms blocks, in one pass.
pub(crate) fn levels_and_blocks(audio: &Audio) -> (Levels, Vec<f64>) {
    let (levels, steps) = meter::measure_steps(audio);
    (levels, loudness::blocks(&steps, audio.rate()))
}

/// Fades the edges, measures over the shared gate, finds the gains and applies them, dithers every stretch to 24 bit.
pub(crate) fn match_stretches(mut audio: Vec<Audio>, aim: &Aim<'_>) -> Result<Matched, Failure> {
    use rayon::prelude::*;
    let fade = audio.first().map_or(0, |a| fades::switch_table(a.rate()).len());
    for stretch in &mut audio {
        for channel in stretch.channels_mut() {
            fades::fade_edges(channel, fade);
        }
    }
    let measured: Vec<_> = audio.par_iter().map(levels_and_blocks).collect();
    let blocks: Vec<Vec<f64>> = measured.iter().map(|m| m.1.clone()).collect();
    let kept = matching::shared_gate(&blocks).ok_or_else(|| {
        refuse(
            "nothing-shared",
            "there is no stretch of 400 ms in which all of the recordings are above -70 LUFS".to_owned(),
            "check that they hold the same performance, and that none is silent",
        )
    })?;
    let loud: Vec<Lufs> = blocks.iter().filter_map(|b| matching::loudness_over(b, &kept)).collect();
    let peaks: Vec<_> = measured.iter().map(|m| m.0.true_peak).collect();
    let gains = aim.gains(&audio, &loud, &peaks)?;
    let mut generators = Vec::new();
    for _ in &audio {
        // Dither is never shared between clips: equal noise in two of them would null.
        generators.push(crate::trial::Generator::from_seed(random::seed()?));
    }
    audio.par_iter_mut().zip(&gains).zip(&mut generators).for_each(|((stretch, gain), generator)| {
        let factor = 10f64.powf(gain / 20.0);
        for channel in stretch.channels_mut() {
            for sample in channel.iter_mut() {
                *sample = (f64::from(*sample) * factor) as f32;
            }
            dither::to_24_bits(channel, generator);
        }
    });
    Ok(Matched { audio, gains, kept, before: measured.iter().map(|m| m.0.integrated).collect() })
}

/// Largest mismatch over the shared gate on finished stretches; refused above 0.10 LU.
pub(crate) fn mismatch(audio: &[Audio], kept: &[bool]) -> Result<f64, Failure> {
    use rayon::prelude::*;
    mismatch_of(&audio.par_iter().map(block_powers).collect::<Vec<_>>(), kept)
}

/// The same from the blocks of each stretch.
pub(crate) fn mismatch_of(blocks: &[Vec<f64>], kept: &[bool]) -> Result<f64, Failure> {
    let loud: Vec<Lufs> = blocks.iter().filter_map(|b| matching::loudness_over(b, kept)).collect();
    let spread = matching::spread(&loud);
    if loud.len() < blocks.len() || spread > matching::MISMATCH_REFUSE {
        return Err(refuse(
            "mismatch",
            format!(
                "after matching, the written files are still {spread:.3} LU apart; {} at most are allowed",
                matching::MISMATCH_REFUSE
            ),
            "one of them is probably very quiet or another performance: measure them",
        ));
    }
    Ok(spread)
}

/// The largest difference over the shared gate, however large.
pub(crate) fn apart(blocks: &[Vec<f64>], kept: &[bool]) -> f64 {
    let loud: Vec<Lufs> = blocks.iter().filter_map(|b| matching::loudness_over(b, kept)).collect();
    matching::spread(&loud)
}

/// Difference by the standard's own gate above which it is told.
const STANDARD_WARN: f64 = 0.1;

/// Largest difference in the standard's integrated loudness; `None` where a clip has none.
pub(crate) fn standard_spread(integrated: impl Iterator<Item = Option<Lufs>>) -> Option<f64> {
    let all: Option<Vec<Lufs>> = integrated.collect();
    all.map(|l| matching::spread(&l))
}

/// What is said when the standard's own gate sees another difference than the shared gate.
pub(crate) fn near_gate(spread: f64) -> Option<String> {
    (spread > STANDARD_WARN).then(|| {
        format!(
            "by the standard's own gate the clips lie {spread:.2} LU apart: a passage lies near that gate, which counts it in one clip and not \
             in another. They are matched over one gate for all; choose an excerpt without the quiet passage to be right by both"
        )
    })
}

fn names(request: &Request) -> Result<Vec<PathBuf>, Failure> {
    let mut names: Vec<PathBuf> = Vec::new();
    for (i, file) in request.files.iter().enumerate() {
        let stem = file.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let mut name = request.out.join(format!("{stem}.wav"));
        if names.contains(&name) {
            name = request.out.join(format!("{stem}-{}.wav", i + 1));
        }
        if name.exists() {
            return Err(Failure::at_path(
                "exists-already",
                Fate::Refused,
                &name,
                format!("{} exists already and is never overwritten", name.display()),
                "choose an empty folder with --out",
            ));
        }
        names.push(name);
    }
    Ok(names)
}

fn one_layout(measured: &[Held]) -> Result<(), Failure> {
    let first = &measured[0];
    for other in &measured[1..] {
        if other.audio.rate() != first.audio.rate() {
            let message = format!(
                "{} has {}, {} has {}: one rate is needed",
                first.path().display(),
                first.audio.rate(),
                other.path().display(),
                other.audio.rate()
            );
            return Err(Failure::at_path("rate-differs", Fate::Unfit, other.path(), message, "export all of them at one rate"));
        }
        if other.audio.channels().len() != first.audio.channels().len() {
            let message = format!(
                "{} has {}, {} has {}: one layout is needed",
                first.path().display(),
                count(first.audio.channels().len(), "channel", "channels"),
                other.path().display(),
                count(other.audio.channels().len(), "channel", "channels")
            );
            return Err(Failure::at_path(
                "layout-differs",
                Fate::Unfit,
                other.path(),
                message,
                "export all of them as mono, or all as stereo",
            ));
        }
    }
    Ok(())
}

/// Reads, aligns, matches, writes and measures again.
///
/// # Errors
/// A file that cannot be read, rates or layouts that differ, a name that is taken, or a mismatch above 0.10 LU. Nothing is left half
/// done under its final name.
pub fn level(request: &Request, progress: &dyn Progress) -> Result<LevelDoc, Failure> {
    use rayon::prelude::*;
    a_ceiling(request.ceiling)?;
    let names = names(request)?;
    let read: Vec<_> = request.files.par_iter().map(|p| hold_file(p)).collect();
    let mut measured = Vec::new();
    for result in read {
        measured.push(result?);
    }
    progress.step("levelling", 1, 3);
    one_layout(&measured)?;
    let mut warnings = Vec::new();
    let lags = places(&measured, &mut warnings)?;
    if !request.any_lag {
        near(&measured, &lags)?;
    }
    warnings.extend(unlike(&measured));
    let stretches =
        if request.keep_timing { measured.iter().map(|m| m.audio.clone()).collect() } else { aligned(&measured, &lags)? };
    let matched = if request.keep_timing {
        match_whole(stretches, &measured, &lags, request.ceiling)?
    } else {
        match_stretches(stretches, &Aim::plain(request.ceiling))?
    };
    progress.step("levelling", 2, 3);
    write_all(request, &names, &measured, &matched, &lags, warnings)
}

/// Takes of one DI lie seconds apart at most; common practice, no source.
const ABSURD_LAG_S: f64 = 10.0;

/// Refuses what can hardly be meant: files of one performance that lie absurdly far apart.
fn near(measured: &[Held], lags: &[At]) -> Result<(), Failure> {
    let seconds = |(m, at): &(&Held, &At)| at.on.lag / m.audio.rate().as_f64();
    let Some((far, at)) = measured.iter().zip(lags).find(|one| seconds(one).abs() > ABSURD_LAG_S) else { return Ok(()) };
    let away = seconds(&(far, at));
    let message = format!(
        "{} lies {:.1} s {} than {}: the same performance would begin within {ABSURD_LAG_S:.0} s",
        far.path().display(),
        away.abs(),
        if away > 0.0 { "later" } else { "earlier" },
        measured[0].path().display()
    );
    let next = "cut the files to the same performance first; if it is one and the lag is meant, add --any-lag";
    Err(Failure::at_path("absurd-lag", Fate::Refused, far.path(), message, next))
}

/// Which file hardly resembles the first one: what lag and loudness of two performances mean, nobody knows.
fn unlike(measured: &[Held]) -> Vec<String> {
    let thin: Vec<Thin> = measured.iter().map(|m| Thin::of(&m.path().display().to_string(), &m.audio)).collect();
    let Some((first, others)) = thin.split_first() else { return Vec::new() };
    let strange = |other: &&Thin| !all_agree(&[first, *other]);
    let said = |other: &Thin| {
        format!("{} hardly resembles {}: another performance? Its lag and its match say nothing then", other.name, first.name)
    };
    others.iter().filter(strange).map(said).collect()
}

/// With their timing kept the files are matched by the gains that hold on the span they share.
fn match_whole(whole: Vec<Audio>, measured: &[Held], lags: &[At], ceiling: Dbtp) -> Result<Matched, Failure> {
    let shared = match_stretches(aligned(measured, lags)?, &Aim::plain(ceiling))?;
    let mut audio = Vec::new();
    for (mut file, gain) in whole.into_iter().zip(&shared.gains) {
        let mut generator = crate::trial::Generator::from_seed(random::seed()?);
        let factor = 10f64.powf(gain / 20.0);
        for channel in file.channels_mut() {
            for sample in channel.iter_mut() {
                *sample = (f64::from(*sample) * factor) as f32;
            }
            dither::to_24_bits(channel, &mut generator);
        }
        audio.push(file);
    }
    Ok(Matched { audio, ..shared })
}

fn write_all(
    request: &Request,
    names: &[PathBuf],
    measured: &[Held],
    matched: &Matched,
    lags: &[At],
    mut warnings: Vec<String>,
) -> Result<LevelDoc, Failure> {
    let spread = if request.keep_timing {
        // Blocks of files that start at different times cannot be laid over each other: the shared span is measured.
        let cut: Vec<Held> =
            measured.iter().zip(&matched.audio).map(|(m, a)| Held { measured: m.measured.clone(), audio: a.clone() }).collect();
        mismatch(&aligned(&cut, lags)?, &matched.kept)?
    } else {
        mismatch(&matched.audio, &matched.kept)?
    };
    std::fs::create_dir_all(&request.out).map_err(|e| cannot_make(&request.out, &e))?;
    let (mut files, mut after_all) = (Vec::new(), Vec::new());
    let shared = |audio: &Audio| matching::loudness_over(&block_powers(audio), &matched.kept).map(|l| l.value());
    for (i, (name, audio)) in names.iter().zip(&matched.audio).enumerate() {
        if let Err(error) = write_all_or_nothing(name, audio, &names[..i]) {
            return Err(error.into());
        }
        let after = meter::measure(audio);
        after_all.push(after.integrated);
        files.push(LevelledDoc {
            path: measured[i].path().display().to_string(),
            written: name.display().to_string(),
            gain_db: matched.gains[i],
            lag_samples: lags[i].on.lag,
            drift_ppm: lags[i].on.drift,
            polarity: lags[i].polarity.sign(),
            integrated_lufs_before: matched.before[i].map(|l| l.value()),
            integrated_lufs_after: after.integrated.map(|l| l.value()),
            shared_lufs_after: if request.keep_timing { None } else { shared(audio) },
            true_peak_dbtp_after: after.true_peak.map(|l| l.value()),
            faults: measured[i].measured.findings.iter().map(FaultDoc::from).collect(),
        });
    }
    let standard = standard_spread(after_all.into_iter());
    if !request.keep_timing {
        warnings.extend(standard.and_then(near_gate));
    }
    let ceiling_dbtp = request.ceiling.value();
    Ok(LevelDoc { files, largest_mismatch_lu: spread, largest_mismatch_standard_lu: standard, ceiling_dbtp, warnings })
}

/// Writes one copy; when that fails, the copies of this run that came before are removed again.
fn write_all_or_nothing(name: &Path, audio: &Audio, before: &[PathBuf]) -> Result<(), crate::sound::SoundError> {
    write_wav24(name, audio).inspect_err(|_| {
        for done in before {
            // Best effort: they were made a moment ago by this very run.
            let _ = std::fs::remove_file(done);
        }
    })
}

fn cannot_make(folder: &Path, error: &std::io::Error) -> Failure {
    Failure::at_path(
        "cannot-write",
        Fate::Failed,
        folder,
        format!("{} cannot be made: {error}", folder.display()),
        "choose a folder that you may write to",
    )
}
