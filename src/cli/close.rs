//! `close`: ends a test for good before its last trial; what is unanswered counts against every claim.

use super::shell::{Outcome, Shell};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::outside::SystemClock;
use crate::testing::fingerprint::of_folder;
use crate::testing::plan::close;
use crate::verdict::closing::freeze;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury close evening --test test-1";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The test.
    #[arg(long, value_name = "T")]
    pub(crate) test: TestId,
    /// Draws the fingerprint to publish as a QR picture, too: a new SVG file.
    #[arg(long, value_name = "FILE.svg")]
    pub(crate) qr: Option<PathBuf>,
}

/// Closes and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    super::publish::free(args.qr.as_deref())?;
    let test = close(&args.folder, &args.test, freeze, &SystemClock)?;
    shell.say(&format!("{} is closed for good; its verdict: cabjury score {}", test.plan.test, quoted(&args.folder)));
    let found = of_folder(&args.folder, &args.test)?;
    super::publish::fingerprint(found.as_ref(), "now", args.qr.as_deref(), shell)?;
    shell.document(&serde_json::json!({ "test": test.plan.test, "closed_at": test.closed_at, "fingerprint": found }));
    Ok(Outcome::Done)
}
