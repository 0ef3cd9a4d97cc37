//! `bundle`: the session as one file.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::publish::bundle::bundle;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury bundle evening --out evening.zip
  cabjury bundle evening --without-audio --out evening-numbers.zip";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The file to write; an existing one is never overwritten.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: PathBuf,
    /// Numbers only: recordings and clips stay here.
    #[arg(long)]
    pub(crate) without_audio: bool,
}

/// Bundles and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = bundle(&args.folder, &args.out, args.without_audio, &shell.progress_until_stopped())?;
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    let audio = if doc.audio { "" } else { ", without recordings and clips" };
    shell.say(&format!("{}: {}, {} bytes{audio}", doc.path, count(doc.files, "file", "files"), doc.bytes));
    shell.say(&format!("head of the log: {}", doc.head_sha256));
    shell.say(&format!("SHA-256 of the bundle: {}", doc.sha256));
    shell.document(&doc);
    Ok(Outcome::Done)
}
