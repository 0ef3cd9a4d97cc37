//! `votes`: an audience's answers, scored as what they are.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::ids::MontageId;
use crate::model::outside::SystemClock;
use crate::publish::votes::{Design, dry_run, votes};
use crate::report::text::count;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury votes evening answers.csv --montage montage-1

The file's first line names the columns: person,clip,choice. One line per person and clip; clip is the number that was said,
choice the name of a setup.

Of the audience page (--audience): a text file with the visitors' lines, each from cabjury1 to its end; the mails around them may stay.";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
    /// The answers, as CSV.
    #[arg(value_name = "FILE.csv")]
    pub(crate) file: PathBuf,

    /// The blind montage that was heard; default the session's only one.
    #[arg(long, value_name = "MONTAGE")]
    pub(crate) montage: Option<MontageId>,
    /// The answers come from the audience page: everybody by draws of their own, unguarded.
    #[arg(long, conflicts_with = "montage")]
    pub(crate) audience: bool,
    /// Only reads the file: counts nothing, keeps nothing, so that the first count stays the first.
    #[arg(long)]
    pub(crate) dry_run: bool,
}

/// Counts and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let design = if args.audience { Design::OwnKeys } else { Design::OneKey(args.montage.clone()) };
    if args.dry_run {
        let doc = dry_run(&args.folder, &args.file, &design)?;
        shell.say(&format!(
            "{} of {}: the file is in order; nothing was counted or kept",
            count(doc.answers as usize, "answer", "answers"),
            count(doc.people as usize, "person", "people")
        ));
        shell.document(&doc);
        return Ok(Outcome::Done);
    }
    let doc = votes(&args.folder, &args.file, &design, &SystemClock)?;
    shell.say(&doc.sentence);
    shell.document(&doc);
    Ok(Outcome::Done)
}
