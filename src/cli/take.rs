//! `take`: imports recordings; files of one pass share its number. A folder comes in by its files' names, one long bounce by the DI's
//! repeats, a watched folder as it is bounced into.

use super::ask;
use super::shell::{Outcome, Shell};
use super::values::{DepthArg, MicArg, NoteArg, PatternArg};
use super::watch::{not_taken, said};
use crate::capture::derive::Change;
use crate::capture::pattern::{FolderPlan, FolderRequest, plan_folder, take_folder};
use crate::capture::runsheet::lift;
use crate::capture::split::{SplitPlan, SplitRequest, plan_split, take_split};
use crate::capture::take::{Meant, Request, take};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::SystemClock;
use crate::report::text::count;
use std::path::{Path, PathBuf};

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury take evening series-1.wav --setup s16 --mic close-a
  cabjury take evening bounces --pattern \"{setup}_{mic}_{take}.wav\" --dry-run
  cabjury take evening long.wav --split
  cabjury take evening bounces --watch";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// The recordings, or a folder of them.
    #[arg(required = true, value_name = "FILE|DIR")]
    pub(crate) files: Vec<PathBuf>,
    /// The file is the session's DI.
    #[arg(long, conflicts_with_all = ["setup", "mics", "pass", "depth", "pattern", "watch", "split"])]
    pub(crate) di: bool,
    /// The setup it was recorded under.
    #[arg(long, value_name = "S")]
    pub(crate) setup: Option<SetupName>,
    /// The mic, or CHANNEL=MIC for a file that holds several (channels from 1).
    #[arg(long = "mic", value_name = "M|CHANNEL=M")]
    pub(crate) mics: Vec<MicArg>,
    /// The pass: one playing of the DI, all mics.
    #[arg(long, value_name = "P", conflicts_with_all = ["pattern", "watch", "split"])]
    pub(crate) pass: Option<u32>,
    /// How the names of a folder's files are made: {setup}, {mic}, {take} or {pass}, and {*} for what does not matter.
    #[arg(long, value_name = "PATTERN", conflicts_with = "split")]
    pub(crate) pattern: Option<PatternArg>,
    /// Takes in each new file of a folder as it is bounced, in the run sheet's order, until Ctrl-C.
    #[arg(long, conflicts_with_all = ["split", "dry_run"])]
    pub(crate) watch: bool,
    /// Finds the DI's repeats in one long file and cuts it into passes, in the run sheet's order.
    #[arg(long)]
    pub(crate) split: bool,
    /// Shows what would be taken in; takes nothing in.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// Takes in what was shown without asking.
    #[arg(long)]
    pub(crate) yes: bool,
    /// Another rate than the session's: takes in a resampled copy, stated with the take.
    #[arg(long)]
    pub(crate) resample: bool,
    /// Stereo among mono takes: takes in the mean of both channels, stated with the take.
    #[arg(long)]
    pub(crate) mix_down: bool,
    /// What was touched since the take before.
    #[arg(long, value_name = "DEPTH")]
    pub(crate) depth: Option<DepthArg>,
    /// A note, KEY=VALUE.
    #[arg(long = "note", value_name = "K=V")]
    pub(crate) notes: Vec<NoteArg>,
    /// Why a setup that must not be powered was recorded all the same; card, run sheet and report print it.
    #[arg(long, value_name = "TEXT", conflicts_with = "di")]
    pub(crate) load_reason: Option<String>,
    /// What would be refused and is meant so: clipping (a tone with flat tops), other-di (it hardly resembles its DI).
    #[arg(long = "confirm", value_name = "KIND", requires = "reason")]
    pub(crate) confirm: Vec<String>,
    /// Why it is meant; every report prints it.
    #[arg(long, value_name = "TEXT", requires = "confirm")]
    pub(crate) reason: Option<String>,
}

impl Args {
    /// A whole folder by its files' names, which somebody has agreed to.
    pub(super) fn of_folder(session: &Path, dir: &Path) -> Self {
        Self {
            folder: session.to_owned(),
            files: vec![dir.to_owned()],
            di: false,
            setup: None,
            mics: Vec::new(),
            pass: None,
            pattern: None,
            watch: false,
            split: false,
            dry_run: false,
            yes: true,
            resample: false,
            mix_down: false,
            depth: None,
            notes: Vec::new(),
            load_reason: None,
            confirm: Vec::new(),
            reason: None,
        }
    }

