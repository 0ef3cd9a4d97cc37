//! `listen`: the blind player at this computer.

mod look;
mod page;
mod plain;

use super::shell::{Outcome, Shell};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::SystemClock;
use crate::testing::closed_memory;
use crate::testing::fingerprint::of_folder;
use crate::testing::listen::Listening;
use crate::testing::receipt::{Receipt, line, save};
use crate::verdict::closing::freeze;
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
    /// All cautions at once, not only the first line of them.
    #[arg(long)]
    pub(crate) cautions: bool,
    /// As few words as possible: for whoever has listened before.
    #[arg(long)]
    pub(crate) brief: bool,
    /// Saves your receipt as a new file when you leave: with it you can later show that the log is the one your answers went into.
    #[arg(long, value_name = "FILE")]
    pub(crate) receipt: Option<PathBuf>,
    /// Shows what to keep of your answers as a code for a phone's camera when you leave.
    #[arg(long)]
    pub(crate) qr: bool,
}

impl Args {
    /// What is said before the first sound: the first caution never falls silent.
    fn cautions(&self) -> &'static [&'static str] {
        if self.cautions { &CAUTION } else { &FOLDED }
    }
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
    if let Some(taken) = args.receipt.as_ref().filter(|p| p.symlink_metadata().is_ok()) {
        let message = format!("{} exists already and is never overwritten", taken.display());
        return Err(Failure::at_path("exists-already", Fate::Refused, taken, message, "choose another name with --receipt"));
    }
    let device = device(args, shell)?;
    let mut listening = Listening::open(&args.folder, &args.listener, args.test.as_ref(), device.as_deref(), &SystemClock)
        .map_err(|e| without_card(args, e))?
        .closing_by(freeze);
    if let Some(warning) = closed_memory::close().warning() {
        shell.warn(&warning);
    }
    if listening.healed() > 0 {
        shell.warn("a trial was open when the program last ended; it is void and will be drawn anew");
    }
    if listening.is_practice() {
        shell.warn(
            "nothing sounds on the silent device: what you answer is kept as practice; it fills no seat, closes no test and is never scored as yours",
        );
    }
    let through = if args.plain {
        plain::run(&mut listening, args.cautions(), args.brief, shell)?
    } else {
        page::run(&mut listening, args.cautions(), args.brief, shell.color())?
    };
    let standing = listening.standing()?;
    let test = listening.test().clone();
    let (practice, receipts) = (listening.is_practice(), listening.receipts().to_vec());
    listening.leave()?;
    let planned = standing.planned.map_or_else(String::new, |p| format!(" of {p}"));
    let trials = if standing.planned.unwrap_or(standing.done) == 1 { "trial" } else { "trials" };
    shell.say(&format!("{} {}{planned} {trials} answered.", if through { "Thank you." } else { "Left." }, standing.done));
    if standing.closed {
        shell.say(&format!("The test is closed; its verdict: cabjury score {}", quoted(&args.folder)));
        crate::cli::publish::fingerprint(of_folder(&args.folder, &test)?.as_ref(), "now", None, shell)?;
    } else if !through {
        shell.say("Come back with the same command; it goes on with a fresh trial.");
    }
    take_home(args, &receipts, shell)?;
    shell.document(&serde_json::json!({
        "done": standing.done,
        "planned": standing.planned,
        "closed": standing.closed,
        "practice": practice,
        "receipts": receipts,
    }));
    Ok(Outcome::Done)
}

/// The receipt as a file, and its last head as a line and a picture for a phone's camera.
fn take_home(args: &Args, receipts: &[Receipt], shell: &mut Shell) -> Result<(), Failure> {
    for receipt in receipts {
        shell.say(&format!("receipt: trial {} at {:.0}, log {}", receipt.trial, receipt.at, receipt.head_sha256));
    }
    let Some(line) = line(receipts) else {
        if let Some(path) = &args.receipt {
            shell.say(&format!("Nothing was answered: {} was not written.", path.display()));
        }
        return Ok(());
    };
    match &args.receipt {
        Some(path) => {
            save(path, receipts)?;
            shell.say(&format!("Your receipt: {}", path.display()));
        }
        None => shell.say("To take your receipt home: --receipt FILE saves it, --qr shows its last line for a phone's camera."),
    }
    shell.say(&format!("Your answers in one line, to keep outside of this computer: {line}"));
    if let Some(picture) = crate::web::qr_text(&line).filter(|_| args.qr) {
        shell.say(&picture);
    }
    Ok(())
}

/// The device that was named, else that of the defaults file.
fn device(args: &Args, shell: &mut Shell) -> Result<Option<String>, Failure> {
    if args.device.is_some() {
        return Ok(args.device.clone());
    }
    let defaults = super::defaults::read()?;
    if let Some(device) = &defaults.device {
        shell.note(&format!("device {device}, from {}", defaults.from.display()));
    }
    Ok(defaults.device)
}

/// Without a sound card there is practice, and a browser that may have one.
fn without_card(args: &Args, error: Failure) -> Failure {
    if error.explain().kind() != "no-device" {
        return error;
    }
    let folder = quoted(&args.folder);
    let next = format!(
        "connect an interface, or let listeners hear it in a browser: cabjury desk {folder} --lan; --device silent keeps time without \
         sound: that is practice and never counts as a test"
    );
    Failure::plain("no-device", Fate::Failed, error.to_string(), next)
}

/// The hearing caution folded to one line.
const FOLDED: [&str; 1] =
    ["Turn the volume down first. Then set it on the noise, keep it moderate, and leave it alone. More: --cautions"];

/// The hearing caution that stands before the first sound; nothing sounds before it was answered with a key.
pub(super) const CAUTION: [&str; 4] = [
    "Turn the volume down first.",
    "Set the level on the noise, keep it moderate, and leave it alone from then on.",
    "NIOSH's occupational limit is 85 dBA for 8 h, halved for every 3 dB more: 94 dBA for 1 h, 100 dBA for 15 min.",
    "Keeping to it does not promise that nothing happens. If your ears ring, stop.",
];
