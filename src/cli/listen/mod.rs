//! `listen`: the blind player at this computer.

mod look;
mod page;
mod plain;
mod signals;

use super::shell::{Outcome, Shell};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::SystemClock;
use crate::testing::listen::Listening;
use std::io::IsTerminal;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury listen evening --listener me --device silent";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The listener's code.
    #[arg(long, value_name = "CODE")]
    pub(crate) listener: ListenerCode,
    /// The test; default the only open one.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Output device by name; "silent" keeps real time without a sound card.
    #[arg(long, value_name = "D")]
    pub(crate) device: Option<String>,
    /// Line by line, for screen readers and braille.
    #[arg(long)]
    pub(crate) plain: bool,
}

/// Opens the session and lets the listener answer, on a page or line by line.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let terminal = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
    if !args.plain && !terminal {
        return Err(Failure::plain(
            "no-terminal",
            Fate::Failed,
            "listening needs a terminal",
            "run it in one, or take the line-by-line form: --plain",
        ));
    }
    let mut listening = Listening::open(&args.folder, &args.listener, args.test.as_ref(), args.device.as_deref(), &SystemClock)?;
    if listening.healed() > 0 {
        shell.warn("a trial was open when the program last ended; it is void and will be drawn anew");
    }
    let through = if args.plain { plain::run(&mut listening, shell)? } else { page::run(&mut listening, shell.color())? };
    let standing = listening.standing()?;
    listening.leave()?;
    let planned = standing.planned.map_or_else(String::new, |p| format!(" of {p}"));
    shell.say(&format!("{} {}{planned} trials answered.", if through { "Thank you." } else { "Left." }, standing.done));
    if standing.closed {
        shell.say(&format!("The test is closed; its verdict: cabjury score {}", args.folder.display()));
    } else if !through {
        shell.say("Come back with the same command; it goes on with a fresh trial.");
    }
    shell.document(&serde_json::json!({ "done": standing.done, "planned": standing.planned, "closed": standing.closed }));
    Ok(Outcome::Done)
}

/// The hearing caution that stands before the first sound; nothing sounds before it was answered with a key.
pub(super) const CAUTION: [&str; 4] = [
    "Turn the volume down first.",
    "Set the level on the noise, keep it moderate, and leave it alone from then on.",
    "NIOSH's occupational limit is 85 dBA for 8 h, halved for every 3 dB more: 94 dBA for 1 h, 100 dBA for 15 min.",
    "Keeping to it is no promise that nothing happens. If your ears ring, stop.",
];
