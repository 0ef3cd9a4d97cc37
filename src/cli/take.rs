//! `take`: imports recordings; files of one pass share its number.

use super::shell::{Outcome, Shell};
use super::values::{DepthArg, MicArg, NoteArg};
use crate::capture::take::{Request, take};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury take evening series-1.wav --setup s16 --mic close-a";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The recordings.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// The file is the session's DI.
    #[arg(long, conflicts_with_all = ["setup", "mics", "pass", "depth"])]
    pub(crate) di: bool,
    /// The setup it was recorded under.
    #[arg(long, value_name = "S", required_unless_present = "di")]
    pub(crate) setup: Option<SetupName>,
    /// The mic, or CHANNEL=MIC for a file that holds several (channels from 1).
    #[arg(long = "mic", value_name = "M|CHANNEL=M")]
    pub(crate) mics: Vec<MicArg>,
    /// The pass: one playing of the DI, all mics.
    #[arg(long, value_name = "P")]
    pub(crate) pass: Option<u32>,
    /// What was touched since the take before.
    #[arg(long, value_name = "DEPTH")]
    pub(crate) depth: Option<DepthArg>,
    /// A note, KEY=VALUE.
    #[arg(long = "note", value_name = "K=V")]
    pub(crate) notes: Vec<NoteArg>,
    /// Why a setup that must not be powered was recorded all the same; card, run sheet and report print it.
    #[arg(long, value_name = "TEXT", conflicts_with = "di")]
    pub(crate) load_reason: Option<String>,
}

/// Imports and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = Request {
        files: args.files.clone(),
        di: args.di,
        setup: args.setup.clone(),
        mics: args.mics.iter().map(|m| (m.channel, m.mic.clone())).collect(),
        pass: args.pass,
        depth: args.depth.map(Into::into),
        notes: args.notes.iter().map(|n| (n.key.clone(), n.value.clone())).collect(),
        load_reason: args.load_reason.clone(),
        called: std::collections::BTreeMap::new(),
    };
    let doc = take(&args.folder, &request, &SystemClock, &shell.progress())?;
    for t in &doc.takes {
        let setup = t.setup.as_deref().unwrap_or("DI");
        shell.say(&format!(
            "{}: {setup}, mic {}, pass {}, {:.2} s",
            t.take,
            t.mic,
            t.pass,
            t.frames as f64 / f64::from(t.rate_hz)
        ));
        shell.say(super::measure::faults(&t.faults).trim_end());
    }
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
