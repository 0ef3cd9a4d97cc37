//! `picture`: result cards, plots and wirings as SVG and PNG, for a video or a slide. Never over something.

use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::outside::{Clock, Progress};
use crate::paint::raster;
use crate::paint::theme::Theme;
use crate::publish::report::whole;
use crate::report::picture::card::card;
use crate::report::picture::framed::framed;
use crate::report::picture::reveal::{self, Reveal};
use crate::report::picture::wiring::{comparisons, slide};
use crate::report::picture::{Ground, Picture, Size};
use crate::report::plots::{Plot, PlotError, bands, boxes, evidence, forest, interval, levels, power, scale, splits, takes};
use crate::report::view::{Report, ScoreView, TestView};
use crate::sound::write::write_new;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// What there is to draw.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// What a test showed.
    Card,
    /// A plot of the report.
    Plot,
    /// A setup's wiring.
    Wiring,
    /// Setups beside each other.
    Comparison,
    /// The picks one after another.
    Reveal,
}

/// How a reveal is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moving {
    /// One animated PNG.
    Apng,
    /// A folder of numbered PNGs.
    Frames,
}

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// Where to; by default the next `pictures/pictures-N` of the session.
    pub out: Option<PathBuf>,
    /// Sizes.
    pub sizes: Vec<Size>,
    /// Light, dark or both.
    pub themes: Vec<Theme>,
    /// These alone; none: all still pictures.
    pub only: Vec<Kind>,
    /// Reveals too.
    pub reveal: Option<Moving>,
}

/// A picture that was written.
#[derive(Debug, Clone, Serialize)]
pub struct PictureDoc {
    /// What it is.
    pub kind: Kind,
    /// What it is of: a test, a setup, a plot's name.
    pub name: String,
    /// The SVG; null of a reveal.
    pub svg: Option<String>,
    /// The PNG; of a frame sequence its folder.
    pub png: String,
    /// Width.
    pub width_px: u32,
    /// Height.
    pub height_px: u32,
    /// `light`, `dark`.
    pub theme: &'static str,
    /// Its title.
    pub title: String,
    /// The same in words, for a post's description.
    pub alt: String,
    /// Frames of a reveal.
    pub frames: Option<usize>,
}

/// Something that has no picture.
#[derive(Debug, Clone, Serialize)]
pub struct LeftOut {
    /// What.
    pub what: String,
    /// Why.
    pub why: String,
}

/// The document of `picture`.
#[derive(Debug, Clone, Serialize)]
pub struct PicturesDoc {
    /// Where they lie.
    pub folder: String,
    /// All of them.
    pub pictures: Vec<PictureDoc>,
    /// What has none.
    pub left_out: Vec<LeftOut>,
}

/// Draws one picture on a ground.
type Drawing = Box<dyn Fn(Ground) -> Picture + Send + Sync>;

/// A picture to be.
struct Job {
    kind: Kind,
    name: String,
    draw: Drawing,
}

