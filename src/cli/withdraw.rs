//! `withdraw`: takes a wrong import out of use, or gives up a matching run that no test uses, or a sealed test that nobody answered; all are
//! kept.

use super::shell::{Outcome, Shell};
use super::values::TakeArg;
use crate::capture::mend::{give_up_run, withdraw};
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::outside::SystemClock;
use crate::testing::plan::give_up;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury withdraw evening --take t003 --reason \"mic stand was kicked\"";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
#[command(group(clap::ArgGroup::new("what").args(["take", "run", "test"]).required(true)))]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The take.
    #[arg(long, value_name = "T")]
    pub(crate) take: Option<TakeArg>,
    /// The matching run, if no test uses it.
    #[arg(long, value_name = "N")]
    pub(crate) run: Option<u32>,
    /// The sealed test, if nobody has answered it.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

/// Withdraws and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(number) = args.run {
        give_up_run(&args.folder, number, &args.reason, &SystemClock)?;
        shell.say(&format!("run {number} is given up: no new test uses its clips. They stay in the session."));
        shell.document(&serde_json::json!({ "run": number, "given_up": args.reason.trim() }));
    }
    if let Some(take) = &args.take {
        let doc = withdraw(&args.folder, &take.0, &args.reason, &SystemClock)?;
        shell.say(&format!(
            "{} ({}) is out of use; it stays in the session and in every report. Sealed tests are unchanged. The same file may be taken in anew.",
            doc.take, doc.original_name
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
