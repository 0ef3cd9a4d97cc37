//! `report`: one self-contained page: verdict first, then the evidence.

use super::shell::{Outcome, Shell};
use super::values::SetupArg;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::publish::report::audience::{Request, audience};
use crate::publish::report::report;
use crate::report::audience::SendTo;
use crate::report::text::count;
use std::path::{Path, PathBuf};

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury report evening\n  cabjury report evening --audience for-the-web\n  \
     cabjury report evening --audience page --one-file --flac --send-to answers@example.org";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Where to write it; .html, .md or .json. Default a new file in the session's reports folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// A static folder for any web host instead: a page on which every visitor draws their own trials, unguarded.
    #[arg(long, value_name = "DIR", conflicts_with = "out")]
    pub(crate) audience: Option<PathBuf>,
    /// Of the audience's page: these two setups alone; default all that have clips, and a visitor chooses two.
    #[arg(long, value_name = "SETUP,SETUP", value_delimiter = ',', requires = "audience")]
    pub(crate) pair: Vec<SetupArg>,
    /// Of the audience's page: sound as FLAC, about half of WAV.
    #[arg(long, requires = "audience")]
    pub(crate) flac: bool,
    /// Of the audience's page: the first seconds of each clip alone, matched in loudness again.
    #[arg(long, value_name = "S", requires = "audience")]
    pub(crate) seconds: Option<f64>,
    /// Of the audience's page: everything in one file, which also opens from a folder or a mail.
    #[arg(long, requires = "audience")]
    pub(crate) one_file: bool,
    /// Of the audience's page: where visitors send their answers, an address for mail or a page (https://...).
    #[arg(long, value_name = "ADDRESS", requires = "audience")]
    pub(crate) send_to: Option<SendTo>,
}

/// The audience's page.
fn page(args: &Args, out: &Path, shell: &mut Shell) -> Result<Outcome, Failure> {
    let pair = match args.pair.as_slice() {
        [] => None,
        [first, second] => Some([first.0.clone(), second.0.clone()]),
        more => {
            let message = format!("--pair names two setups, and {} were given", more.len());
            return Err(Failure::plain("no-pair", Fate::WrongUse, message, "give two: --pair series,parallel"));
        }
    };
    let request = Request {
        out: out.to_owned(),
        pair,
        flac: args.flac,
        seconds: args.seconds,
        one_file: args.one_file,
        send_to: args.send_to.clone(),
    };
    let doc = audience(&args.folder, &request)?;
    let pairs: Vec<String> = doc.pairs.iter().map(|[a, b]| format!("{a} against {b}")).collect();
    let [few, some, many] = doc.choices;
    shell.say(&format!(
        "{}; mic {}; {few}, {some} or {many} trials as each visitor likes, {:.1} s of {} each",
        pairs.join(", "),
        doc.mic,
        doc.seconds,
        doc.sound.to_uppercase()
    ));
    let files = count(doc.files.len(), "file", "files");
    let where_to = if args.one_file {
        "put it on any web host, or send it: it opens from anywhere"
    } else {
        "put the folder on any web host"
    };
    shell.say(&format!("page: {} ({files}, {:.1} MB); {where_to}", doc.path, doc.bytes as f64 / 1e6));
    for warning in &doc.warnings {
        shell.say(&format!("Note: {warning}"));
    }
    shell.say("Visitors can cheat: take their answers in with cabjury votes --audience, never into a sealed test.");
    shell.document(&doc);
    Ok(Outcome::Done)
}

/// Writes the report and says where it lies.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    if let Some(out) = &args.audience {
        return page(args, out, shell);
    }
    let doc = report(&args.folder, args.out.as_deref(), &SystemClock)?;
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}\n  {}", verdict.test, verdict.headline, verdict.sentence));
    }
    if doc.verdicts.is_empty() {
        shell.say("No test was sealed yet, so the report has no verdict.");
    }
    shell.say(&format!("report: {}", doc.path));
    shell.document(&doc);
    Ok(Outcome::Done)
}
