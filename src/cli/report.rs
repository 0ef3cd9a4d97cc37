//! `report`: one self-contained page: verdict first, then the evidence.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::publish::report::audience::audience;
use crate::publish::report::report;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury report evening\n  cabjury report evening --audience for-the-web";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Where to write it; .html, .md or .json. Default a new file in the session's reports folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// A static folder for any web host instead: a page on which every visitor draws their own trials, unguarded.
    #[arg(long, value_name = "DIR", conflicts_with = "out")]
    pub(crate) audience: Option<PathBuf>,
}

/// Writes the report and says where it lies.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(out) = &args.audience {
        let doc = audience(&args.folder, out)?;
        shell.say(&format!(
            "{} against {}, mic {}, {} for each visitor",
            doc.setups[0],
            doc.setups[1],
            doc.mic,
            count(doc.trials as usize, "trial", "trials")
        ));
        shell.say(&format!(
            "page: {} ({}, {} bytes); put the folder on any web host",
            doc.path,
            count(doc.files.len(), "file", "files"),
            doc.bytes
        ));
        shell.say("Visitors can cheat: take their answers in with cabjury votes --audience, never into a sealed test.");
        shell.document(&doc);
        return Ok(Outcome::Done);
    }
    let doc = report(&args.folder, args.out.as_deref(), &SystemClock)?;
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}\n  {}", verdict.test, verdict.headline, verdict.sentence));
    }
    if doc.verdicts.is_empty() {
        shell.say("No test was sealed yet, so the report has no verdict.");
    }
    shell.say(&format!("report: {}", doc.path));
    shell.document(&doc);
    Ok(Outcome::Done)
}
