//! `devices`: output devices.

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
    shell.say(&doc.devices.join("\n"));
    shell.document(&doc);
    Ok(Outcome::Done)
}