/// Draws and writes them.
///
/// # Errors
/// The session cannot be read; there is nothing to draw; a name is taken (nothing is overwritten); the disk refuses.
pub fn picture(folder: &Path, request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<PicturesDoc, Failure> {
    let view = whole(folder, clock)?;
    let mut left_out = Vec::new();
    let jobs: Vec<Job> = jobs(&view, &mut left_out)?.into_iter().filter(|j| wanted(request, j.kind)).collect();
    let reveals = if request.reveal.is_some() { reveals(&view, &mut left_out) } else { Vec::new() };
    if jobs.is_empty() && reveals.is_empty() {
        let next = format!("see what the session has: cabjury status {}", quoted(folder));
        return Err(Failure::plain("nothing-to-draw", Fate::Refused, "there is nothing to draw", next));
    }
    let out = match &request.out {
        Some(out) => out.clone(),
        None => next_folder(&folder.join("pictures"))?,
    };
    let grounds: Vec<Ground> =
        request.themes.iter().flat_map(|t| request.sizes.iter().map(|s| Ground { size: *s, theme: *t })).collect();
    let names = names(&jobs, &reveals, &grounds, &out, request);
    nothing_there(&names)?;
    fs::create_dir_all(&out).map_err(|e| failed(&out, &e))?;
    let total = (jobs.len() + reveals.len()) * grounds.len();
    let done = AtomicU64::new(0);
    let step = || progress.step("pictures", done.fetch_add(1, Ordering::Relaxed) + 1, total as u64);
    let each: Vec<(&Job, Ground)> = jobs.iter().flat_map(|j| grounds.iter().map(move |g| (j, *g))).collect();
    let mut pictures: Vec<PictureDoc> = each
        .par_iter()
        .map(|(job, ground)| {
            let made = still(job, *ground, &out);
            step();
            made
        })
        .collect::<Result<_, _>>()?;
    for (test, found) in &reveals {
        for ground in &grounds {
            pictures.push(moving(test, found, *ground, &out, request.reveal.unwrap_or(Moving::Apng))?);
            step();
        }
    }
    Ok(PicturesDoc { folder: out.display().to_string(), pictures, left_out })
}

fn wanted(request: &Request, kind: Kind) -> bool {
    request.only.is_empty() && request.reveal.is_none() || request.only.contains(&kind)
}

/// Every still picture that the session has.
fn jobs(view: &Report, left_out: &mut Vec<LeftOut>) -> Result<Vec<Job>, PlotError> {
    let mut out = Vec::new();
    for test in &view.tests {
        match &test.score {
            Some(score) => {
                out.push(card_job(&view.title, test, score));
                for plot in plots_of(test, score)? {
                    out.push(plot_job(&format!("{}-{}", test.test, plot.0), plot.1, foot(view, test)));
                }
            }
            None => left_out.push(LeftOut { what: test.test.clone(), why: format!("no verdict yet: {}", test.fate) }),
        }
    }
    for (i, difference) in view.differences.iter().enumerate() {
        let foot = format!("{} \u{b7} difference per one-third octave, second minus first", view.title);
        if let Some(plot) = bands(difference, &format!("bands-{i}"))? {
            let name = format!("difference-{}-{}-{}", difference.first, difference.second, difference.mic);
            out.push(plot_job(&name, plot, foot));
        }
    }
    let mics: BTreeSet<&str> = view.takes.iter().filter(|t| t.setup != "DI").map(|t| t.mic.as_str()).collect();
    for mic in mics {
        if let Some(plot) = levels(&view.takes, mic, &format!("levels-{mic}"))? {
            out.push(plot_job(&format!("levels-{mic}"), plot, view.title.clone()));
        }
    }
    out.extend(wirings(view, left_out));
    Ok(out)
}

fn card_job(title: &str, test: &TestView, score: &ScoreView) -> Job {
    let (title, test, score) = (title.to_owned(), test.clone(), score.clone());
    Job { kind: Kind::Card, name: test.test.clone(), draw: Box::new(move |ground| card(&title, &test, &score, ground)) }
}

fn plot_job(name: &str, plot: Plot, foot: String) -> Job {
    Job { kind: Kind::Plot, name: name.to_owned(), draw: Box::new(move |ground| framed(&plot, &foot, ground)) }
}

/// Where a test's plot is from, and who has to be known beside it.
fn foot(view: &Report, test: &TestView) -> String {
    let r = test.score.as_ref().map(|s| &s.result);
    let mut said = vec![view.title.clone()];
    said.extend(r.filter(|r| r.simulated_only).map(|_| "simulated listeners".to_owned()));
    said.extend(r.filter(|r| r.practice_only).map(|_| "practice without sound".to_owned()));
    said.extend(r.filter(|r| r.head.exploratory).map(|_| "exploratory".to_owned()));
    said.extend(test.fingerprint.clone());
    said.join(" \u{b7} ")
}

fn plots_of(test: &TestView, score: &ScoreView) -> Result<Vec<(String, Plot)>, PlotError> {
    let one_count = test.method.one_count(test.setups.len());
    let mut out = Vec::new();
    let mut put = |name: &str, plot: Option<Plot>| out.extend(plot.map(|p| (name.to_owned(), p)));
    if one_count && score.result.count.trials > 0 {
        put("share", interval(test, score)?);
    }
    if one_count {
        put("power", power(test, score)?);
    }
    for (n, plot) in (1..).zip(forest(test, score)?) {
        put(&if n == 1 { "listeners".to_owned() } else { format!("listeners-{n}") }, Some(plot));
    }
    put("takes", takes(test, score)?);
    put("splits", splits(test)?);
    put("evidence", evidence(test, score)?);
    put("scale", scale(test, score)?);
    put("ratings", boxes(test, score)?);
    Ok(out)
}

fn wirings(view: &Report, left_out: &mut Vec<LeftOut>) -> Vec<Job> {
    let ratings: Vec<(String, String)> =
        view.drivers.iter().filter_map(|row| Some((row.first()?.clone(), row.get(1)?.clone()))).collect();
    let invented = if view.invented.is_some() { " \u{b7} invented for demonstration" } else { "" };
    let foot = format!("{}{invented}", view.title);
    let mut out = Vec::new();
    let probe = Ground { size: Size::Wide, theme: Theme::Light };
    for setup in &view.setups {
        if slide(setup, &ratings, &foot, probe).is_none() {
            left_out.push(LeftOut { what: setup.name.clone(), why: "the rig sheet gives it no wiring".to_owned() });
            continue;
        }
        let (owned, ratings, foot) = (setup.clone(), ratings.clone(), foot.clone());
        let draw: Drawing = Box::new(move |ground| {
            let none = || Picture { title: String::new(), alt: String::new(), svg: String::new() };
            slide(&owned, &ratings, &foot, ground).unwrap_or_else(none)
        });
        out.push(Job { kind: Kind::Wiring, name: setup.name.clone(), draw });
    }
    let all = comparisons(&view.setups, &ratings, &foot, probe).len();
    for i in 0..all {
        let (setups, ratings, foot) = (view.setups.clone(), ratings.clone(), foot.clone());
        let name = if all == 1 { "setups".to_owned() } else { format!("setups-{}", i + 1) };
        let draw: Drawing = Box::new(move |ground| comparisons(&setups, &ratings, &foot, ground).swap_remove(i));
        out.push(Job { kind: Kind::Comparison, name, draw });
    }
    out
}

fn reveals(view: &Report, left_out: &mut Vec<LeftOut>) -> Vec<(String, Reveal)> {
    let mut out = Vec::new();
    for test in &view.tests {
        let Some(score) = test.score.as_ref().filter(|_| test.closed_at.is_some()) else { continue };
        match reveal::reveal(&view.title, test, score) {
            Some(found) => out.push((test.test.clone(), found)),
            None => left_out
                .push(LeftOut { what: format!("reveal of {}", test.test), why: "no single count stands for it".to_owned() }),
        }
    }
    out
}

/// `card-test-1-1920x1080`, with what a file system minds replaced.
fn stem(kind: Kind, name: &str, ground: Ground) -> String {
    let kind = match kind {
        Kind::Card => "card",
        Kind::Plot => "plot",
        Kind::Wiring => "wiring",
        Kind::Comparison => "comparison",
        Kind::Reveal => "reveal",
    };
    let name: String = name.chars().map(|c| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '-' }).collect();
    let dark = if ground.theme == Theme::Dark { "-dark" } else { "" };
    format!("{kind}-{name}-{}{dark}", ground.size.name())
}

