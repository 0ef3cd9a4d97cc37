//! `demo`: the invented shootout from rig to report.

use super::shell::{Outcome, Shell};
use crate::demo::demo;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury demo";

/// The seed where none is named.
pub(crate) const SEED: u64 = 1;

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Folder of the new session; default sessions/demo, then sessions/demo-2, ...
    pub(crate) folder: Option<PathBuf>,
    /// Seed of everything that is drawn in the demo; the same seed gives the same takes and picks.
    #[arg(long, value_name = "N", default_value_t = SEED)]
    pub(crate) seed: u64,
}

/// Runs the demo and says what came out and where it lies.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = demo(args.folder.as_deref(), args.seed, &SystemClock, &shell.progress())?;
    super::recent::remember(std::path::Path::new(&doc.session));
    shell.say("An invented shootout: rig, sound and listeners are made up by the program.");
    shell.say(&format!("{} takes in {}, matched to {:.3} LU", doc.takes, doc.session, doc.largest_mismatch_lu));
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}", verdict.test, verdict.sentence));
    }
    shell.say(&format!("\nreport: {}\n\nGo on with:", doc.report));
    for next in &doc.next {
        shell.say(&format!("  {next}"));
    }
    shell.document(&doc);
    Ok(Outcome::Done)
}