    fn notes(&self) -> std::collections::BTreeMap<String, String> {
        self.notes.iter().map(|n| (n.key.clone(), n.value.clone())).collect()
    }

    fn meant(&self) -> Result<Option<Meant>, Failure> {
        let reason = self.reason.as_ref();
        reason.map(|reason| Meant { kinds: self.confirm.clone(), reason: reason.clone() }.checked()).transpose()
    }

    fn change(&self) -> Change {
        Change { resample: self.resample, mix_down: self.mix_down }
    }

    /// What holds for every file of a folder.
    pub(super) fn folder_request(&self) -> Result<FolderRequest, Failure> {
        if self.mics.len() > 1 || self.mics.iter().any(|m| m.channel.is_some()) {
            return Err(wrong("a folder's files have one mic each", "put {mic} into the pattern, or name one --mic for all"));
        }
        Ok(FolderRequest {
            pattern: self.pattern.as_ref().map(|p| p.0.clone()),
            setup: self.setup.clone(),
            mic: self.mics.first().map(|m| m.mic.clone()),
            depth: self.depth.map(Into::into),
            notes: self.notes(),
            change: self.change(),
        })
    }
}

fn wrong(message: &str, next: &str) -> Failure {
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}

/// Imports and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let dirs = args.files.iter().filter(|f| f.is_dir()).count();
    if let Some(reason) = args.load_reason.as_ref().filter(|_| dirs > 0 || args.split) {
        lift(&args.folder, reason, &SystemClock)?;
    }
    match (args.files.as_slice(), args.split) {
        ([file], true) if dirs == 0 => return split(args, file, shell),
        (_, true) => return Err(wrong("--split needs one file", "name the long bounce alone")),
        ([dir], false) if dirs == 1 && args.watch => return super::watch::run(&args.folder, dir, args.folder_request()?, shell),
        ([dir], false) if dirs == 1 => return by_pattern(args, dir, shell),
        _ if args.pattern.is_some() || args.watch || args.dry_run => {
            return Err(wrong("--pattern, --watch and --dry-run need one folder of recordings", "name the folder alone"));
        }
        _ => {}
    }
    if args.setup.is_none() && !args.di {
        return Err(wrong(
            "which setup was it recorded under?",
            "add --setup NAME, or --di for the DI; a whole folder: --pattern",
        ));
    }
    let request = Request {
        files: args.files.clone(),
        di: args.di,
        setup: args.setup.clone(),
        mics: args.mics.iter().map(|m| (m.channel, m.mic.clone())).collect(),
        pass: args.pass,
        depth: args.depth.map(Into::into),
        notes: args.notes(),
        load_reason: args.load_reason.clone(),
        called: std::collections::BTreeMap::new(),
        change: args.change(),
        meant: args.meant()?,
    };
    let doc = take(&args.folder, &request, &SystemClock, &shell.progress())?;
    for t in &doc.takes {
        said(t, shell);
    }
    for warning in &doc.warnings {
        shell.warn(warning);
    }
    shell.document(&doc);
    // What was not stored, because it is there, is refused; what was new beside it is in.
    Ok(if doc.already.is_empty() { Outcome::Done } else { Outcome::Refused })
}

fn by_pattern(args: &Args, dir: &Path, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = args.folder_request()?;
    let plan = plan_folder(&args.folder, dir, &request)?;
    shell.say(&table(&plan));
    let command = format!("cabjury take {} {} --pattern \"{}\"", quoted(&args.folder), quoted(dir), plan.pattern);
    if args.dry_run {
        shell.say(&format!("nothing was taken in; to do it:\n  {command}"));
        shell.document(&plan);
        return Ok(Outcome::Done);
    }
    if plan.guessed && !args.yes && !ask::yes("Take them in so?")? {
        let message = format!("the names seem to follow \"{}\"; a guess is not taken in unasked", plan.pattern);
        return Err(Failure::plain("guessed", Fate::Refused, message, format!("look at the table, then: {command}")));
    }
    let left_out = plan.rows.iter().filter(|r| r.problem.is_some()).count();
    let doc = take_folder(&args.folder, plan, &request, &SystemClock, &shell.progress())?;
    for t in doc.takes.iter().filter(|t| !t.faults.is_empty() || t.derived.is_some()) {
        said(t, shell);
    }
    shell.say(&format!("{} taken in", count(doc.takes.len(), "recording", "recordings")));
    let fresh = !doc.takes.is_empty();
    if fresh && !doc.already.is_empty() {
        shell.say(&format!("{} there already", count(doc.already.len(), "recording was", "recordings were")));
    }
    let already = |w: &String| fresh && w.contains("is already in the session");
    for warning in doc.warnings.iter().filter(|w| !already(w)) {
        shell.warn(warning);
    }
    for refused in &doc.refused {
        not_taken(refused, shell);
    }
    if left_out > 0 {
        shell.warn(&format!("{} left out, as the table says", count(left_out, "file was", "files were")));
        if !fresh && doc.already.is_empty() {
            shell.warn("no name fits the pattern: without --pattern one is guessed and shown first");
        }
    }
    shell.document(&doc);
    Ok(if !doc.refused.is_empty() || (left_out > 0 && !fresh && doc.already.is_empty()) {
        // Nothing at all came in: whoever goes on in a script has to know.
        Outcome::Unfit
    } else if fresh || doc.already.is_empty() {
        Outcome::Done
    } else {
        Outcome::Refused
    })
}

