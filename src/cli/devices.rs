//! `devices`: output and input devices.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::testing::sounding::devices;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury devices";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {}

/// Lists the devices.
#[expect(clippy::unnecessary_wraps, reason = "every command has the same form")]
pub(crate) fn run(_args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = devices();
    let list = |names: &[String]| names.iter().map(|n| format!("  {n}\n")).collect::<String>();
    shell.say(&format!("outputs (for listen and record):\n{}inputs (for record):\n{}", list(&doc.devices), list(&doc.inputs)));
    shell.document(&doc);
    Ok(Outcome::Done)
}