fn names(jobs: &[Job], reveals: &[(String, Reveal)], grounds: &[Ground], out: &Path, request: &Request) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for ground in grounds {
        for job in jobs {
            let stem = stem(job.kind, &job.name, *ground);
            all.extend(["svg", "png"].map(|e| out.join(format!("{stem}.{e}"))));
        }
        for (test, _) in reveals {
            let stem = stem(Kind::Reveal, test, *ground);
            all.push(out.join(if request.reveal == Some(Moving::Frames) { stem } else { format!("{stem}.png") }));
        }
    }
    all
}

/// No name is taken, and no two pictures have one.
fn nothing_there(names: &[PathBuf]) -> Result<(), Failure> {
    let mut seen = BTreeSet::new();
    let taken = names.iter().find(|p| fs::symlink_metadata(p).is_ok() || !seen.insert(p.to_string_lossy().to_lowercase()));
    taken.map_or(Ok(()), |path| Err(exists(path)))
}

fn exists(path: &Path) -> Failure {
    let message = format!("{} exists already, and nothing is overwritten", path.display());
    Failure::at_path("exists", Fate::Refused, path, message, "choose another folder with --out, or move the old pictures away")
}

fn failed(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space, then run it again")
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_new(path, bytes).map_err(|e| if fs::symlink_metadata(path).is_ok() { exists(path) } else { failed(path, &e) })
}

