//! `withdraw`: takes a wrong import out of use, or gives up a sealed test that nobody answered; both are kept and printed in every report.

use super::shell::{Outcome, Shell};
use crate::capture::take::withdraw;
use crate::model::failure::Failure;
use crate::model::ids::{TakeId, TestId};
use crate::model::outside::SystemClock;
use crate::testing::plan::give_up;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury withdraw evening --take t003 --reason \"mic stand was kicked\"";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The take.
    #[arg(long, value_name = "T", required_unless_present = "test", conflicts_with = "test")]
    pub(crate) take: Option<TakeId>,
    /// The sealed test, if nobody has answered it.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

/// Withdraws and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(take) = &args.take {
        let doc = withdraw(&args.folder, take, &args.reason, &SystemClock)?;
        shell.say(&format!(
            "{} is out of use; it stays in the session and in every report. Sealed tests are unchanged.",
            doc.take
        ));
        shell.document(&doc);
    }
    if let Some(test) = &args.test {
        let doc = give_up(&args.folder, test, &args.reason, &SystemClock)?;
        shell.say(&format!(
            "{} is given up; every report says so, and its place among the session's tests is free again.",
            doc.test
        ));
        shell.document(&doc);
    }
    Ok(Outcome::Done)
}
