//! `picture`: result cards, plots and wirings for a video or a slide.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::paint::theme::Theme;
use crate::publish::picture::{Kind, Moving, Request, picture};
use crate::report::picture::Size;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury picture evening --only card --size all --light --dark\n  \
     cabjury picture evening --reveal --out for-the-video";

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum SizeArg {
    #[value(name = "1920x1080")]
    Wide,
    #[value(name = "1080x1080")]
    Square,
    #[value(name = "1080x1920")]
    Tall,
    All,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum OnlyArg {
    /// What each closed test showed.
    Card,
    /// The plots of the report.
    Plots,
    /// One wiring per setup.
    Wirings,
    /// Wirings beside each other.
    Comparison,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum RevealArg {
    /// One animated PNG.
    Apng,
    /// Numbered PNGs in a folder.
    Frames,
}

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Where to write them. Default a new folder in the session's pictures folder.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Width and height in pixels; may be given several times.
    #[arg(long, value_enum, value_name = "WxH", default_values_t = [SizeArg::Wide])]
    pub(crate) size: Vec<SizeArg>,
    /// Dark words on light paper; the default.
    #[arg(long)]
    pub(crate) light: bool,
    /// Light words on dark paper; with --light both.
    #[arg(long)]
    pub(crate) dark: bool,
    /// These alone; may be given several times.
    #[arg(long, value_enum, value_name = "WHAT")]
    pub(crate) only: Vec<OnlyArg>,
    /// The picks of each closed test one after another, against what guessing does; with --only still pictures too.
    #[arg(long, value_enum, value_name = "AS", num_args = 0..=1, default_missing_value = "apng")]
    pub(crate) reveal: Option<RevealArg>,
}

fn request(args: &Args) -> Request {
    let all = args.size.contains(&SizeArg::All);
    let has = |s: Size| {
        let arg = match s {
            Size::Wide => SizeArg::Wide,
            Size::Square => SizeArg::Square,
            Size::Tall => SizeArg::Tall,
        };
        all || args.size.contains(&arg)
    };
    let mut themes = Vec::new();
    if args.light || !args.dark {
        themes.push(Theme::Light);
    }
    if args.dark {
        themes.push(Theme::Dark);
    }
    let kind = |o: &OnlyArg| match o {
        OnlyArg::Card => Kind::Card,
        OnlyArg::Plots => Kind::Plot,
        OnlyArg::Wirings => Kind::Wiring,
        OnlyArg::Comparison => Kind::Comparison,
    };
    Request {
        out: args.out.clone(),
        sizes: Size::ALL.into_iter().filter(|s| has(*s)).collect(),
        themes,
        only: args.only.iter().map(kind).collect(),
        reveal: args.reveal.map(|r| match r {
            RevealArg::Apng => Moving::Apng,
            RevealArg::Frames => Moving::Frames,
        }),
    }
}

/// Draws, writes, and says what lies where.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = picture(&args.folder, &request(args), &SystemClock, &shell.progress())?;
    for p in &doc.pictures {
        shell.say(&format!("{}\n  {}", p.png, p.alt));
    }
    for left in &doc.left_out {
        shell.say(&format!("no picture of {}: {}", left.what, left.why));
    }
    shell.say(&format!("{}, each as PNG and SVG, in {}", count(doc.pictures.len(), "picture", "pictures"), doc.folder));
    shell.document(&doc);
    Ok(Outcome::Done)
}
