//! `unbundle`: a bundle's session, checked on the way in.

use super::shell::{Outcome, Shell};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::publish::unbundle::unbundle;
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury unbundle evening.zip evening-again";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The bundle.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// A new or empty folder for the session.
    pub(crate) folder: PathBuf,
}

/// Unbundles and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = unbundle(&args.file, &args.folder, &shell.progress())?;
    let audio = if doc.audio { "" } else { ", without recordings and clips" };
    shell.say(&format!("{}: {}, every hash as bundled{audio}", doc.session, count(doc.files, "file", "files")));
    shell.say(&format!("head of the log: {}", doc.head_sha256));
    shell.say(&format!("next: cabjury audit {}", quoted(std::path::Path::new(&doc.session))));
    shell.document(&doc);
    Ok(Outcome::Done)
}
