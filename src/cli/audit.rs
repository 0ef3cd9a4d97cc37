//! `audit`: verifies hashes, chain and commitments, and recomputes every verdict.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::report::text::count;
use crate::verdict::audit::audit;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury audit evening";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
}

/// Audits and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = audit(&args.folder)?;
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}", verdict.test, verdict.sentence));
    }
    for problem in &doc.problems {
        shell.say(&format!("PROBLEM {}: {}", problem.place, problem.what));
    }
    for remark in &doc.remarks {
        shell.say(&format!("remark {}: {}", remark.place, remark.what));
    }
    shell.say(&format!("{} log entries, head {}", doc.records, doc.head_sha256));
    if doc.void_trials > 0 {
        let trials =
            if doc.void_trials == 1 { "void trial, whose commitment stays" } else { "void trials, whose commitments stay" };
        shell.say(&format!("{} {trials} unopened", doc.void_trials));
    }
    if doc.unverified_files > 0 {
        shell.say(&format!(
            "{} not in this copy and could not be looked at",
            count(doc.unverified_files as usize, "recording or clip is", "recordings and clips are")
        ));
    }
    shell.say(if doc.ok { "everything verifies" } else { "this session does not verify" });
    shell.document(&doc);
    Ok(if doc.ok { Outcome::Done } else { Outcome::Unfit })
}
