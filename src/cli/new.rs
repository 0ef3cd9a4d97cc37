//! `new`: a session; with NAME=FILE one setup per name, so that two files are enough to start.

use super::shell::{Outcome, Shell};
use super::values::NamedFile;
use crate::capture::session::new;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury new evening series=series.wav parallel=parallel.wav";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The session's title.
    #[arg(long, value_name = "TEXT")]
    pub(crate) title: Option<String>,
    /// A rig sheet (TOML) to begin with.
    #[arg(long, value_name = "FILE")]
    pub(crate) sheet: Option<PathBuf>,
    /// One setup per name with its first recording.
    #[arg(value_name = "NAME=FILE")]
    pub(crate) recordings: Vec<NamedFile>,
}

/// Makes the session.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let rig = args.sheet.as_deref().map(crate::rig::sheet::read_sheet_file).transpose()?;
    let recordings: Vec<_> = args.recordings.iter().map(|r| (r.setup.clone(), r.file.clone())).collect();
    let doc = new(&args.folder, args.title.as_deref(), rig, &recordings, &SystemClock, &shell.progress())?;
    shell.say(&format!(
        "{} is a session now, with {} and {}",
        doc.session,
        count(doc.setups.len(), "setup", "setups"),
        count(doc.takes.len(), "take", "takes")
    ));
    for take in doc.takes.iter().filter(|t| !t.faults.is_empty()) {
        shell.say(super::measure::faults(&take.faults).trim_end());
    }
    for answer in &doc.gate {
        super::runsheet::say_gate(answer, shell);
    }
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.say(&format!("next: {}", doc.next));
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}
