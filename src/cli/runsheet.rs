//! `runsheet`: the drawn order of capture.

use super::load::wrapped;
use super::shell::{Outcome, Shell};
use crate::capture::runsheet::{lift, runsheet};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::rig::gate::GateDoc;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury runsheet evening --takes 5";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Takes per setup; default those of the order that was drawn, else 5.
    #[arg(long, value_name = "N")]
    pub(crate) takes: Option<u32>,
    /// Tests that the session's claim is to rest on: tells how many takes that needs.
    #[arg(long, value_name = "M", default_value_t = 1)]
    pub(crate) tests: u32,
    /// Why setups that must not be powered are played all the same; card, run sheet and report print it.
    #[arg(long, value_name = "TEXT")]
    pub(crate) load_reason: Option<String>,
}

/// Prints the capture order, with room for notes.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(reason) = &args.load_reason {
        lift(&args.folder, reason, &SystemClock)?;
    }
    let doc = runsheet(&args.folder, args.takes, args.tests, &SystemClock)?;
    for (key, value) in &doc.held {
        shell.say(&format!("held: {key} = {value}"));
    }
    shell.say(if doc.drawn_now {
        "order drawn now, from all orders; it is kept in the session and stays"
    } else {
        "the order that was drawn for this session"
    });
    if let Some(needed) = doc.takes_needed {
        let tests = crate::report::text::count(doc.tests as usize, "test", "tests");
        shell.say(&format!("takes needed for a claim about the wiring ({tests}): {needed} of each setup, wired anew for each"));
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
    for warning in &doc.warnings {
        shell.warn(warning);
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