/// The next `pictures-N` that is not there.
fn next_folder(parent: &Path) -> Result<PathBuf, Failure> {
    (1..=9999u32)
        .map(|n| parent.join(format!("pictures-{n}")))
        .find(|p| fs::symlink_metadata(p).is_err())
        .ok_or_else(|| failed(parent, &"it holds 9999 sets of pictures already"))
}

fn still(job: &Job, ground: Ground, out: &Path) -> Result<PictureDoc, Failure> {
    let picture = (job.draw)(ground);
    let stem = stem(job.kind, &job.name, ground);
    let (svg, png) = (out.join(format!("{stem}.svg")), out.join(format!("{stem}.png")));
    let drawn = raster::png(&raster::pixels(&picture.svg)?)?;
    put(&svg, picture.svg.as_bytes())?;
    put(&png, &drawn)?;
    Ok(PictureDoc {
        svg: Some(svg.display().to_string()),
        ..doc(job.kind, &job.name, ground, &png, (picture.title, picture.alt))
    })
}

fn doc(kind: Kind, name: &str, ground: Ground, png: &Path, (title, alt): (String, String)) -> PictureDoc {
    let (width_px, height_px) = ground.size.pixels();
    PictureDoc {
        kind,
        name: name.to_owned(),
        svg: None,
        png: png.display().to_string(),
        width_px,
        height_px,
        theme: ground.theme.name(),
        title,
        alt,
        frames: None,
    }
}

/// A reveal as one animated PNG or as a folder of frames.
fn moving(test: &str, reveal: &Reveal, ground: Ground, out: &Path, how: Moving) -> Result<PictureDoc, Failure> {
    let (stem, frames) = (stem(Kind::Reveal, test, ground), reveal.frames());
    // Eight at a time: the frames of a video are too large to be kept together.
    let drawn = frames.chunks(8).flat_map(|chunk| {
        chunk
            .par_iter()
            .map(|n| Ok((raster::pixels(&reveal.frame(*n, ground))?, reveal.milliseconds(*n))))
            .collect::<Vec<Result<_, raster::PaintError>>>()
    });
    let path = match how {
        Moving::Apng => {
            let bytes = raster::animated(ground.size.pixels(), u32::try_from(frames.len()).unwrap_or(u32::MAX), drawn)?;
            let path = out.join(format!("{stem}.png"));
            put(&path, &bytes)?;
            path
        }
        Moving::Frames => {
            let dir = out.join(&stem);
            fs::create_dir(&dir).map_err(|e| failed(&dir, &e))?;
            for (i, frame) in drawn.enumerate() {
                put(&dir.join(format!("frame-{:04}.png", i + 1)), &raster::png(&frame?.0)?)?;
            }
            dir
        }
    };
    let title = format!("Reveal of {test}");
    Ok(PictureDoc { frames: Some(frames.len()), ..doc(Kind::Reveal, test, ground, &path, (title.clone(), title)) })
}
