//! Commands, help, all printing, exit codes.
//!
//! One file per command: what was typed (`Args`), and `run`, which calls one job and prints what it returns. [`values`](self) turns
//! option values into what they mean; the shell is where all printing happens.

mod ask;
mod audit;
mod bar;
mod bundle;
mod chance;
mod check;
mod close;
mod completions;
mod defaults;
mod demo;
mod desk;
mod devices;
mod entry;
mod fresh;
mod hall;
mod here;
mod level;
mod listen;
mod load;
mod manual;
mod match_;
mod measure;
mod meter;
mod montage;
mod names;
mod new;
mod pick;
mod picture;
mod plan;
mod publish;
mod reassign;
mod recent;
mod record;
mod rehearse;
mod report;
mod rescue;
mod rig;
mod runsheet;
mod score;
mod sessions;
mod sheet;
mod shell;
mod signals;
mod status;
mod take;
mod takes;
pub mod text;
mod unbundle;
mod values;
mod votes;
mod watch;
mod withdraw;

use clap::{Parser, Subcommand};
use shell::{ColorArg, Outcome, Shell};
use std::process::ExitCode;

const AFTER_HELP: &str = "\
Inside a session's folder FOLDER may be left out.
Exit codes: 0 done; 1 failed while working; 2 wrong use; 3 refused on purpose; 4 the input is not fit.
Valve amplifiers hold lethal voltages. Power off and wait before changing wiring or tap; never run one without its load.";

/// Blind listening for guitar cab wiring: from recordings to an honest sentence.
#[derive(Debug, Parser)]
#[command(name = "cabjury", version, about, after_help = AFTER_HELP, max_term_width = 100, infer_subcommands = false)]
struct Cli {
    /// One JSON document on standard output, nothing else there.
    #[arg(long, global = true, display_order = 900)]
    json: bool,

    /// When to use colour.
    #[arg(long, global = true, display_order = 901, value_name = "WHEN", default_value = "auto", hide_possible_values = true)]
    color: ColorArg,

    #[command(subcommand)]
    command: Command,
}

macro_rules! commands {
    ($($(#[$doc:meta])* $variant:ident => $module:ident),* $(,)?) => {
        #[derive(Debug, Subcommand)]
        enum Command {
            $($(#[$doc])* $variant($module::Args),)*
        }

        impl Command {
            fn run(&self, shell: &mut Shell) -> Result<Outcome, crate::model::failure::Failure> {
                match self {
                    $(Self::$variant(args) => $module::run(args, shell),)*
                }
            }
        }
    };
}

commands! {
    /// The invented shootout, from rig to report.
    Demo => demo,
    /// Load, grade, shares, meter reading and cautions of a wiring.
    Load => load,
    /// Format, faults, loudness, true peak of files; differences of two or more.
    Measure => measure,
    /// Aligned, loudness-matched copies of any files.
    Level => level,
    /// What a number of right answers says, or what so many trials can find.
    Chance => chance,
    /// A session; with NAME=FILE two files are enough to start.
    New => new,
    /// Sessions under a folder, and how far each is.
    Sessions => sessions,
    /// A commented rig sheet, from flags or a few questions.
    Sheet => sheet,
    /// Reads the rig sheet in, prints a wiring card per setup.
    Rig => rig,
    /// Judges and records an ohmmeter reading.
    Meter => meter,
    /// The interleaved capture order.
    Runsheet => runsheet,
    /// Plays the DI and records every mic, pass by pass along the run sheet.
    Record => record,
    /// Imports recordings, or the DI.
    Take => take,
    /// Every take with its file's name, and what is missing.
    Takes => takes,
    /// Puts a take under another setup, mic or pass.
    Reassign => reassign,
    /// Takes a wrong import out of use, or gives up a matching run.
    Withdraw => withdraw,
    /// What is done, the next step, its command.
    Status => status,
    /// Faults, lags, levels, and the difference between setups beside the repeat floor.
    Check => check,
    /// Makes the clips: aligned and matched.
    Match => match_,
    /// Seals a test, or prints what it could find.
    Plan => plan,
    /// Ends a test for good before its last trial.
    Close => close,
    /// Simulated listeners go through the code that people go through.
    Rehearse => rehearse,
    /// The blind player at this computer.
    Listen => listen,
    /// The session in a browser, and a listening page for anyone in the room.
    Desk => desk,
    /// A blind test for an audience of thousands, on PostgreSQL.
    Hall => hall,
    /// Verdicts with evidence.
    Score => score,
    /// One self-contained page with the verdict and its evidence.
    Report => report,
    /// Result cards, plots and wirings as pictures for a video or a slide.
    Picture => picture,
    /// Back-to-back audio with captions; blind for an audience.
    Montage => montage,
    /// An audience's answers to a blind montage, scored as what they are.
    Votes => votes,
    /// Verifies hashes, chain, commitments, and recomputes every verdict.
    Audit => audit,
    /// Makes a session again of what can be read of a damaged one.
    Rescue => rescue,
    /// The session as one file for another computer.
    Bundle => bundle,
    /// A bundle's session, checked on the way in.
    Unbundle => unbundle,
    /// Output and input devices.
    Devices => devices,
    /// Names of a session, for completions.
    #[command(hide = true)]
    Names => names,
    /// Shell completions.
    Completions => completions,
    /// Manual pages.
    Manual => manual,
}

/// Runs the program with the process's own arguments.
#[must_use]
pub fn main() -> ExitCode {
    // A limit on the size of files must come back as an error of the write: by itself the signal would end the program in the middle of it.
    #[cfg(unix)]
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, std::sync::Arc::default());
    let typed: Vec<_> = std::env::args_os().collect();
    if entry::meant(&typed) {
        let mut shell = Shell::new(false, ColorArg::Auto);
        let code = entry::run(&mut shell).map_or_else(|error| shell.error(&error), Outcome::exit_code);
        return shell.finish(code);
    }
    let args = here::meant(typed);
    let cli = match Cli::try_parse_from(&args) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to standard output with code 0, wrong use to standard error with code 2: clap's own rule. A closed
            // pipe is no failure.
            let _ = error.print();
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2));
        }
    };
    let mut shell = Shell::new(cli.json, cli.color);
    let (folder, misplaced) = here::sessions_in(&args);
    shell.about(folder, misplaced);
    let code = match cli.command.run(&mut shell) {
        Ok(outcome) => {
            here::session_among(&args).inspect(|folder| recent::remember(folder));
            outcome.exit_code()
        }
        Err(error) => shell.error(&error),
    };
    shell.finish(code)
}
