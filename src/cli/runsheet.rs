//! `runsheet`: the interleaved capture order.

use super::load::wrapped;
use super::shell::{Outcome, Shell};
use crate::capture::runsheet::{runsheet, runsheet_all_the_same};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::rig::gate::GateDoc;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury runsheet evening --takes 4";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Takes per setup.
    #[arg(long, value_name = "N", default_value_t = 4)]
    pub(crate) takes: u32,
    /// Why setups that must not be powered are played all the same; card, run sheet and report print it.
    #[arg(long, value_name = "TEXT")]
    pub(crate) load_reason: Option<String>,
}

/// Prints the capture order, with room for notes.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let doc = match &args.load_reason {
        Some(reason) => runsheet_all_the_same(&args.folder, args.takes, reason, &SystemClock)?,
        None => runsheet(&args.folder, args.takes)?,
    };
    for (key, value) in &doc.held {
        shell.say(&format!("held: {key} = {value}"));
    }
    for answer in &doc.gate {
        say_gate(answer, shell);
    }
    shell.say("pass  setup         done  notes");
    for p in &doc.order {
        if p.refused.is_some() {
            shell.say(&format!("{:>4}  {:13}       DO NOT POWER (see above)", p.pass, p.setup));
            continue;
        }
        if !p.change.is_empty() {
            shell.say(wrapped(&p.change, "      -- ", "         ").trim_end());
        }
        shell.say(&format!("{:>4}  {:13} [ ]   ______________________________", p.pass, p.setup));
    }
    for caution in &doc.cautions {
        shell.say(wrapped(caution, "! ", "  ").trim_end());
    }
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}

/// What the gate says of a setup; nothing when nothing stands against it.
pub(super) fn say_gate(answer: &GateDoc, shell: &mut Shell) {
    for line in answer.lines() {
        shell.say(wrapped(&line, if answer.refused() { "X " } else { "! " }, "  ").trim_end());
    }
}
