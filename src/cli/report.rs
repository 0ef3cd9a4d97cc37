//! `report`: one self-contained page: verdict first, then the evidence.

use super::shell::{Outcome, Shell};
use crate::jobs::JobError;
use crate::jobs::publish::report;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury report evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Where to write it; .html, .md or .json. Default a new file in the session's reports folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

/// Writes the report and says where it lies.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, JobError> {
    let doc = report(&args.folder, args.out.as_deref(), &SystemClock)?;
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}", verdict.test, verdict.sentence));
    }
    if doc.verdicts.is_empty() {
        shell.say("No test was sealed yet, so the report has no verdict.");
    }
    shell.say(&format!("report: {}", doc.path));
    shell.document(&doc);
    Ok(Outcome::Done)
}
