//! `desk`: the session in a browser.

use super::shell::{Outcome, Shell};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::outside::SystemClock;
use crate::testing::closed_memory;
use crate::web::{Certificate, Options, PublicName, Ready, serve};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury desk evening
  cabjury desk evening --browser
  cabjury desk evening --lan --invite ann --invite bob";

/// What was typed.
#[derive(Debug, Default, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder; an empty one becomes a session. On a terminal it may be left out: recent sessions are offered.
    pub(crate) folder: Option<PathBuf>,

    /// Also opens the browser of this computer at the link (which its other users can then read in the list of programs).
    #[arg(long)]
    pub(crate) browser: bool,
    /// The port; default any free one.
    #[arg(long, value_name = "P", value_parser = clap::value_parser!(u16).range(1..))]
    pub(crate) port: Option<u16>,
    /// Let other devices in the room in, over plain HTTP unless encrypted: only in a network that you trust.
    #[arg(long)]
    pub(crate) lan: bool,
    /// Encrypt with this certificate and private key (PEM files).
    #[arg(long, num_args = 2, value_names = ["CERT", "KEY"])]
    pub(crate) tls: Vec<PathBuf>,
    /// Encrypt with a certificate of the desk's own, made when there is none; browsers ask before they accept it.
    #[arg(long, conflicts_with = "tls")]
    pub(crate) tls_make: bool,
    /// The name by which a reverse proxy, or the certificate, makes the desk known.
    #[arg(long, value_name = "NAME")]
    pub(crate) public_name: Option<String>,
    /// The test that is listened to; default the only open one.
    #[arg(long, value_name = "T")]
    pub(crate) test: Option<TestId>,
    /// Prints a listening link for this listener.
    #[arg(long, value_name = "LISTENER", num_args = 1..)]
    pub(crate) invite: Vec<ListenerCode>,
}

/// Serves until it is told to stop.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let Some(folder) = folder(args, shell)? else { return Ok(Outcome::Done) };
    let stop = Arc::new(AtomicBool::new(false));
    #[cfg(unix)]
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        // Where a signal cannot be watched, the system's own way of ending stays: the store is intact then too.
        let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
    }
    let options = Options {
        folder: folder.clone(),
        port: args.port,
        lan: args.lan,
        test: args.test.clone(),
        invite: args.invite.clone(),
        public: args.public_name.as_deref().map(PublicName::new).transpose()?,
        certificate: match args.tls.as_slice() {
            [chain, key] => Some(Certificate::Given { chain: chain.clone(), key: key.clone() }),
            _ => args.tls_make.then_some(Certificate::Own),
        },
    };
    if let Some(warning) = closed_memory::close().warning() {
        shell.warn(&warning);
    }
    static CLOCK: SystemClock = SystemClock;
    serve(&options, &CLOCK, &stop, |ready| {
        super::recent::remember(&folder);
        say(shell, ready, args.lan);
        if args.browser {
            open_browser(shell, &ready.url);
        }
    })?;
    shell.say("The desk is closed.");
    Ok(Outcome::Done)
}

/// The folder that was named, or chosen among recent ones; none when the input ended at the question.
fn folder(args: &Args, shell: &mut Shell) -> Result<Option<PathBuf>, Failure> {
    if let Some(folder) = &args.folder {
        return Ok(Some(folder.clone()));
    }
    if shell.json() || !std::io::stdout().is_terminal() || !super::ask::somebody() {
        let next = "name it: cabjury desk FOLDER (an empty folder becomes a session; which there are: cabjury sessions)";
        return Err(Failure::plain("wrong-use", Fate::WrongUse, "the desk needs a session's folder", next));
    }
    shell.say("Which session?");
    let chosen = super::pick::session(shell, &super::pick::at_hand(), true)?;
    // A new one begins as an empty folder, which the desk makes a session.
    if let Some(folder) = chosen.as_ref().filter(|f| !f.exists()) {
        std::fs::create_dir_all(folder).map_err(|e| {
            let message = format!("{} cannot be made: {e}", folder.display());
            Failure::at_path("cannot-write", Fate::Failed, folder, message, "choose a place that you may write to")
        })?;
    }
    Ok(chosen)
}

/// Hands the link to the system's own opener, and goes on without waiting for it.
fn open_browser(shell: &mut Shell, url: &str) {
    use std::process::{Command, Stdio};
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else if cfg!(windows) {
        "explorer"
    } else {
        "xdg-open"
    };
    let begun = Command::new(opener).arg(url).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    match begun {
        // Waited for beside the desk, so that it leaves no dead process behind.
        Ok(mut child) => drop(std::thread::spawn(move || child.wait())),
        Err(error) => shell.warn(&format!("no browser was opened ({opener}: {error}); open the link yourself")),
    }
}

fn say(shell: &mut Shell, ready: &Ready, lan: bool) {
    if shell.json() {
        // One line, so that a program that waits for it knows when it is whole.
        shell.put(&serde_json::to_string(ready).unwrap_or_default());
    } else {
        shell.put(&format!("The desk is open: {}", ready.url));
        for invited in &ready.invitations {
            shell.put(&format!("{}: {}", invited.listener, invited.url));
            if lan && let Some(code) = crate::web::qr_text(&invited.url) {
                shell.put(&code);
            }
        }
        if let Some(print) = &ready.certificate_sha256 {
            shell.put(&format!("The certificate's SHA-256, to compare with what a browser shows: {print}"));
        }
        if lan && ready.certificate_sha256.is_none() {
            shell
                .put("Anyone in this network can reach it, and what is sent is not encrypted. Only in a network that you trust.");
        }
        shell.put("End it with Ctrl-C; an open trial is void then and drawn anew.");
    }
    shell.flush();
}