/// The folder's files as they were read.
fn table(plan: &FolderPlan) -> String {
    let width = |of: &dyn Fn(&crate::capture::pattern::RowDoc) -> usize, least: usize| {
        plan.rows.iter().map(of).max().unwrap_or(0).max(least)
    };
    let file = width(&|r| r.file.chars().count(), 4);
    let setup = width(&|r| r.setup.as_ref().map_or(1, |s| s.chars().count()), 5);
    let mic = width(&|r| r.mic.as_ref().map_or(1, |s| s.chars().count()), 3);
    let how = if plan.guessed { "guessed pattern" } else { "pattern" };
    let mut out = format!("{how}: {}\n{:file$}  {:setup$}  {:mic$}  pass\n", plan.pattern, "file", "setup", "mic");
    for r in &plan.rows {
        let cell = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".to_owned());
        let pass = r.pass.map_or_else(|| "-".to_owned(), |p| p.to_string());
        let problem = r.problem.as_ref().map_or_else(String::new, |p| format!("  LEFT OUT: {p}"));
        out.push_str(&format!("{:file$}  {:setup$}  {:mic$}  {pass:>4}{problem}\n", r.file, cell(&r.setup), cell(&r.mic)));
    }
    out
}

fn split(args: &Args, file: &Path, shell: &mut Shell) -> Result<Outcome, Failure> {
    let request = SplitRequest {
        setup: args.setup.clone(),
        mics: args.mics.iter().map(|m| (m.channel, m.mic.clone())).collect(),
        depth: args.depth.map(Into::into),
        notes: args.notes(),
    };
    let bounce = plan_split(&args.folder, file, &request, &shell.progress())?;
    shell.say(&repeats(&bounce.plan));
    for warning in &bounce.plan.warnings {
        shell.warn(warning);
    }
    let command = format!("cabjury take {} {} --split --yes", quoted(&args.folder), quoted(file));
    if args.dry_run {
        shell.say(&format!("nothing was taken in; to do it:\n  {command}"));
        shell.document(&bounce.plan);
        return Ok(Outcome::Done);
    }
    if !args.yes && !ask::yes("Cut it so?")? {
        let message =
            format!("{} found; the bounce is not cut unasked", count(bounce.plan.repeats.len(), "repeat was", "repeats were"));
        return Err(Failure::plain("not-asked", Fate::Refused, message, format!("look at the table, then: {command}")));
    }
    let known = bounce.plan.warnings.len();
    let doc = take_split(&args.folder, bounce, &request, &SystemClock, &shell.progress())?;
    for t in &doc.takes {
        said(t, shell);
    }
    for warning in &doc.plan.warnings[known..] {
        shell.warn(warning);
    }
    for refused in &doc.refused {
        not_taken(refused, shell);
    }
    shell.document(&doc);
    Ok(match (doc.refused.is_empty(), doc.takes.is_empty()) {
        (false, _) => Outcome::Unfit,
        (true, true) => Outcome::Refused,
        (true, false) => Outcome::Done,
    })
}

fn repeats(plan: &SplitPlan) -> String {
    let mut out = format!(
        "the DI is found {} in {}\npass  setup          begins     cut from       to   resemblance\n",
        count(plan.repeats.len(), "time", "times"),
        plan.file
    );
    for r in &plan.repeats {
        out.push_str(&format!(
            "{:>4}  {:13} {:>8.2} s {:>8.2} s {:>8.2} s   {:.2}\n",
            r.pass, r.setup, r.start_s, r.from_s, r.to_s, r.resemblance
        ));
    }
    out
}
